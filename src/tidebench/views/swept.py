"""A setting moved through a range, or two through a field: what is drawn of it."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from tidebench.fitting.fit import Fit
from tidebench.fitting.sweep import Sweep
from tidebench.quantities import Quantity, quantity
from tidebench.views.rehearsal import SHOWN
from tidebench.views.wording import settings_words


@dataclass(frozen=True)
class Along:
    """A setting and the values that it takes."""

    quantity: Quantity
    values: tuple[float, ...]


@dataclass(frozen=True)
class Swept:
    """A quantity at every value, or pair: the estimate and the ends of its interval, and the estimate in words.

    None and empty where it can't be told. A map is of the estimate alone: its ends are None.
    """

    quantity: Quantity
    estimate: tuple[float | None, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    words: tuple[str, ...]


@dataclass(frozen=True)
class SweptPage:
    """What a sweep or a map shows; of two ranges the second runs faster.

    At every value, or pair: what leaves the recorded range there, and why it can't be set; empty where neither holds.
    """

    settings: str
    along: tuple[Along, ...]
    found: tuple[Swept, ...]
    beyond: tuple[str, ...]
    refused: tuple[str, ...]


def swept_page(fit: Fit, settings: dict[str, float | str], done: Sweep) -> SweptPage:
    """Every quantity of a rehearsal along the ranges."""
    moved = {each.key for each in done.ranges}
    held = {key: value for key, value in {**fit.setting, **settings}.items() if key not in moved}
    found = (_swept(key, done) for key in SHOWN)
    return SweptPage(
        settings_words(held),
        tuple(Along(quantity(each.key, "settings"), each.values) for each in done.ranges),
        tuple(one for one in found if any(value is not None for value in one.estimate)),
        tuple("; ".join(point.beyond) for point in done.points),
        tuple(point.refused for point in done.points),
    )


def _swept(key: str, done: Sweep) -> Swept:
    record, told = quantity(key), [point.quantities.get(key) for point in done.points]
    middle, low, high = (
        tuple(None if one is None or not isfinite(one[k]) else float(f"{one[k]:.6g}") for one in told) for k in range(3)
    )
    words = tuple("" if value is None else record.text(value) for value in middle)
    return Swept(record, middle, low, high, words)
