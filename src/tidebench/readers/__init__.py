"""Readers: one module per format, in one table, and the functions that use it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from tidebench.case import CASE_FILE, Case, RecordingFile
from tidebench.errors import CaseError, SignalError
from tidebench.readers import parquet, text
from tidebench.readers.agreement import check_agreement, check_anyone
from tidebench.readers.assembly import assemble
from tidebench.readers.conditions import to_btps
from tidebench.readers.stay import join
from tidebench.readers.table import Table
from tidebench.readers.uncertain import read_uncertainty
from tidebench.recording import Recording

__all__ = ["READERS", "open_recording", "read_recording"]

Reader = Callable[[Path, Mapping[str, str] | None], Table]

READERS: dict[str, Reader] = {
    **dict.fromkeys(text.SUFFIXES, text.read_text),
    **dict.fromkeys(parquet.SUFFIXES, parquet.read_parquet),
}
"""The reader of each file ending, lower case."""

TRACED = (
    "The samples were traced from a picture. Rattling flow and delays between channels are not looked for, and what "
    "doesn't come back when the samples are drawn anew is left out."
)


def read_recording(path: Path | str, *, columns: Mapping[str, str] | None = None) -> Recording:
    """The recording that a file of signals holds.

    Parameters
    ----------
    path : path
        A file whose ending :data:`READERS` knows.
    columns : mapping of str to str, optional
        What headers mean where they don't say it: ``{"their header": "flow [mL/s]", "other": "ignore"}``.

    Raises
    ------
    SignalError
        With file, and line and column where that applies.
    """
    table = _table(Path(path), columns, str(path))
    recording = assemble(table)
    check_anyone(recording, table.columns)
    return recording


def _table(path: Path, columns: Mapping[str, str] | None, called: str) -> Table:
    """The columns of a file; what its user called it serves messages."""
    if not path.is_file():
        problem = "this is not an ordinary file" if path.exists() else "there is no such file"
        raise SignalError(problem, where=called, expected="a file of signals")
    reader = READERS.get(path.suffix.lower())
    if reader is None:
        raise SignalError(
            f"no reader knows the ending {path.suffix!r}", where=called, expected=", ".join(sorted(READERS))
        )
    return reader(path, columns)


def open_recording(case: Case) -> Recording:
    """The recording of a case: all its files on one clock, flow and volume at BTPS.

    Raises
    ------
    SignalError, CaseError
        The case names no recording, a file can't be read, or several don't make one stay.
    """
    if not case.recordings:
        raise CaseError("the case names no recording", where=CASE_FILE, expected="[recording] with a file")
    parts = [_part(case, how) for how in case.recordings]
    return parts[0] if len(parts) == 1 else join(parts)


def _part(case: Case, how: RecordingFile) -> Recording:
    table = _table(case.path_of(how), how.columns, str(how.file))
    recording = to_btps(assemble(table, how.barometric_pressure_mmhg), how)
    doubts = check_agreement(recording, table.columns, case)
    check_anyone(recording, table.columns)
    begun = _begun(replace(recording, warnings=(*recording.warnings, *doubts)), how.start)
    if how.uncertainty is None:
        return begun
    told = read_uncertainty(case.path_of(how, "uncertainty"), begun)
    return replace(begun, uncertainty=told, warnings=(*begun.warnings, TRACED, *told.notes))


def _begun(recording: Recording, start: datetime | None) -> Recording:
    """The recording with the start that the case gives; a file that says otherwise is mentioned."""
    if start is None:
        return recording
    begun, warnings = recording.start, recording.warnings
    if begun is not None and (begun.tzinfo is None) == (start.tzinfo is None):
        apart = (start - begun).total_seconds()
        if abs(apart) > 1.0:
            warnings = (
                *warnings,
                f"the case has it start {apart:+.0f} s from its own time stamps: the case was followed",
            )
    return replace(recording, start=start, warnings=warnings)
