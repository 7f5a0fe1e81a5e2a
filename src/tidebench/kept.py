"""A review kept beside its tables, so that it opens again at once: signals to be mapped, and the columns behind.

::

    result/
      breaths.parquet, efforts.parquet, findings.parquet, summary.json     as every review writes them
      kept/
        <channel>.npy        float64, mapped into memory and never read whole
        volume.npy           float32, where none was recorded: flow added up, offset and leak taken off
        columns.parquet      what the line found of each breath
        kept.json            clock, gaps, provenance, holds
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.case import Case
from tidebench.errors import OutputError
from tidebench.interval import Interval
from tidebench.limits import Policy
from tidebench.measures.capnography import Capnogram
from tidebench.measures.volume import volume_along
from tidebench.recording import Recording
from tidebench.records import BREATH_COLUMNS, EFFORT_COLUMNS, FINDING_COLUMNS, Hold
from tidebench.review import Review, law_of_leak
from tidebench.steps import find_steps
from tidebench.store import Result

FOLDER = "kept"
ABOUT = "kept.json"
COLUMNS = "columns.parquet"
CAPNOGRAM = "capnogram.parquet"
VOLUME = "volume"


@dataclass(frozen=True)
class KeptReview:
    """A review opened again.

    Attributes
    ----------
    review : Review
        As it was made; its signals are mapped from disk.
    volume : ndarray, shape (n,)
        Volume along the record, L, of float32: as recorded, or flow added up breath by breath.
    volume_from : str
        ``recorded`` or ``flow``.
    """

    review: Review
    volume: npt.NDArray[np.floating[Any]]
    volume_from: str


def keep_review(done: Review, folder: Path) -> None:
    """Write what :func:`open_kept` needs into a result in the making."""
    kept = folder / FOLDER
    kept.mkdir()
    recording = done.recording
    for name, samples in recording.channels.items():
        np.save(kept / f"{name}.npy", np.asarray(samples, np.float64))
    if VOLUME not in recording:
        np.save(
            kept / f"{VOLUME}.npy", volume_along(done.mechanics, recording, law_of_leak(done.case)).astype(np.float32)
        )
    pl.DataFrame(dict(done.mechanics)).write_parquet(kept / COLUMNS)
    about = {
        "rate_hz": recording.rate_hz,
        "channels": list(recording.channels),
        "gaps": [[gap.start_s, gap.end_s] for gap in recording.gaps],
        "start": recording.start.isoformat() if recording.start else None,
        "steps": list(recording.steps),
        "warnings": list(recording.warnings),
        "source": recording.source,
        "holds": [asdict(hold) for hold in done.holds],
        "file_sizes": _file_sizes(done.case),
        "capnogram": None if done.capnogram is None else [done.capnogram.delay_s, done.capnogram.reason],
    }
    if done.capnogram is not None:
        done.capnogram.breaths.write_parquet(kept / CAPNOGRAM)
    (kept / ABOUT).write_text(json.dumps(about, ensure_ascii=False) + "\n", encoding="utf-8")


def open_kept(case: Case, result: Result, policy: Policy | None = None) -> KeptReview:
    """The review that a result keeps.

    Parameters
    ----------
    case : Case
        The case it was made of; see :func:`is_current`.
    result : Result
    policy : Policy or None
        The policy it was made with.

    Raises
    ------
    OutputError
        The result keeps no review, or what it keeps can't be read.
    """
    kept = result.folder / FOLDER
    try:
        return _opened(case, result, kept, policy)
    except (OSError, ValueError, KeyError, TypeError, pl.exceptions.PolarsError) as error:
        raise OutputError(
            "the result keeps no review that can be opened again", where=str(result.folder),
            remedy="Review the case again from the page.",
        ) from error  # fmt: skip


def is_current(case: Case, result: Result, policy: Policy | None = None) -> bool:
    """True where the case, its files of signals (by their sizes) and the policy are those the result was made of."""
    options = result.manifest.get("options") or {}
    if options.get("policy") != (policy.identity if policy else None):
        return False
    try:
        sizes = json.loads((result.folder / FOLDER / ABOUT).read_text(encoding="utf-8")).get("file_sizes")
    except (OSError, ValueError):
        return False
    return bool(result.manifest.get("case_hash") == case.case_hash and sizes == _file_sizes(case))


def keeps(result: Result) -> bool:
    """True where a result keeps a review."""
    return f"{FOLDER}/{ABOUT}" in result.files


def _opened(case: Case, result: Result, kept: Path, policy: Policy | None) -> KeptReview:
    about = json.loads((kept / ABOUT).read_text(encoding="utf-8"))
    recording = _recording(kept, about)
    tables: dict[str, Any] = {
        name: pl.read_parquet(result.folder / f"{name}.parquet").select(list(columns))
        for name, columns in (("breaths", BREATH_COLUMNS), ("efforts", EFFORT_COLUMNS), ("findings", FINDING_COLUMNS))
    }
    summary = json.loads((result.folder / "summary.json").read_text(encoding="utf-8"))
    frame = pl.read_parquet(kept / COLUMNS)
    review = Review(
        case=case,
        recording=recording,
        **tables,
        holds=tuple(_hold(said) for said in about["holds"]),
        steps=find_steps(tables["breaths"], case.settings),
        summary=summary,
        mechanics={name: frame[name].to_numpy() for name in frame.columns},
        policy=policy,
        capnogram=_capnogram(about, kept),
        intervals=_intervals(result),
    )
    recorded = VOLUME in recording
    volume = recording[VOLUME] if recorded else np.load(kept / f"{VOLUME}.npy", mmap_mode="r", allow_pickle=False)
    return KeptReview(review, volume, "recorded" if recorded else "flow")


def _intervals(result: Result) -> pl.DataFrame | None:
    name = "intervals.parquet"
    return pl.read_parquet(result.folder / name).drop("recording_id") if name in result.files else None


def _capnogram(about: Mapping[str, Any], kept: Path) -> Capnogram | None:
    return None if about["capnogram"] is None else Capnogram(pl.read_parquet(kept / CAPNOGRAM), *about["capnogram"])


def _recording(kept: Path, about: Mapping[str, Any]) -> Recording:
    names = [name for name in about["channels"] if name.isidentifier()]
    return Recording(
        rate_hz=about["rate_hz"],
        channels={name: np.load(kept / f"{name}.npy", mmap_mode="r", allow_pickle=False) for name in names},
        gaps=tuple(Interval(*gap) for gap in about["gaps"]),
        start=datetime.fromisoformat(about["start"]) if about["start"] else None,
        steps=tuple(about["steps"]),
        warnings=tuple(about["warnings"]),
        source=about["source"],
    )


def _file_sizes(case: Case) -> dict[str, int]:
    files = {str(part.file): case.path_of(part) for part in case.recordings}
    return {name: path.stat().st_size for name, path in files.items() if path.is_file()}


def _hold(said: Mapping[str, Any]) -> Hold:
    return Hold(**{**said, "quality": tuple(said["quality"])})
