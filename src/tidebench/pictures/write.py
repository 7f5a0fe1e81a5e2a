"""Pictures as a case folder: what was traced, how far it may be off, where it comes from, and numbers noted beside.

::

    case/
      case.toml              as any other: review, what-if and report work on it
      signals.csv            pressure, flow and what else the panels hold     (a number behind the name where several)
      uncertainty.parquet    one standard deviation of each sample, and of zeros, scales and clock
      curves.parquet         every curve as traced, column by column of pixels
      trends.parquet, loops.parquet       where there are any
      picture.json           each picture: hash, stamp, axes, agreement of its panels, warnings
      panels.png, traced.png              the panels alone, and what was traced over them
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import tomlkit

from tidebench.case import CASE_FILE, MOST_BYTES, case_from, load_case
from tidebench.errors import CaseError, PictureError
from tidebench.pictures.agreement import Mend
from tidebench.pictures.album import Shot
from tidebench.pictures.assemble import TracedPanel
from tidebench.pictures.axes import load_axes
from tidebench.pictures.draw import panels_only, with_traces
from tidebench.pictures.opening import Opened, open_picture
from tidebench.pictures.read import Read, read_picture
from tidebench.quantities import QUANTITIES
from tidebench.readers.uncertain import write_uncertainty
from tidebench.recording import Recording
from tidebench.store import Identity, keep_other_results, new_result
from tidebench.units import factor

MARK = "pictured"
Progress = Callable[[str, float], None]
NOTES = "Traced from pictures: picture.json says from which, how, and how far numbers may be off."


@dataclass(frozen=True)
class Taken:
    """A picture of an album as it was read: ``read`` is None for numbers alone."""

    shot: Shot
    opened: Opened
    read: Read | None

    @property
    def at(self) -> datetime | None:
        """When it was taken: as the album says, else as the file does."""
        return self.shot.at or self.opened.taken


def picture_case(
    shots: Sequence[Shot],
    out: Path | str,
    *,
    folder: Path | str = ".",
    about: Path | str | None = None,
    mend: Mend | None = None,
    keep_whole: bool = False,
    progress: Progress | None = None,
) -> tuple[Taken, ...]:
    """Read pictures and put the case folder ``out``, whole or not at all.

    Parameters
    ----------
    shots : sequence of Shot
        In any order; several need stamps, and become one case on one timeline.
    out : path
        A new folder, or one that this wrote earlier, which is replaced.
    folder : path
        From which the paths of pictures and axes count.
    about : path, optional
        A case file that says what else is known (patient, airway, settings), without a recording.
    mend : "flow" or "volume", optional
        Which channel is scaled where flow summed up and volume disagree; neither unless asked.
    keep_whole : bool
        Copy the pictures as they are, with what lies outside the panels.
    progress : callable, optional
        Called with what is being done and the share of it that is done.

    Raises
    ------
    InputError
        A picture, its axes, the case file or the place can't be used.
    """
    out = Path(out)
    said = _about(about)
    keep_other_results(out, MARK)
    with new_result(out) as draft:
        taken = []
        for n, shot in enumerate(shots):
            if progress:
                progress(f"tracing {Path(shot.file).name}", n / len(shots))
            taken.append(_taken(shot, Path(folder), mend))
        ordered = _in_order(taken)
        _check_numbers(ordered)
        _write(ordered, said, draft.folder)
        if keep_whole:
            for one in ordered:
                (draft.folder / one.opened.name).write_bytes((Path(folder) / one.shot.file).read_bytes())
        case = load_case(draft.folder)
        identity = "-".join(one.read.recording.recording_id for one in ordered if one.read and one.read.recording)
        options = {MARK: True, "mend": mend, "pictures": {one.opened.name: one.opened.sha256 for one in ordered}}
        draft.identity = Identity(identity, case.case_hash, options)
    return tuple(ordered)


def _taken(shot: Shot, folder: Path, mend: Mend | None) -> Taken:
    opened = open_picture(folder / shot.file, page=shot.page)
    if shot.axes is None:
        return Taken(shot, opened, None)
    axes = load_axes(folder / shot.axes)
    read = read_picture(opened, axes, corners=shot.corners, mend=shot.mend or mend, corrections=shot.corrections)
    return Taken(shot, opened, read)


def _check_numbers(taken: Sequence[Taken]) -> None:
    for one in taken:
        if one.read is None and not one.shot.observed:
            raise PictureError(
                "neither axes nor observed numbers are given for this picture", where=one.opened.name,
                expected='axes = "axes.toml", or [picture.observed] with numbers noted from it',
            )  # fmt: skip


def _in_order(taken: Sequence[Taken]) -> list[Taken]:
    """Pictures in order of their stamps; one alone needs none."""
    if len(taken) == 1:
        return list(taken)
    names = [one.opened.name for one in taken]
    if len(set(names)) < len(names):
        raise PictureError(f"two pictures are called {next(n for n in names if names.count(n) > 1)}", where="pictures")
    stamps = [one.at for one in taken]
    for one, stamp in zip(taken, stamps, strict=True):
        if stamp is None:
            raise PictureError(
                "several pictures are given, and this one says nowhere when it was taken", where=one.opened.name,
                expected="a stamp in the file, or at = 2031-05-04T13:20:00 in an album.toml",
            )  # fmt: skip
    if len({stamp.tzinfo is None for stamp in stamps if stamp is not None}) > 1:
        raise PictureError("some stamps have a zone and some have none", where="pictures", expected="all or none")
    return sorted(taken, key=lambda one: one.at or datetime.min)


def _about(path: Path | str | None) -> dict[str, Any]:
    """What else is known of the case.

    Raises
    ------
    CaseError
        The file can't be used, or names a recording.
    """
    if path is None:
        return {}
    path = Path(path)
    case = load_case(path)
    if case.recordings:
        raise CaseError("the case file names a recording", where=path.name, remedy="Leave [recording] out.")
    file = path / CASE_FILE if path.is_dir() else path
    said: dict[str, Any] = tomllib.loads(file.read_bytes()[:MOST_BYTES].decode("utf-8-sig"))
    return said


def _write(taken: Sequence[Taken], about: Mapping[str, Any], folder: Path) -> None:
    """Signals, curves, pictures and the case."""
    recorded = [one for one in taken if one.read is not None and one.read.recording is not None]
    zero = recorded[0].at if recorded else taken[0].at
    told: list[dict[str, Any]] = []
    parts, curves, trends, loops = [], [], [], []
    for one in taken:
        number = f"-{len(told) + 1}" if len(taken) > 1 else ""
        told.append(_provenance(one))
        if one.read is None:
            continue
        panels_only(one.read).save(folder / f"panels{number}.png")
        with_traces(one.read).save(folder / f"traced{number}.png")
        curves += [_curve_table(one, panel) for panel in one.read.panels]
        trends += [_curve_table(one, panel) for panel in one.read.trends]
        loops += _loop_tables(one)
        if one.read.recording is not None:
            parts.append(_write_signals(one, one.read.recording, number, folder, several=len(recorded) > 1))
    for name, tables in (("curves", curves), ("trends", trends), ("loops", loops)):
        if tables:
            pl.concat(tables, how="diagonal").write_parquet(folder / f"{name}.parquet")
    text = json.dumps({"pictures": told}, ensure_ascii=False, indent=1, allow_nan=False, default=str)
    (folder / "picture.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    said = _case_tables(taken, about, parts, zero)
    case_from(said, folder=folder)
    (folder / CASE_FILE).write_text(tomlkit.dumps(said), encoding="utf-8", newline="\n")


def _write_signals(one: Taken, recording: Recording, number: str, folder: Path, *, several: bool) -> dict[str, Any]:
    """Signals and their uncertainty; the table of the case that names both."""
    columns = {"time [s]": pl.Series(np.arange(len(recording)) / recording.rate_hz).round(6)}
    for name, values in recording.channels.items():
        record = QUANTITIES[name]
        scale = factor(record.canonical, record.unit) if record.canonical else 1.0
        columns[f"{name} [{record.unit}]"] = pl.Series(values * scale).fill_nan(None).round(4)
    pl.DataFrame(columns).write_csv(folder / f"signals{number}.csv")
    part: dict[str, Any] = {"file": f"signals{number}.csv"}
    if recording.uncertainty is not None:
        write_uncertainty(recording.uncertainty, recording.rate_hz, folder / f"uncertainty{number}.parquet")
        part["uncertainty"] = f"uncertainty{number}.parquet"
    if one.at is not None and (several or one.shot.at is not None or one.opened.taken is not None):
        part["start"] = one.at
    return part


def _case_tables(
    taken: Sequence[Taken], about: Mapping[str, Any], parts: Sequence[dict[str, Any]], zero: datetime | None
) -> dict[str, Any]:
    said = {"title": "Traced from a picture", **about}
    said["notes"] = f"{said['notes']}\n{NOTES}" if said.get("notes") else NOTES
    if parts:
        said["recording"] = parts[0] if len(parts) == 1 else list(parts)
    observed = [*said.get("observed", [])]
    for one in taken:
        if one.shot.observed:
            after = (one.at - zero).total_seconds() if one.at is not None and zero is not None else 0.0
            observed.append({"at_s": max(0.0, after), **one.shot.observed})
    if observed:
        said["observed"] = observed
    return said


def _curve_table(one: Taken, traced: TracedPanel) -> pl.DataFrame:
    known = np.isfinite(traced.values)
    return pl.DataFrame(
        {
            "picture": pl.repeat(one.opened.name, int(known.sum()), eager=True),
            "quantity": pl.repeat(traced.panel.quantity, int(known.sum()), eager=True),
            "time_s": traced.time_s[known], "value": traced.values[known], "sd": traced.sd[known],
        }
    )  # fmt: skip


def _loop_tables(one: Taken) -> list[pl.DataFrame]:
    assert one.read is not None
    return [
        pl.DataFrame(
            {
                "picture": pl.repeat(one.opened.name, len(loop.points), eager=True),
                "across": pl.repeat(loop.panel.across, len(loop.points), eager=True, dtype=pl.String),
                "quantity": pl.repeat(loop.panel.quantity, len(loop.points), eager=True),
                "x": loop.points[:, 0], "y": loop.points[:, 1],
            }
        )
        for loop in one.read.loops
    ]  # fmt: skip


def _provenance(one: Taken) -> dict[str, Any]:
    """What ``picture.json`` says of a picture."""
    said: dict[str, Any] = {
        "file": one.opened.name, "sha256": one.opened.sha256, "taken": one.at, "observed": dict(one.shot.observed),
    }  # fmt: skip
    read = one.read
    if read is None:
        return said
    said["axes"] = read.axes.model_dump(mode="json", by_alias=True, exclude_none=True)
    said["recording"] = None
    if read.recording is not None:
        said["recording"] = {
            "recording_id": read.recording.recording_id, "rate_hz": read.recording.rate_hz,
            "begins_s": read.begins_s, "duration_s": read.recording.duration_s, "steps": list(read.recording.steps),
        }  # fmt: skip
    said["why_no_recording"] = read.why_no_recording or None
    said["panels"] = [_panel(traced) for traced in (*read.panels, *read.trends)]
    said["loops"] = [
        {
            "quantity": loop.panel.quantity, "across": loop.panel.across, "range": loop.range,
            "across_range": loop.across_range, "area": loop.area, "slope": loop.slope, "work_j": loop.work_j,
            "words": " ".join(loop.words), "not_told": "direction and time: a loop has none",
        }
        for loop in read.loops
    ]  # fmt: skip
    said["corrections"] = [mended.model_dump(mode="json") for mended in one.shot.corrections]
    said["turns"] = list(read.turns.words) if read.turns else []
    said["agreement"] = read.agreement.words if read.agreement else None
    said["warnings"] = list(read.warnings)
    return said


def _panel(traced: TracedPanel) -> dict[str, Any]:
    return {
        "quantity": traced.panel.quantity, "kind": traced.panel.kind, "pen_px": round(traced.curve.width, 2),
        "columns_with_curve": round(traced.curve.seen, 4), "along_edge": round(traced.clipped, 4),
        "value_per_px": traced.per_row, "seconds_per_px": traced.per_column_s,
        "sd_px": round(float(np.nanmedian(traced.curve.sd)), 3),
    }  # fmt: skip
