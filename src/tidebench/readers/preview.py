"""A file of signals before it is taken: its columns, what they are understood as, and what speaks of people."""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tidebench.errors import InputError, SignalError
from tidebench.quantities import quantity
from tidebench.readers import parquet, text
from tidebench.readers.headers import NAMES, TIME, canonical_unit, split_header, understand
from tidebench.readers.sniff import BLANKS, COMMENT, LONGEST_LINE, Layout, sniff, split
from tidebench.units import UNITS

ROWS = 8
LONGEST_CELL = 60

_PERSON = re.compile(
    r"(sur|last|first|given|family|patient|full)?_?names?|nachname|vorname|nom|prenom|apellidos?|nombre|cognome|nome|naam"
    r"|(patient|subject|person|case|hospital|medical|record|study|visit|encounter|national|insurance|social)?"
    r"_?(id|ids|identifier|number|nr|no|mrn|ssn|record)|mrn|ssn|pid|patientid|patientennummer|fallnummer"
    r"|(date_?of_?)?(birth|dob)(_?(date|day))?|geburtsdatum|geboren|birthday|naissance|nacimiento|nascita"
    r"|(street_?)?address|adresse|phone|telephone|telefon|e_?mail|ward|bed|room|physician|doctor|nurse|operator|patient"
)
"""Names of columns that speak of a person, once case, accents and signs are set aside."""
_NAME = re.compile(r"[^\W\d_a-z][^\W\d_]*[.'’-]?(?:[ ,'’-]+[^\W\d_a-z][^\W\d_]*\.?)+")
"""Cells such as ``Surname, Given`` or ``G. Surname``: two or more words, each with a capital, no digits."""
_NUMBER = re.compile(r"\d{6,}")
"""A number of a record: long, and the same in every row, as no signal is."""
_ALWAYS = re.compile(r"\b(patient|mrn|surname|geburt\w*|birth|dob)\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ColumnPreview:
    """One column: its header, the quantity and unit it is understood as (empty where it isn't), and first cells."""

    header: str
    quantity: str
    unit: str
    cells: tuple[str, ...]
    person: bool


@dataclass(frozen=True, slots=True)
class Preview:
    """A file as it arrived.

    Attributes
    ----------
    columns : tuple of ColumnPreview
    problem : str
        What stands in the way of reading it as it is, in the words of the command line; empty where nothing does.
    comments : bool
        It holds comment lines, which may say anything.
    """

    columns: tuple[ColumnPreview, ...]
    problem: str
    comments: bool


def preview(path: Path, mapping: Mapping[str, str] | None = None) -> Preview:
    """What a file holds and what its columns are understood as, with the mapping where one is given.

    Raises
    ------
    SignalError
        The file can't be read at all.
    """
    headers, rows, comments = _parquet(path) if path.suffix.lower() in parquet.SUFFIXES else _text(path)
    problem = ""
    try:
        understand(headers, mapping, path.name)
    except InputError as error:
        problem = str(error)
    told = mapping or {}
    columns = (
        _column(header, told.get(header, header), [row[place] if place < len(row) else "" for row in rows])
        for place, header in enumerate(headers)
    )
    return Preview(tuple(columns), problem, comments)


def units_of(key: str) -> tuple[str, ...]:
    """The units in which a quantity may stand in a file, its own first."""
    own = "s" if key == TIME else quantity(key).unit
    dimension = canonical_unit(key).dimension
    others = (name for name, unit in UNITS.items() if unit.dimension == dimension and name != own)
    return (own, *others, *(("%",) if key == "co2" else ()))


def mappable() -> dict[str, str]:
    """Quantities that a column may hold, with their labels."""
    return {key: "time" if key == TIME else quantity(key).label for key in NAMES}


def speaks_of_people(header: str) -> bool:
    """True for a column whose name says that it holds names, numbers or dates of people."""
    bare = re.sub(r"[\[(<].*", "", header)
    plain = unicodedata.normalize("NFKD", bare).encode("ascii", "ignore").decode().casefold()
    plain = re.sub(r"[^a-z]+", "_", plain).strip("_")
    return bool(_PERSON.fullmatch(plain) or _ALWAYS.search(bare.replace("_", " ")))


def cells_speak_of_people(cells: Sequence[str]) -> bool:
    """True where every filled cell looks like a person's name, or all are the same long number."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    if not filled:
        return False
    numbered = len(filled) > 1 and len(set(filled)) == 1 and _NUMBER.fullmatch(filled[0])
    return bool(numbered) or all(_NAME.fullmatch(cell) for cell in filled)


def without(path: Path, unwanted: Sequence[str], out: Path) -> None:
    """Copy a file of text without some of its columns and without its comment lines.

    Raises
    ------
    SignalError
        It is no text, or its columns are separated by blanks alone.
    """
    layout = sniff(path)
    if layout.separator == BLANKS:
        raise SignalError(
            "columns separated by blanks can't be taken out one by one", where=path.name,
            remedy="Take them out before, or save the file with commas.",
        )  # fmt: skip
    kept = [place for place, header in enumerate(layout.headers) if header not in unwanted]
    with (
        path.open(encoding="utf-8", errors="replace", newline="") as file,
        out.open("w", encoding="utf-8", newline="") as copy,
    ):
        writer = csv.writer(copy, delimiter=layout.separator, lineterminator="\n")
        writer.writerow([layout.headers[place] for place in kept])
        for number, line in enumerate(iter(lambda: file.readline(LONGEST_LINE), ""), start=1):
            if number <= layout.skip_lines or not line.strip() or line.startswith(COMMENT):
                continue
            cells = split(line.rstrip("\r\n"), layout.separator)
            writer.writerow([cells[place] if place < len(cells) else "" for place in kept])


def _column(header: str, said: str, cells: Sequence[str]) -> ColumnPreview:
    key, unit = split_header(said)
    shown = tuple(cell[:LONGEST_CELL] for cell in cells)
    person = key is None and (speaks_of_people(header) or cells_speak_of_people(cells))
    return ColumnPreview(header, key or "", unit, tuple("…" for _ in shown) if person else shown, person)


def _text(path: Path) -> tuple[tuple[str, ...], list[list[str]], bool]:
    if path.suffix.lower() not in text.SUFFIXES:
        raise SignalError(
            f"no reader knows the ending {path.suffix!r}", where=path.name,
            expected=", ".join(sorted((*text.SUFFIXES, *parquet.SUFFIXES))),
        )  # fmt: skip
    layout: Layout = sniff(path)
    rows: list[list[str]] = []
    comments = False
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        for number in range(1, layout.skip_lines + 4 * ROWS):
            line = file.readline(LONGEST_LINE)
            comments = comments or line.startswith(COMMENT)
            if number > layout.skip_lines and line.strip() and not line.startswith(COMMENT) and len(rows) < ROWS:
                rows.append(split(line.rstrip("\r\n"), layout.separator))
    return layout.headers, rows, comments


def _parquet(path: Path) -> tuple[tuple[str, ...], list[list[str]], bool]:
    import polars as pl

    try:
        head = pl.scan_parquet(path).head(ROWS).collect()
    except (pl.exceptions.PolarsError, OSError) as error:
        raise SignalError("this is no Parquet file that can be read", where=path.name) from error
    rows = [["" if cell is None else str(cell) for cell in row] for row in head.iter_rows()]
    return tuple(head.columns), rows, False
