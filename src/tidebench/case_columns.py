"""The columns of a case's recording, and what a person says of them after the case was made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import tomlkit

from tidebench.case import CASE_FILE, load_case
from tidebench.entries import toml_text
from tidebench.errors import OptionError
from tidebench.readers.preview import Preview, preview
from tidebench.store import put_text


@dataclass(frozen=True, slots=True)
class CaseColumns:
    """What a recording holds, as it is understood with what is said of it by header."""

    seen: Preview
    said: Mapping[str, str]


def columns_of(case_folder: Path, said: Mapping[str, str] | None = None) -> CaseColumns:
    """The columns of a case's recording, with other words of them where some are given.

    Raises
    ------
    CaseError, SignalError
        The case or its file can't be read.
    OptionError
        The case names no recording, or several.
    """
    case = load_case(case_folder)
    if len(case.recordings) != 1 or case.recording.file is None:
        raise OptionError("there is no single recording whose columns could be named", where=case_folder.name)
    told = case.recording.columns if said is None else said
    return CaseColumns(preview(case.path_of(case.recording), told), told)


def say_columns(case_folder: Path, said: Mapping[str, str]) -> CaseColumns:
    """Write what columns hold into the case, whose other words and comments stay as they are.

    Raises
    ------
    CaseError, SignalError, OptionError
        As :func:`columns_of`, or the recording can't be read so either.
    OutputError
        The case can't be written.
    """
    found = columns_of(case_folder, said)
    if found.seen.problem:
        raise OptionError(found.seen.problem.rstrip("."))
    path = case_folder / CASE_FILE
    document = tomlkit.parse(toml_text(path.read_bytes()))
    recording = document["recording"]
    table = recording[0] if isinstance(recording, tomlkit.items.AoT) else recording
    table["columns"] = dict(said)
    put_text(path, tomlkit.dumps(document))
    return found
