"""Stamps of a clock that was reset: far from all others of a log, they would stretch what it seems to cover."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from tidebench.care.logs.clock import EPOCH_DAY, MICRO

JUMP_S = 90 * 86400.0
"""Time between two neighbouring rows of one file from which on the clock is taken to have jumped (this house's
choice)."""
FEW, SHORT_S = 0.1, 3600.0
"""Rows beyond a jump are set aside where they are fewer than this part of all, or last less than this."""


def on_one_clock(rows: pl.DataFrame, name: str, *, wall: bool) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Rows of one file without those of a clock that was reset, numbered by ``stretch``, and what is to be said.

    Rows in the order of time fall into stretches, each more than :data:`JUMP_S` after the one before. The one with the
    most rows stays, the later of equals; another stays where it holds enough rows and lasts long enough, and the time
    between is then not covered. An end that is told more than :data:`JUMP_S` after its begin is not believed.

    Parameters
    ----------
    rows : DataFrame
        With ``at``, ``until`` and ``local`` in microseconds; a row without ``at`` is left as it is.
    name : str
        The file's.
    wall : bool
        True where the clock tells the date.
    """
    jump = int(JUMP_S * MICRO)
    at, until = rows["at"], rows["until"]
    latest = max(_whole(at.max()), _whole(until.max()))
    if latest - _whole(at.min()) <= jump:
        return rows.with_columns(stretch=pl.lit(0, pl.UInt32)), ()
    ends = pl.col("until") - pl.col("at") > jump
    unbelieved = rows.filter(ends).height
    rows = rows.with_columns(until=pl.when(ends).then(None).otherwise("until"))
    notes = [f"{_rows(unbelieved)} of {name} ends more than 90 days after its begin: the end is left out."]
    notes = notes if unbelieved else []
    placed = rows.with_row_index("place").sort("at", nulls_last=True)
    placed = placed.with_columns(stretch=(pl.col("at").diff() > jump).fill_null(value=False).cum_sum().cast(pl.UInt32))
    each = (
        placed.drop_nulls("at")
        .group_by("stretch")
        .agg(pl.len().alias("n"), pl.col("at").min().alias("first"), pl.col("at").max().alias("last"), pl.col("local"))
        .sort("n", "first", descending=True)
    )
    known, lasts = rows["at"].count(), (pl.col("last") - pl.col("first")) / MICRO
    aside = each[1:].filter((pl.col("n") < FEW * known) | (lasts < SHORT_S))
    for one in aside.sort("first").iter_rows(named=True):
        stamp = f"{EPOCH_DAY + timedelta(microseconds=min(one['local'])):%Y-%m-%d %H:%M:%S}"
        when = stamp if wall else f"{one['first'] / MICRO:g} s"
        notes.append(
            f"{_rows(one['n'])} of {name} {'stands' if one['n'] == 1 else 'stand'} more than 90 days from the others, "
            f"at {when}: by the look of it a clock that was reset. Set aside, and counted in nothing."
        )
    kept = placed.filter(~pl.col("stretch").is_in(aside["stretch"].implode()) | pl.col("at").is_null())
    return kept.sort("place").drop("place"), tuple(notes)


def _whole(value: object) -> int:
    return value if isinstance(value, int) else 0


def _rows(number: int) -> str:
    return "1 row" if number == 1 else f"{number} rows"
