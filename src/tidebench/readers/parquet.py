"""Signals in Parquet: a column per signal, its name saying quantity and unit as a text header does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import polars as pl

from tidebench.errors import SignalError
from tidebench.readers.clock import MOST_SAMPLES
from tidebench.readers.headers import TIME, Column, understand
from tidebench.readers.table import Table
from tidebench.units import parse_unit

SUFFIXES = (".parquet", ".pq")


def read_parquet(path: Path, mapping: Mapping[str, str] | None) -> Table:
    """The columns of a Parquet file.

    Times may be numbers with a unit, a ``Datetime`` or a ``Duration``; parameters and errors as
    :func:`tidebench.readers.text.read_text`.
    """
    try:
        return _read(path, mapping)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError) as error:
        reason = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise SignalError(
            f"the file can't be read as Parquet ({reason})",
            where=path.name,
            expected="a whole Parquet file",
            remedy="Copy or export it again.",
        ) from None


def _read(path: Path, mapping: Mapping[str, str] | None) -> Table:
    lazy = pl.scan_parquet(path, glob=False)
    schema = lazy.collect_schema()
    columns, left_out = understand(schema.names(), mapping, path.name)
    for column in columns.values():
        columns[column.quantity] = _typed(column, schema[column.header], path.name)
    rows = int(lazy.select(pl.len()).collect().item())
    if not 0 < rows <= MOST_SAMPLES:
        raise SignalError(f"the file has {rows} rows", where=path.name, expected=f"1 to {MOST_SAMPLES}")
    frame = lazy.select(_selected(column, schema) for column in columns.values()).collect()
    warnings = tuple(f"column {name!r} is not known and was left out" for name in left_out)
    return Table(frame, columns, path.name, warnings)


def _typed(column: Column, kind: pl.DataType, name: str) -> Column:
    """The column with the unit that its type implies; a type that holds no numbers is refused."""
    at = f"{name}, column {column.header!r}"
    if column.quantity == TIME and kind.is_temporal() and kind not in (pl.Date, pl.Time):
        return replace(column, unit=parse_unit("s") if kind == pl.Duration else None)
    if not kind.is_numeric():
        raise SignalError(f"the column holds {kind}", where=at, expected="numbers")
    if column.unit is None:
        raise SignalError("the time column has no unit", where=at, expected="time [s], time [ms] or a date and time")
    return column


def _selected(column: Column, schema: pl.Schema) -> pl.Expr:
    cells = pl.col(column.header).alias(column.quantity)
    kind = schema[column.header]
    if kind == pl.Datetime:
        return cells
    if kind == pl.Duration:
        return cells.dt.total_nanoseconds() / 1e9
    return cells.cast(pl.Float64)
