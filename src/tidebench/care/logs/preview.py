"""A log before it is read: its columns with their first cells, what each is taken for, and what stands in the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from tidebench.care.logs.columns import understand
from tidebench.care.logs.reading import opened
from tidebench.care.logs.words import Words, role_of
from tidebench.errors import InputError
from tidebench.readers.preview import LONGEST_CELL, ROWS, speaks_of_people
from tidebench.readers.sniff import LONGEST_LINE, split

HIDDEN = "…"


@dataclass(frozen=True, slots=True)
class LogColumn:
    """One column: its header, its role and unit (empty where it isn't read), first cells; hidden where it names people.

    ``told`` is True where a person said the role; False where the header was taken at its word.
    """

    header: str
    role: str
    unit: str
    cells: tuple[str, ...]
    told: bool
    person: bool


@dataclass(frozen=True, slots=True)
class LogPreview:
    """A log as it arrived; ``problem`` is empty where nothing stands in the way."""

    columns: tuple[LogColumn, ...]
    problem: str


def preview_log(path: Path, columns: Mapping[str, str] | None = None) -> LogPreview:
    """What a log's columns hold, with what a person says of them.

    Raises
    ------
    LogError
        The file can't be read at all.
    """
    layout, told = opened(path)[0], dict(columns or {})
    rows = _first_rows(path, layout.skip_lines, layout.separator)
    problem, roles = "", {}
    try:
        found = understand(layout.headers, Words().with_columns(told).columns, path.name)
        roles = {column.index: (role, column) for role, column in found.items()}
    except InputError as error:
        problem = str(error)
    made = []
    for place, header in enumerate(layout.headers):
        cells = tuple(row[place][:LONGEST_CELL] if place < len(row) else "" for row in rows)
        if place in roles:
            role, column = roles[place]
            made.append(LogColumn(header, role, column.unit.name if column.unit else "", cells, column.told, False))
            continue
        said, unit = role_of(told.get(header, ""))
        person = not said and speaks_of_people(header)
        shown = tuple(HIDDEN for _ in cells) if person else cells
        made.append(LogColumn(header, said, unit, shown, header in told, person))
    return LogPreview(tuple(made), problem)


def _first_rows(path: Path, skip_lines: int, separator: str) -> list[list[str]]:
    rows: list[list[str]] = []
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        for number in range(1, skip_lines + 4 * ROWS):
            line = file.readline(LONGEST_LINE)
            if number > skip_lines and line.strip() and len(rows) < ROWS:
                rows.append(split(line.rstrip("\r\n"), separator))
    return rows
