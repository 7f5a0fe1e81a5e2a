"""Readers: one module per format, in one table, and the two functions that use it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from tidebench.case import Case
from tidebench.errors import CaseError, SignalError
from tidebench.readers.assemble import assemble
from tidebench.readers.table import Table
from tidebench.readers.text import read_text
from tidebench.recording import Recording

READERS: dict[str, Callable[[Path, Mapping[str, str] | None], Table]] = {
    suffix: read_text for suffix in (".csv", ".txt", ".tsv", ".dat", ".asc")
}


def read_recording(path: Path | str, *, columns: Mapping[str, str] | None = None) -> Recording:
    """The recording that a file of signals holds."""
    path = Path(path)
    reader = READERS.get(path.suffix.lower())
    if reader is None:
        raise SignalError("no reader for such a file", where=path.name, expected=", ".join(READERS))
    return assemble(reader(path, columns))


def open_recording(case: Case) -> Recording:
    """The recording of a case, on the case clock."""
    if not case.recordings:
        raise CaseError("the case names no recording", where="case.toml")
    part = case.recordings[0]
    return read_recording(case.folder / str(part.file), columns=part.columns)
