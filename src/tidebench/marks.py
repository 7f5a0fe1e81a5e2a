"""What a person says of a finding: confirmed, rejected, unsure, a note. Kept with the case, apart from any result.

``marks.jsonl`` in the case folder holds a line for each mark, in the order in which they were made; of several for one
finding the last stands, so that nothing is lost and everything can be taken back. A mark belongs to a recording, a kind
and a time, not to a row of a table: it survives a new review.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, get_args

from filelock import FileLock

from tidebench.errors import OptionError, OutputError

FILE = "marks.jsonl"
SAME_S = 0.05
"""Starts that differ by no more are one: a new review may place a start a sample or two elsewhere."""
MOST_BYTES = 16 << 20
LONGEST_NOTE = 2000
LONGEST_WHO = 80
WAIT_S = 10.0

State = Literal["confirmed", "rejected", "unsure", "open"]


@dataclass(frozen=True, slots=True)
class Mark:
    """One person's word on one finding.

    Attributes
    ----------
    recording_id : str
        The signals that it was said of.
    kind : str
        Of the finding.
    start_s : float
        Where it begins, on the case clock.
    state : str
        ``confirmed``, ``rejected``, ``unsure``, or ``open``: an earlier word taken back.
    note : str
    who : str
        As they call themselves; may be empty.
    when : str
        ISO 8601, UTC.
    rule_version : int or None
        The rule's version that they saw.
    """

    recording_id: str
    kind: str
    start_s: float
    state: State
    note: str = ""
    who: str = ""
    when: str = ""
    rule_version: int | None = None


def add_mark(case_folder: Path, mark: Mark) -> Mark:
    """Add a mark to those of a case, stamped with the present time.

    Raises
    ------
    OptionError
        A state that there isn't, a note or name that is too long.
    OutputError
        The file can't be written, or holds as much as it may.
    """
    _check(mark)
    stamped = Mark(**{**asdict(mark), "when": mark.when or datetime.now(UTC).isoformat(timespec="seconds")})
    path = case_folder / FILE
    line = json.dumps(asdict(stamped), ensure_ascii=False, allow_nan=False) + "\n"
    try:
        with FileLock(case_folder / f".{FILE}.lock", timeout=WAIT_S), path.open("ab+") as file:
            if file.tell() + len(line) > MOST_BYTES:
                raise OutputError("the file of marks holds as much as it may", where=FILE, expected="at most 16 MiB")
            file.write((b"" if _ends_whole(path) else b"\n") + line.encode())
            file.flush()
    except OSError as error:
        raise OutputError(
            f"the mark can't be written ({error.strerror or error})", where=FILE,
            remedy="Check that the folder of the case may be written to.",
        ) from error  # fmt: skip
    return stamped


def read_marks(case_folder: Path, recording_id: str) -> tuple[Mark, ...]:
    """The marks of a recording, in the order in which they were made; a line that was cut off is passed over."""
    try:
        with (case_folder / FILE).open(encoding="utf-8", errors="replace") as file:
            found = [mark for line in file.read(MOST_BYTES).splitlines() if (mark := _mark(line)) is not None]
    except OSError:
        return ()
    return tuple(mark for mark in found if mark.recording_id == recording_id)


def _check(mark: Mark) -> None:
    if mark.state not in get_args(State):
        raise OptionError(f"{mark.state!r} is no state of a mark", expected=", ".join(get_args(State)))
    for name, longest in (("note", LONGEST_NOTE), ("who", LONGEST_WHO)):
        if len(getattr(mark, name)) > longest:
            raise OptionError(f"{name} is longer than {longest} letters", where="mark")


def _ends_whole(path: Path) -> bool:
    """True where the file is empty or ends with a line's end."""
    with path.open("rb") as file:
        if not file.seek(0, 2):
            return True
        file.seek(-1, 2)
        return file.read(1) == b"\n"


def _mark(line: str) -> Mark | None:
    try:
        mark = Mark(**json.loads(line))
        _check(mark)
        return Mark(**{**asdict(mark), "start_s": float(mark.start_s)})
    except (ValueError, TypeError, AttributeError, OptionError):
        return None
