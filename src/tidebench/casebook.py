"""The cases in a folder: which there are, what they are about, and whether a review of each is at hand."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tidebench.case import CASE_FILE, Case, load_case
from tidebench.errors import InputError, OptionError, OutputError
from tidebench.kept import is_current, keeps
from tidebench.results import policy_for
from tidebench.store import Result, read_result

REVIEW = "review"
"""Where a case's review lies, within its folder."""
TAKEN_OUT = ".taken-out"
"""Where cases wait that were taken out of the casebook."""
MOST_CASES = 5000
LONGEST_NAME = 80
_NAME = re.compile(r"[^\W_][\w .,()+-]*", re.UNICODE)
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)

Reviewed = Literal["no", "yes", "outdated"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One case of a casebook.

    Attributes
    ----------
    name : str
        Its folder.
    title : str
    problem : str
        Why the case can't be used; empty where it can.
    recording : bool
        Whether it has signals.
    reviewed : str
        ``yes``, ``no``, or ``outdated``: the case or the policy says something else since.
    changed : float
        When the case file was last written, seconds since 1970.
    """

    name: str
    title: str
    problem: str
    recording: bool
    reviewed: Reviewed
    changed: float


def entries(folder: Path) -> tuple[Entry, ...]:
    """Every case in a folder, the latest first."""
    found = [_entry(case) for case in _case_folders(folder)]
    return tuple(sorted(found, key=lambda entry: (-entry.changed, entry.name)))


def case_folder(folder: Path, name: str) -> Path:
    """The folder of a case by its name.

    Raises
    ------
    OptionError
        No such case, or a name that no case can have.
    """
    check_name(name)
    path = folder / name
    if not (path / CASE_FILE).is_file() or not path.resolve().is_relative_to(folder.resolve()):
        raise OptionError(f"there is no case {name!r}", where="casebook", expected="a case that the casebook lists")
    return path


def take_out(folder: Path, name: str) -> None:
    """Take a case out of the casebook: it waits aside, and an earlier one of its name goes.

    Raises
    ------
    OptionError
        No such case.
    OutputError
        It can't be moved.
    """
    path, aside = case_folder(folder, name), folder / TAKEN_OUT / name
    shutil.rmtree(aside, ignore_errors=True)
    aside.parent.mkdir(exist_ok=True)
    _move(path, aside)
    os.utime(aside)


def put_back(folder: Path, name: str) -> None:
    """Put a case back that was taken out.

    Raises
    ------
    OptionError
        None of this name waits.
    OutputError
        Something else lies in its place, or it can't be moved.
    """
    aside, path = folder / TAKEN_OUT / check_name(name), folder / name
    if not aside.is_dir():
        raise OptionError(f"there is no case {name!r} that was taken out", where="casebook")
    if os.path.lexists(path):
        raise OutputError("something else lies in its place", where=name)
    _move(aside, path)


def _move(path: Path, to: Path) -> None:
    try:
        path.rename(to)
    except OSError as error:
        raise OutputError(f"it can't be moved ({error.strerror})", where=path.name) from error


def check_name(name: str) -> str:
    """A name that a case's folder may have, on any system.

    Raises
    ------
    OptionError
        Empty, too long, or with signs that lead elsewhere.
    """
    usable = _NAME.fullmatch(name) and not _RESERVED.fullmatch(name) and not name.endswith((".", " "))
    if not usable or len(name) > LONGEST_NAME:
        raise OptionError(
            f"{name[:LONGEST_NAME]!r} can't be the name of a case",
            expected=f"up to {LONGEST_NAME} letters, digits, blanks and - . , ( ) +, beginning with a letter or digit",
        )
    return name


def free_name(folder: Path, title: str) -> str:
    """A name for a new case, made of its title, that no other has."""
    words = re.sub(r"[^\w]+", "-", title, flags=re.UNICODE).strip("-_").casefold()[:50].rstrip("-_") or "case"
    words = f"case-{words}" if _RESERVED.fullmatch(words) else words
    taken = {path.name.casefold() for path in folder.iterdir()}
    names = (words if n == 1 else f"{words}-{n}" for n in range(1, MOST_CASES + 2))
    return next(name for name in names if name not in taken)


def current_review(case: Case) -> Result | None:
    """The review of a case that is at hand and was made of what the case says now; None without one."""
    found = _review_of(case)
    return found[0] if found and found[1] else None


def _review_of(case: Case) -> tuple[Result, bool] | None:
    try:
        result = read_result(case.folder / REVIEW)
        return (result, is_current(case, result, policy_for(case))) if keeps(result) else None
    except (OutputError, OptionError):
        return None


def _case_folders(folder: Path) -> Iterator[Path]:
    inside = sorted(folder.iterdir())[:MOST_CASES]
    yield from (path for path in inside if _usable(path.name) and (path / CASE_FILE).is_file())


def _usable(name: str) -> bool:
    try:
        return bool(check_name(name))
    except OptionError:
        return False


def _entry(path: Path) -> Entry:
    changed = (path / CASE_FILE).stat().st_mtime
    try:
        case = load_case(path)
    except InputError as error:
        return Entry(path.name, path.name, str(error), recording=False, reviewed="no", changed=changed)
    found = _review_of(case)
    reviewed: Reviewed = "no" if found is None else "yes" if found[1] else "outdated"
    return Entry(path.name, case.title or path.name, "", bool(case.recordings), reviewed, changed)
