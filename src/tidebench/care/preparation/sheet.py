"""What a set-up sheet is made of: lines with their reason and source, in sections."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from tidebench.limits import ITEMS, Group, Limit, Lungs, Practice
from tidebench.limits.practice import Item
from tidebench.quantities import QUANTITIES

Verdict = Literal["pass", "fail", "not judged", ""]


@dataclass(frozen=True, slots=True)
class Line:
    """One number or word of the set-up, and why it is so.

    Attributes
    ----------
    key : str
        Its name for machines; the unit stands in it.
    label : str
        Its name for people.
    value : str
        What is shown: a number, a span, a word; empty where it can't be told.
    low, high : float or None
        The same in numbers, in ``unit``; equal where there is one.
    unit : str
        Empty for words and fractions.
    why : str
        The rule and its reason, or why it can't be told.
    kind, source : str
        As of a limit; empty where a line only repeats what was typed.
    verdict : str
        ``pass``, ``fail`` or ``not judged`` of a check; empty elsewhere.
    """

    key: str
    label: str
    value: str
    low: float | None = None
    high: float | None = None
    unit: str = ""
    why: str = ""
    kind: str = ""
    source: str = ""
    verdict: Verdict = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A small table: FiO2 with its PEEP, for one."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    source: str


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the sheet: lines, then tables, then sentences.

    Attributes
    ----------
    key, title : str
        For machines, for people.
    lines : tuple of Line
    notes : tuple of str
        What a reader has to know besides.
    tables : tuple of Table
    """

    key: str
    title: str
    lines: tuple[Line, ...] = ()
    notes: tuple[str, ...] = ()
    tables: tuple[Table, ...] = field(default=())

    def line(self, key: str) -> Line:
        """The line of that key."""
        return next(line for line in self.lines if line.key == key)


@dataclass(frozen=True, slots=True)
class Subject:
    """Whom the sheet is for, once everything contradictory has been refused.

    Attributes
    ----------
    group : str
        ``adult``, ``child`` or ``newborn``.
    reason : str
        Why that group.
    age_years : float or None
        None where an adult was told by height.
    sex : str or None
    lungs : str
        The condition; healthy lungs unless said.
    mask : bool
        True where no tube lies.
    interface : str
        As stated, or taken.
    practice : tuple of Practice
        A house's own.
    at_term : bool
        A newborn of 37 weeks or more; by a weight of at least 2.5 kg where no gestation is given.
    weight_kg : float or None
        Actual weight, as stated.
    """

    group: Group
    reason: str
    age_years: float | None
    sex: str | None
    lungs: Lungs
    mask: bool
    interface: str
    practice: tuple[Practice, ...] = ()
    at_term: bool = False
    weight_kg: float | None = None

    def by_interface(self, words: str) -> str:
        """Words of support by mask, for the helmet or prongs that this patient has instead."""
        own = {"helmet": "by helmet", "nasal prongs": "by prongs"}.get(self.interface)
        return words if own is None else words.replace("by mask", own).replace("By mask", own.capitalize())


def number(value: float, decimals: int = 1) -> str:
    """A number in words, without idle zeros behind the point."""
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def span(low: float, high: float, decimals: int = 1, unit: str = "") -> str:
    """``6 to 8 mL/kg``; one number where both are alike when shown, and alike in decimals where not."""
    ends = [number(low, decimals), number(high, decimals)]
    shown = max(len(end.partition(".")[2]) for end in ends)
    ends = [f"{end:.{shown}f}" for end in (low, high)]
    words = ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"
    return f"{words} {unit}".rstrip()


def told(
    key: str, label: str, low: float, high: float, unit: str, why: str = "", *, decimals: int = 1, **said: str
) -> Line:
    """A line with a span of numbers."""
    return Line(key, label, span(low, high, decimals, unit), low, high, unit, why, said.get("kind", ""),
                said.get("source", ""))  # fmt: skip


def untold(key: str, label: str, why: str) -> Line:
    """A line that can't be told, with the reason."""
    return Line(key, label, "", why=why)


def of_practice(record: Practice, *, decimals: int = 2, label: str = "", why: str = "") -> Line:
    """A record of practice as a line."""
    item: Item = ITEMS[record.item]
    text = " ".join(part for part in (record.text, why) if part)
    return told(
        record.item, label or item.label, record.low, record.high, item.unit, text, decimals=decimals,
        kind=record.kind, source=record.source,
    )  # fmt: skip


def of_limit(limit: Limit) -> Line:
    """A limit as a line."""
    quantity = QUANTITIES[limit.key]
    return Line(
        limit.key, quantity.label, limit.bound, limit.low, limit.high, quantity.unit, limit.text, limit.kind,
        limit.source,
    )  # fmt: skip
