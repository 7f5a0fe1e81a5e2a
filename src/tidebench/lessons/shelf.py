"""The lessons that come with the program, and lessons in folders of one's own."""

from __future__ import annotations

import difflib
from functools import cache
from importlib.resources import files
from pathlib import Path

from tidebench.errors import CaseError
from tidebench.lessons.format import FILE, Lesson, load_lesson

SHELF = Path(str(files("tidebench.lessons"))) / "library"


@cache
def lesson_names() -> tuple[str, ...]:
    """Names of the lessons that come with the program, in the order in which they are taught."""
    return tuple((SHELF / "order.txt").read_text(encoding="utf-8").split())


def lesson_folder(name: str) -> Path:
    """Where a lesson lies: one of the program's by its name, or a folder.

    Raises
    ------
    CaseError
        There is neither.
    """
    if name in lesson_names():
        return SHELF / name
    path = Path(name)
    if (path / FILE).is_file() or path.is_file():
        return path if path.is_dir() else path.parent
    near = difflib.get_close_matches(name, lesson_names(), n=3, cutoff=0.4)
    raise CaseError(
        f"there is no lesson {name!r}", where="lesson",
        expected=f"a name of `tidebench lesson list`, or a folder with {FILE}",
        remedy=f"Nearest: {', '.join(near)}." if near else "",
    )  # fmt: skip


def open_lesson(name: str) -> tuple[Lesson, Path]:
    """A lesson by name or folder, and where it lies. Errors as :func:`lesson_folder` and :func:`load_lesson`."""
    if name in lesson_names():
        return _shelved(name), SHELF / name
    folder = lesson_folder(name)
    return load_lesson(folder), folder


@cache
def _shelved(name: str) -> Lesson:
    return load_lesson(SHELF / name)
