"""``tidebench picture``: pictures of waveforms go in, a case comes out."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from tidebench.caution import CAUTION
from tidebench.cli.options import Switch, Words
from tidebench.cli.progress import progress_bar

if TYPE_CHECKING:
    from tidebench.pictures.album import Shot
    from tidebench.pictures.write import Taken

Corner = tuple[float, float]
Corners = tuple[Corner, Corner, Corner, Corner]
CROP = (
    "Crop faces, names and bed numbers before you share a picture: what lies outside the panels was left out of the "
    "case, what lies inside them was not."
)


def picture(
    *images: Path,
    axes: Path | None = None,
    out: Path | None = None,
    album: Path | None = None,
    case: Path | None = None,
    at: datetime | None = None,
    corners: str | None = None,
    page: int = 1,
    observed: Words = (),
    mend: Literal["flow", "volume"] | None = None,
    whole: Switch = False,
    propose: Path | None = None,
) -> None:
    """Trace the curves of pictures (a saved screen, a photograph, a scan, a page of a PDF) into a case.

    Parameters
    ----------
    images : Path
        The pictures, all with the same axes; several need stamps, in their files or in an album.
    axes : Path
        Where the panels lie and what their marks stand for, an axes.toml.
    out : Path
        Where the case goes: a new folder, or an earlier one of this command, which is replaced.
    album : Path
        Instead of pictures: an album.toml that lists them, each with axes, stamp and noted numbers.
    case : Path
        What else is known, as a case file without a recording.
    at : datetime
        When the picture was taken, where its file doesn't say.
    corners : str
        Where this picture shows the corners of what is a rectangle: "x,y x,y x,y x,y", clockwise from the top left.
        With --propose also "find".
    page : int
        Of a PDF.
    observed : str
        A number noted from the picture, such as peak_pressure_cmh2o=28; may be given again.
    mend : str
        Which channel to scale where flow summed up and the volume panel disagree; neither unless asked.
    whole : bool
        Keep the pictures in the case as they are, with what lies outside the panels.
    propose : Path
        Write an axes.toml to be completed, and beside it the picture with the proposed panels; nothing is traced.
    """
    from tidebench.errors import OptionError

    if propose is not None:
        if len(images) != 1:
            raise OptionError(f"{len(images)} pictures are given", where="--propose", expected="one")
        _propose(images[0], propose, corners, page)
        return
    if out is None:
        raise OptionError("no place is given", where="--out", expected="a new folder")
    from tidebench.pictures.write import picture_case

    shots, folder = _shots(images, axes, album, at, corners, page, observed)
    with progress_bar() as tell:
        taken = picture_case(shots, out, folder=folder, about=case, mend=mend, keep_whole=whole, progress=tell)
    for one in taken:
        _told(one)
    print(f"\nCase: {out.resolve()}\nLook at traced.png there before you trust a number.\n{CROP}")
    if any(one.read is not None and one.read.recording is not None for one in taken):
        print(f"Next: tidebench review {out} --out {out}-review")
    print(f"\n{CAUTION}")


def _shots(
    images: tuple[Path, ...], axes: Path | None, album: Path | None, at: datetime | None, corners: str | None,
    page: int, observed: tuple[str, ...],
) -> tuple[tuple[Shot, ...], Path]:  # fmt: skip
    """What to trace, and from where its paths count."""
    from tidebench.errors import OptionError
    from tidebench.pictures.album import Shot, load_album

    if album is not None:
        if images or axes is not None:
            raise OptionError("an album and pictures are given", where="--album", expected="one of them")
        return load_album(album).pictures, album.parent
    if not images:
        raise OptionError("no picture is given", expected="a picture, or --album")
    if len(images) > 1 and (at is not None or observed or corners is not None):
        raise OptionError(
            "--at, --corners and --observed belong to one picture", expected="an album.toml that lists several"
        )
    if axes is None and not observed:
        raise OptionError("no axes are given", where="--axes", expected="an axes.toml; --propose AXES.toml begins one")
    numbers = dict(_number(text) for text in observed)
    points = _points(corners) if corners is not None else None
    shots = tuple(
        Shot(file=str(image), axes=str(axes) if axes else None, page=page, at=at, corners=points, observed=numbers)
        for image in images
    )
    return shots, Path()


def _number(text: str) -> tuple[str, float | str]:
    from tidebench.errors import OptionError

    key, equals, value = text.partition("=")
    if not equals or not key.strip() or not value.strip():
        raise OptionError(f"{text!r} is no number", where="--observed", expected="peak_pressure_cmh2o=28")
    try:
        return key.strip(), float(value)
    except ValueError:
        return key.strip(), value.strip()


def _points(text: str) -> Corners:
    from tidebench.errors import OptionError

    try:
        one, two, three, four = ((float(x), float(y)) for x, y in (pair.split(",") for pair in text.split()))
    except ValueError:
        raise OptionError(f"{text!r} is not four points", where="--corners", expected='"x,y x,y x,y x,y"') from None
    return one, two, three, four


def _propose(image: Path, place: Path, corners: str | None, page: int) -> None:
    import numpy as np

    from tidebench.errors import OptionError, PictureError
    from tidebench.pictures.opening import open_picture
    from tidebench.pictures.propose import proposal, propose_panels, with_boxes
    from tidebench.pictures.straighten import aslant, find_corners, natural_size, straight

    if place.exists():
        raise OptionError("there is a file of that name", where=str(place), expected="a new axes.toml")
    opened = open_picture(image, page=page)
    picture, points, bend = opened.image, None, 0.0
    if corners is not None:
        if corners == "find":
            points, bend = find_corners(picture, opened.name)
        else:
            points = np.array(_points(corners))
        picture = straight(picture, points.tolist(), natural_size(points), opened.name, bend)
    elif aslant(picture):
        raise PictureError(
            "a screen or sheet is seen aslant in this picture: no panel's rows are rows of its pixels",
            where=opened.name, remedy="Straighten it: --corners find, or its four corners.",
        )  # fmt: skip
    place.write_text(proposal(picture, points, bend), encoding="utf-8", newline="\n")
    beside = place.with_suffix(".png")
    with_boxes(picture).save(beside)
    count = len(propose_panels(picture))
    print(f"Panels proposed: {count}. Correct and complete {place}, by the picture {beside}.")


def _told(one: Taken) -> None:
    """What was read of a picture, in a few lines."""
    print(f"{one.opened.name}:")
    read = one.read
    if read is None:
        print(f"  numbers noted: {len(one.shot.observed)}")
        return
    from tidebench.quantities import QUANTITIES

    for traced in (*read.panels, *read.trends):
        name = QUANTITIES[traced.panel.quantity].label
        print(f"  {name}: traced over {100 * traced.curve.seen:.0f} % of its panel, pen {traced.curve.width:.1f} px")
    for loop in read.loops:
        print(f"  loop of {loop.panel.quantity} over {loop.panel.across}: {' '.join(loop.words)}")
    if read.recording is not None:
        print(f"  {read.recording.duration_s:.1f} s at {read.recording.rate_hz:g} samples per second")
    elif read.panels:
        print(f"  No recording: {read.why_no_recording}. The curves are in curves.parquet.")
    for warning in read.warnings:
        print(f"  {warning}")
