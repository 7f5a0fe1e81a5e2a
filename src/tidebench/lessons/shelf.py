"""The lessons that come with the program, and lessons in folders of one's own."""

from __future__ import annotations

import difflib
from functools import cache, lru_cache
from importlib.resources import files
from pathlib import Path

from tidebench.casebook import check_name, free_name
from tidebench.errors import CaseError, InputError, OptionError
from tidebench.lessons.format import FILE, Lesson, load_lesson

SHELF = Path(str(files("tidebench.lessons"))) / "library"
OWN = "lessons"
"""Where a house's own lessons lie, beside its cases."""
MOST_OWN, KEPT = 500, 64


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


class HouseShelf:
    """The program's lessons, and a house's own beside its cases.

    Parameters
    ----------
    folder : Path
        The casebook; own lessons lie in ``lessons`` within it, a folder each.
    """

    def __init__(self, folder: Path) -> None:
        self._own = folder / OWN

    def own(self) -> tuple[str, ...]:
        """Names of the house's own lessons that can be read."""
        if not self._own.is_dir():
            return ()
        inside = sorted(path.name for path in self._own.iterdir() if (path / FILE).is_file())[:MOST_OWN]
        return tuple(name for name in inside if self._readable(name))

    def open(self, name: str) -> tuple[Lesson, Path]:
        """A lesson by its name, and where it lies.

        Raises
        ------
        OptionError
            There is none.
        CaseError
            It can't be read.
        """
        if name in lesson_names():
            return open_lesson(name)
        file = self._own / name / FILE
        try:
            check_name(name)
            there = file.is_file()
        except OptionError:
            there = False
        if not there:
            raise OptionError(f"there is no lesson {name!r}", where="lessons")
        return _loaded(file, file.stat().st_mtime_ns), file.parent

    def place_for(self, title: str) -> Path:
        """A new folder for a lesson of one's own."""
        self._own.mkdir(parents=True, exist_ok=True)
        name = free_name(self._own, title)
        return self._own / (free_name(self._own, f"{title} of our own") if name in lesson_names() else name)

    def _readable(self, name: str) -> bool:
        try:
            return bool(self.open(name))
        except InputError:
            return False


@cache
def _shelved(name: str) -> Lesson:
    return load_lesson(SHELF / name)


@lru_cache(KEPT)
def _loaded(file: Path, _written_ns: int) -> Lesson:
    return load_lesson(file)
