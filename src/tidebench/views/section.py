"""A section of a page that is made of sentences and rows, and how moments and rates are written in it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from tidebench.views.wording import clock

if TYPE_CHECKING:
    from tidebench.care.logs.room import Told


@dataclass(frozen=True)
class Section:
    """A part of a page.

    Attributes
    ----------
    heading : str
        Empty where it goes on with the part before.
    lines : tuple of str
        Before the table.
    head : tuple of str
        Names of the columns; empty where there is no table.
    rows : tuple of tuple of str
    right : frozenset of int
        Columns of numbers.
    after : tuple of str
        Notes behind the table.
    figure : str
        Which figure belongs here; empty where none.
    """

    heading: str
    lines: tuple[str, ...] = ()
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    right: frozenset[int] = frozenset()
    after: tuple[str, ...] = ()
    figure: str = ""


def moment(told: Told, at_s: float) -> str:
    """A moment by the wall's clock where it is known, else on the log's own."""
    if told.start is None:
        return clock(at_s)
    return f"{told.start + timedelta(seconds=round(at_s)):%Y-%m-%d %H:%M:%S}"


def rated(value: float | None) -> str:
    """A rate: one decimal, two below one; a dash where it is not told."""
    if value is None:
        return "–"
    return f"{value:.2f}" if 0 < value < 0.95 else f"{value:.1f}" if value < 99.95 else f"{value:.0f}"


def percent(share: float) -> str:
    """A share in per cent, one decimal below ten."""
    return f"{100 * share:.0f} %" if share >= 0.095 or share == 0 else f"{100 * share:.1f} %"
