"""What workers do with pictures: open and straighten them, trace them, make a case of them."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Literal

from tidebench.web.work import Tell

if TYPE_CHECKING:
    from PIL.Image import Image

    from tidebench.pictures.opening import Opened
    from tidebench.views.traced import TracedPage

SHOWN = "shown"
"""Beside a picture that waits: as the page shows it."""
LOSSLESS_PIXELS = 4_000_000
"""Larger pictures go to the page as JPEG: only to look at, they are traced as they were taken."""
MOST_READ = 6
"""Panels whose figures are looked for."""
Box = tuple[int, int, int, int]
Corner = tuple[float, float]


@dataclass(frozen=True)
class Straight:
    """How a picture was straightened."""

    corners: tuple[Corner, ...]
    size: tuple[int, int]
    bend: float


@dataclass(frozen=True)
class ReadAxes:
    """Marks beside a proposed panel, pixel and figure, where character recognition read enough of them."""

    values: tuple[tuple[float, float], tuple[float, float]] | None
    times: tuple[tuple[float, float], tuple[float, float]] | None


@dataclass(frozen=True)
class Shown:
    """A picture as it is shown: file, pixels, what is proposed; ``axes`` belong to ``boxes``.

    ``aslant`` where it shows a screen or sheet that was not straightened: nothing is proposed then.
    """

    file: str
    size: tuple[int, int]
    original: tuple[int, int]
    pages: int
    taken: datetime | None
    straight: Straight | None
    aslant: bool
    boxes: tuple[Box, ...]
    axes: tuple[ReadAxes, ...]


def open_job(
    picture: str, page: int, find: bool, corners: Sequence[Corner] | None, size: tuple[int, int] | None, tell: Tell
) -> Shown:
    """Open a picture, straighten it where that is asked for, and propose its panels where rows are rows of pixels."""
    import numpy as np

    from tidebench.pictures.opening import pages_of
    from tidebench.pictures.propose import propose_panels
    from tidebench.pictures.straighten import aslant, find_corners, natural_size, straight

    tell("opening the picture", 0.1)
    opened = _opened(picture, page)
    image, how = opened.image, None
    if find or corners is not None:
        tell("straightening", 0.3)
        points, bend = find_corners(image, opened.name) if corners is None else (np.array(corners, dtype=float), 0.0)
        wanted = size or natural_size(points)
        image = straight(image, points.tolist(), wanted, opened.name, bend)
        how = Straight(tuple((round(float(x), 2), round(float(y), 2)) for x, y in points), wanted, bend)
    tell("looking for panels", 0.7)
    slanting = how is None and aslant(image)
    boxes = () if slanting else tuple(propose_panels(image))
    axes = _figures(image, boxes, tell)
    return Shown(
        _shown(Path(picture), image, str((page, how))), image.size, opened.image.size, pages_of(Path(picture)),
        opened.taken, how, slanting, boxes, axes,
    )  # fmt: skip


def _figures(image: Image, boxes: Sequence[Box], tell: Tell) -> tuple[ReadAxes, ...]:
    """What stands beside panels, where the machine can read it."""
    from tidebench.pictures.figures import can_read, time_axis, value_axis

    if not can_read():
        return tuple(ReadAxes(None, None) for _ in boxes)
    tell("reading figures", 0.8)
    found = []
    for n, box in enumerate(boxes):
        values, times = (value_axis(image, box), time_axis(image, box)) if n < MOST_READ else (None, None)
        found.append(ReadAxes(values.marks if values else None, times.marks if times else None))
    return tuple(found)


def _shown(picture: Path, image: Image, how: str) -> str:
    """Write what the page shows; its name."""
    small = image.width * image.height <= LOSSLESS_PIXELS
    name = f"{hashlib.sha256(how.encode()).hexdigest()[:16]}.{'png' if small else 'jpg'}"
    place = picture.parent / SHOWN
    place.mkdir(exist_ok=True)
    if small:
        image.save(place / name, compress_level=1)
    else:
        image.save(place / name, quality=90)
    return name


@lru_cache(maxsize=2)
def _opened(picture: str, page: int) -> Opened:
    """A picture, kept for the next question about it; a waiting file never changes."""
    from tidebench.pictures.opening import open_picture

    return open_picture(picture, page=page)


def trace_job(
    picture: str,
    page: int,
    axes: Mapping[str, Any],
    corrections: Sequence[Mapping[str, Any]],
    observed: Mapping[str, Any],
    mend: Literal["flow", "volume"] | None,
    tell: Tell,
) -> TracedPage:
    """Trace a picture as a person mended it."""
    from tidebench.pictures.album import album_from
    from tidebench.pictures.axes import axes_from
    from tidebench.pictures.read import read_picture
    from tidebench.views.traced import traced_page

    tell("tracing the curves", 0.3)
    shot = album_from({"picture": {"file": picture, "correction": list(corrections)}}).pictures[0]
    read = read_picture(_opened(picture, page), axes_from(axes), mend=mend, corrections=shot.corrections)
    tell("holding panels against each other", 0.7)
    return traced_page(read, observed)


def case_job(
    pictures: Sequence[Mapping[str, Any]],
    known: Mapping[str, Any],
    out: str,
    keep_whole: bool,
    tell: Tell,
) -> str:
    """Make a case of pictures and throw those away that waited; each has the keys of an album, ``axes`` as tables."""
    import tomlkit

    from tidebench.pictures.album import album_from
    from tidebench.pictures.write import picture_case

    with TemporaryDirectory() as aside:
        said = []
        for n, one in enumerate(pictures, 1):
            shot = dict(one)
            if shot.get("axes"):
                place = Path(aside) / f"axes-{n}.toml"
                place.write_text(tomlkit.dumps(shot["axes"]), encoding="utf-8")
                shot["axes"] = str(place)
            said.append(shot)
        about = Path(aside) / "about.toml"
        about.write_text(tomlkit.dumps(known), encoding="utf-8")
        shots = album_from({"picture": said}).pictures
        picture_case(shots, out, about=about, keep_whole=keep_whole, progress=tell)
    for taken in shots:
        shutil.rmtree(Path(taken.file).parent, ignore_errors=True)
    return Path(out).name
