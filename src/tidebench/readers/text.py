"""Signals as text: a header line, then rows of numbers, separated by a comma, semicolon, tab or blanks.

The usual file is parsed in one go. Where that fails, comments between rows, quotes and words for "nothing" are tried;
where that fails too, the first cell at fault is looked for and named.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tidebench.errors import SignalError
from tidebench.readers.headers import TIME, Column, understand
from tidebench.readers.sniff import COMMENT, LONGEST_LINE, Layout, sniff, split
from tidebench.readers.stamps import is_stamp, parse_stamps, stamp_format
from tidebench.readers.table import Table

SUFFIXES = (".csv", ".txt", ".tsv", ".dat", ".asc")
MISSING = ("", "-", "--", "---", "NA", "N/A", "n/a", "null", "NULL", "None", "NaN", "nan")
"""Cells that say that nothing was measured."""
BLOCK_BYTES = 1 << 25


def read_text(path: Path, mapping: Mapping[str, str] | None) -> Table:
    """The columns of a text file.

    Parameters
    ----------
    path : Path
        The file.
    mapping : mapping of str to str or None
        What the case says of headers: ``"quantity [unit]"`` or ``"ignore"``.

    Raises
    ------
    SignalError
        With file, and line and column where that applies.
    """
    layout = sniff(path)
    columns, left_out = understand(layout.headers, mapping, path.name)
    columns[TIME] = _clock(columns[TIME], layout, path.name)
    frame = _frame(path, layout, columns)
    warnings = [*layout.warnings, *(f"column {name!r} is not known and was left out" for name in left_out)]
    if layout.cut_short:
        frame = frame.head(-1)
        warnings.append("the last line breaks off and was left out")
    return Table(frame, columns, path.name, tuple(warnings))


def _clock(column: Column, layout: Layout, name: str) -> Column:
    """The time column: without a unit where it holds stamps, and with one where it doesn't."""
    cell = layout.first_row[column.index] if column.index < len(layout.first_row) else ""
    if stamp_format(cell):
        return replace(column, unit=None)
    if column.unit is None:
        raise SignalError(
            f"the time column has no unit, and its first cell, {cell[:40]!r}, is no date and time",
            where=f"{name}, column {column.header!r}",
            expected="a unit (s, ms, min), or ISO 8601 stamps with their date, such as 2031-05-04T13:20:00.010",
            remedy=f'Add to [recording.columns]: "{column.header}" = "time [s]".',
        )
    return column


def _frame(path: Path, layout: Layout, columns: Mapping[str, Column]) -> pl.DataFrame:
    sources = _squeezed(path, layout) if layout.padded else [path]
    try:
        return pl.concat([_either(source, layout, columns) for source in sources], rechunk=False)
    except pl.exceptions.PolarsError:
        raise _fault(path, layout, columns) from None


def _either(source: Path | bytes, layout: Layout, columns: Mapping[str, Column]) -> pl.DataFrame:
    try:
        return _parse(source, layout, columns, tolerant=False)
    except pl.exceptions.PolarsError:
        return _parse(source, layout, columns, tolerant=True)


def _parse(source: Path | bytes, layout: Layout, columns: Mapping[str, Column], *, tolerant: bool) -> pl.DataFrame:
    wanted = {column.index: key for key, column in columns.items()}
    schema: dict[str, type[pl.DataType]] = {
        wanted.get(i, f"column {i}"): pl.Float64 if i in wanted else pl.String for i in range(len(layout.headers))
    }
    options: dict[str, Any] = {"quote_char": None}
    if tolerant:
        options = {"quote_char": '"', "comment_prefix": COMMENT, "null_values": list(MISSING)}
    stamps = stamp_format(layout.first_row[columns[TIME].index]) if columns[TIME].unit is None else ""
    if stamps:
        schema[TIME] = pl.String
    return (
        pl.scan_csv(
            source if isinstance(source, Path) else io.BytesIO(source),
            glob=False,
            has_header=False,
            skip_lines=layout.skip_lines if isinstance(source, Path) else 0,
            separator=layout.separator,
            decimal_comma=layout.decimal_comma,
            schema=schema,
            **options,
        )
        .select(list(columns))
        .with_columns([parse_stamps(pl.col(TIME), stamps)] if stamps else [])
        .collect()
    )


def _squeezed(path: Path, layout: Layout) -> Iterator[bytes]:
    """Whole lines of the rows, block by block, with single separators and no blanks beside them."""
    from tidebench.readers.squeeze import squeeze

    separator = ord(layout.separator)
    with path.open("rb") as file:
        for _ in range(layout.skip_lines):
            file.readline()
        while block := file.read(BLOCK_BYTES):
            rows = np.frombuffer(block + file.readline(LONGEST_LINE), dtype=np.uint8)
            yield squeeze(rows, separator).tobytes()


def _fault(path: Path, layout: Layout, columns: Mapping[str, Column]) -> SignalError:
    """The first line that can't be read, in words."""
    with path.open("rb") as file:
        for number, raw in enumerate(iter(lambda: file.readline(LONGEST_LINE), b""), start=1):
            if number <= layout.skip_lines:
                continue
            problem = _line_fault(raw, number, layout, columns, path.name)
            if problem:
                return problem
    return SignalError("the rows can't be read", where=path.name, expected="rows of numbers, one line each")


def _line_fault(
    raw: bytes, number: int, layout: Layout, columns: Mapping[str, Column], name: str
) -> SignalError | None:
    at = f"{name}, line {number}"
    if len(raw) >= LONGEST_LINE:
        return SignalError("the line is longer than 64 KiB", where=at, expected="one row of samples")
    line = raw.decode("utf-8", "replace").strip("\r\n")
    if not line.strip() or line.startswith(COMMENT):
        return None
    cells = split(line, layout.separator)
    if len(cells) > len(layout.headers):
        return SignalError(
            f"the line has {len(cells)} cells and the header {len(layout.headers)} names",
            where=at,
            remedy="A decimal comma needs another separator than the comma." if layout.separator == "," else "",
        )
    for column in columns.values():
        cell = cells[column.index] if column.index < len(cells) else ""
        stamps = column.quantity == TIME and column.unit is None
        if cell in MISSING or (is_stamp(cell, layout.first_row[column.index]) if stamps else _is_number(cell, layout)):
            continue
        return SignalError(
            f"{cell[:40]!r} is not {'a date and time like the first one' if stamps else 'a number'}",
            where=f"{at}, column {column.header!r}",
            expected=f"{'a stamp' if stamps else 'a number'}, or an empty cell where nothing was measured",
        )
    return None


def _is_number(cell: str, layout: Layout) -> bool:
    try:
        float(cell.replace(",", ".") if layout.decimal_comma else cell)
    except ValueError:
        return False
    return "_" not in cell
