"""Two stretches of one record side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from tidebench.quantities import QUANTITIES
from tidebench.records import Spread
from tidebench.views.answers import GROUPS
from tidebench.views.kinds import label_of
from tidebench.views.numbers import breath_values, spread_over
from tidebench.views.steps import Effect
from tidebench.views.window import clipped
from tidebench.views.wording import clock, count

if TYPE_CHECKING:
    from tidebench.review import Review

FEWEST = 3
KEYS = tuple(dict.fromkeys(key for groups in GROUPS.values() for _, keys in groups for key in keys))


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two: where it lies, and what it holds."""

    from_s: float
    to_s: float
    text: str
    breaths: int
    findings: dict[str, int]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two stretches, and each quantity that both hold; ``clear`` where the spreads of the two do not overlap."""

    first: Side
    second: Side
    effects: tuple[Effect, ...]


def compared(review: Review, first: tuple[float, float], second: tuple[float, float]) -> Comparison:
    """The breaths that begin in the first stretch beside those that begin in the second."""
    parts = [_part(review, stretch) for stretch in (first, second)]
    (one, before), (two, after) = parts
    effects = (Effect(QUANTITIES[key], _spread(before, key), _spread(after, key)) for key in KEYS if key in QUANTITIES)
    return Comparison(one, two, tuple(e for e in effects if e.before is not None or e.after is not None))


def _part(review: Review, stretch: tuple[float, float]) -> tuple[Side, Review]:
    from_s, to_s = clipped(review, *stretch)
    within = pl.col("start_s").is_between(from_s, to_s, closed="left")
    part = replace(review, breaths=review.breaths.filter(within), findings=review.findings.filter(within))
    kinds = {label_of(kind): n for kind, n in sorted(part.findings.group_by("kind").len().iter_rows())}
    text = f"{clock(from_s)} to {clock(to_s)}, {count(part.breaths.height, 'breath')}"
    return Side(from_s, to_s, text, part.breaths.height, kinds), part


def _spread(part: Review, key: str) -> Spread | None:
    values = breath_values(part, key)
    return spread_over(values) if len(values) >= FEWEST else None
