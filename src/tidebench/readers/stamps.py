"""Dates and times in a time column: ISO 8601 with the date, with or without a zone."""

from __future__ import annotations

import re

import polars as pl

_STAMP = re.compile(
    r"\d{4}-\d\d-\d\d(?P<join>[T ])\d\d:\d\d(?P<seconds>:\d\d(?:[.,]\d+)?)?(?P<zone>Z|[+-]\d\d(?::?\d\d)?)?"
)


def stamp_format(cell: str) -> str:
    """The format that a stamp and those like it follow, with its decimal sign; empty where the cell is no stamp."""
    match = _STAMP.fullmatch(cell)
    if match is None:
        return ""
    seconds = match["seconds"] and (":%S%,f" if "," in match["seconds"] else ":%S%.f")
    return f"%Y-%m-%d{match['join']}%H:%M{seconds or ''}{'%#z' if match['zone'] else ''}"


def is_stamp(cell: str, like: str) -> bool:
    """True where a cell is a stamp of the same form as another."""
    return bool(stamp_format(cell)) and stamp_format(cell) == stamp_format(like)


def parse_stamps(cells: pl.Expr, form: str) -> pl.Expr:
    """Stamps as ``Datetime``, UTC where they have a zone; a cell of another form fails when it is collected."""
    pointed = cells.str.replace(",", ".", literal=True) if "," in form else cells
    return pointed.str.to_datetime(form.replace(",", "."), time_unit="ns", cache=False)
