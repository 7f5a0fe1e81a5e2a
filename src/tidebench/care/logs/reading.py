"""One file of an event log: its layout, its columns, its cells as they are written, its times."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from tidebench.care.logs.clock import Times, read_times
from tidebench.care.logs.columns import Column, listed, understand
from tidebench.care.logs.jumps import on_one_clock
from tidebench.care.logs.set_back import SetBack, moved_on
from tidebench.care.logs.words import Role, Words
from tidebench.errors import LogError, SignalError
from tidebench.readers.sniff import BLANKS, LONGEST_LINE, Layout, sniff, split

MOST_BYTES = 1 << 30
MOST_ROWS = 20_000_000
MOST_FILES = 50
CELLS: tuple[Role, ...] = (
    "time", "date", "until", "duration", "bed", "kind", "priority", "state", "name", "text", "value", "before",
)  # fmt: skip
PHRASE = ("kind", "name", "text", "priority", "state")
"""Cells that together say what happened; different combinations are few, so each is looked at once."""


@dataclass(frozen=True)
class Part:
    """One file, before it is joined to others. ``rows`` has the cells of a phrase as categories, times and values.

    Rows of a clock that was reset are not among them (:mod:`tidebench.care.logs.jumps`); ``times`` has those of all.
    """

    rows: pl.DataFrame
    name: str
    sha256: str
    size: int
    times: Times
    columns: Mapping[Role, Column]
    set_back: tuple[SetBack, ...]
    notes: tuple[str, ...]


def read_part(path: Path, words: Words) -> Part:
    """One file, as :func:`tidebench.care.logs.log.read_log` takes it.

    Raises
    ------
    LogError
        With file, and column where that applies.
    """
    layout, digest, size = opened(path)
    columns = understand(layout.headers, words.columns, path.name)
    cells, notes = _cells(path, layout, columns)
    if cells.height > MOST_ROWS:
        raise LogError(f"the file has {cells.height} rows", where=path.name, expected=f"at most {MOST_ROWS}")
    times = read_times(cells, columns, words.clock.format, path.name, decimal_comma=layout.decimal_comma)
    if not times.at.count():
        raise LogError("no row has a time", where=path.name, expected="a header line, then a row for each event")
    used = {column.index for column in columns.values()}
    unused = [header for i, header in enumerate(layout.headers) if header and i not in used]
    left_out = (f"Columns not read: {listed(unused)}.",) if unused else ()
    read = _rows(cells, times, decimal_comma=layout.decimal_comma)
    read, steps, said = moved_on(read, path.name, wall=times.wall)
    rows, aside = on_one_clock(read, path.name, wall=times.wall)
    return Part(rows, path.name, digest, size, times, columns, steps, (*notes, *times.notes, *said, *aside, *left_out))


def opened(path: Path) -> tuple[Layout, str, int]:
    """Layout, hash and size of a file.

    The sniffer's words are those of signals, so that only what it found is kept of its message.
    """
    if not path.is_file():
        problem = "this is not an ordinary file" if path.exists() else "there is no such file"
        raise LogError(problem, where=str(path), expected="an event log as text")
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise LogError(
                f"the file has {size / 2**30:.1f} GiB", where=path.name, expected="at most 1 GiB",
                remedy="Cut it into parts, and name them all.",
            )  # fmt: skip
        layout = sniff(path)
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except SignalError as error:
        remedy = "" if any(word in error.remedy for word in ("signals", "samples", "Paw")) else error.remedy
        raise LogError(
            error.problem, where=error.where, expected="an event log as text: a header line, then a row for each event",
            remedy=remedy,
        ) from None  # fmt: skip
    except OSError as error:
        raise LogError(f"this can't be read ({error.strerror or error})", where=str(path)) from error
    if layout.separator == BLANKS:
        raise LogError(
            "no separator is found between columns",
            where=path.name,
            expected="columns separated by a tab, a semicolon or a comma",
        )
    return layout, digest, size


def _cells(path: Path, layout: Layout, columns: Mapping[Role, Column]) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """The cells of the columns that are read, as text."""
    try:
        return _scanned(path, layout, columns), ()
    except pl.exceptions.PolarsError as error:
        if "utf" not in str(error).casefold():
            raise _fault(path, layout) from None
    text = path.read_bytes().decode("cp1252", "replace").encode()
    try:
        return _scanned(text, layout, columns), ("The file is not UTF-8: it was read as Windows-1252.",)
    except pl.exceptions.PolarsError:
        raise _fault(path, layout) from None


def _scanned(source: Path | bytes, layout: Layout, columns: Mapping[Role, Column]) -> pl.DataFrame:
    names = {column.index: role for role, column in columns.items()}
    schema: dict[str, type[pl.DataType]] = {}
    for index in range(len(layout.headers)):
        role = names.get(index)
        schema[role or f"column {index}"] = pl.Categorical if role in (*PHRASE, "bed") else pl.String
    return (
        pl.scan_csv(
            source if isinstance(source, Path) else io.BytesIO(source),
            has_header=False,
            skip_lines=layout.skip_lines,
            separator=layout.separator,
            schema=schema,
            quote_char='"',
            glob=False,
        )
        .select([role for role in CELLS if role in columns])
        .with_columns(pl.col(pl.String).str.strip_chars() if layout.padded else [])
        .collect()
    )


def _fault(path: Path, layout: Layout) -> LogError:
    """The first line with more cells than the header has names, in words."""
    wide, where = len(layout.headers), path.name
    problem = "a quote is opened and not closed"
    with path.open("rb") as file:
        for number, raw in enumerate(iter(lambda: file.readline(LONGEST_LINE), b""), start=1):
            cells = len(split(raw.decode("utf-8", "replace").strip("\r\n"), layout.separator))
            if number > layout.skip_lines and cells > wide:
                where, problem = (
                    f"{path.name}, line {number}",
                    f"the line has {cells} cells and the header {wide} names",
                )
                break
    return LogError(
        problem, where=where, expected="a row for each event",
        remedy="Text that holds the separator, or a line end, needs quotes around it.",
    )  # fmt: skip


def _rows(cells: pl.DataFrame, times: Times, *, decimal_comma: bool) -> pl.DataFrame:
    """Rows with their times, the cells of their phrase, and their value."""
    there = {key: pl.col(key) if key in cells.columns else pl.lit(None, pl.Categorical) for key in (*PHRASE, "bed")}
    said, before = (pl.col(key) if key in cells.columns else pl.lit(None, pl.String) for key in ("value", "before"))
    pointed = said.str.replace(",", ".", literal=True) if decimal_comma else said
    number = pointed.cast(pl.Float64, strict=False)
    return cells.select(
        times.at.alias("at"),
        times.until.alias("until"),
        times.local.alias("local"),
        *(cell.alias(key) for key, cell in there.items()),
        pl.when(number.is_finite()).then(number).alias("value"),
        said.alias("said"),
        before.alias("before"),
    )
