"""A setting moved through a range, or two through a field: what each value would do."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tidebench.errors import CaseError, OptionError
from tidebench.fitting.change import TOLD_BY, limits_of
from tidebench.fitting.compare import compared, edges
from tidebench.fitting.fit import Fit
from tidebench.fitting.predict import predict
from tidebench.fitting.records import Samples
from tidebench.fitting.unlived import PACO2, one_sided
from tidebench.limits import Limit

POINTS = 61
FIELD = 441
DRAWS_ALONG, LEAST_DRAWS, SIMULATED = 40, 20, 2400
"""Patients drawn for a value of one range; the fewest that tell an interval; and how many simulations a map may take:
with more fields than that allows, a map is the estimate's alone (this house's choice, some ten seconds)."""
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Range:
    """Values of one setting, from ``low`` to ``high`` in steps."""

    key: str
    values: tuple[float, ...]


@dataclass(frozen=True)
class Point:
    """One value, or pair: the settings, each quantity as estimate, low and high, what leaves the recorded range, and
    the share of drawn patients within all limits (None of a single one, or without a limit); nothing but the reason
    where the settings can't be."""

    settings: Mapping[str, float]
    quantities: Mapping[str, tuple[float, float, float]]
    beyond: tuple[str, ...] = ()
    within: float | None = None
    refused: str = ""


@dataclass(frozen=True)
class Sweep:
    """What every value, or pair of values, would do, in the order of the ranges, the second running faster; of how many
    drawn patients."""

    ranges: tuple[Range, ...]
    points: tuple[Point, ...]
    draws: int = 1


def range_of(text: str) -> Range:
    """``peep_cmh2o=5:15:1`` as values.

    Raises
    ------
    OptionError
        No key, no two numbers, a step of nothing or away from the end, more points than a curve needs.
    """
    key, _, span = text.partition("=")
    try:
        low, high, step = (float(part) for part in [*span.split(":"), "1"][:3])
    except ValueError:
        raise OptionError(f"{text!r} is no range", where="--sweep", expected="KEY=FROM:TO:STEP") from None
    if not key or not np.isfinite([low, high, step]).all() or step <= 0 or high < low:
        raise OptionError(
            f"{text!r} is no range", where="--sweep", expected="KEY=FROM:TO:STEP, TO above FROM, STEP above 0"
        )
    count = int(np.floor((high - low) / step + 1e-9)) + 1
    if count > POINTS:
        raise OptionError(f"{text!r} has {count} values", where="--sweep", expected=f"at most {POINTS}")
    return Range(key, tuple(round(low + k * step, 9) for k in range(count)))


def sweep(
    fit: Fit,
    ranges: Sequence[Range],
    settings: Mapping[str, Any] | None = None,
    seed: int = 0,
    progress: Progress | None = None,
    simulated: int = SIMULATED,
) -> Sweep:
    """Predict along one range or over two, with doubt where the fields are few enough.

    Parameters
    ----------
    simulated : int
        How many simulations a map may take; of 0 it is the estimate's alone.

    Raises
    ------
    OptionError
        No range, more than two, one key twice, more pairs than a map needs.
    CaseError
        As :func:`predict`, where no value is one that the setting can have.
    """
    if not 1 <= len(ranges) <= 2 or len({each.key for each in ranges}) < len(ranges):
        raise OptionError("can't be swept", where="sweep", expected="one range, or two of different settings")
    pairs = list(itertools.product(*(each.values for each in ranges)))
    if len(pairs) > FIELD:
        raise OptionError(f"the map would have {len(pairs)} fields", where="sweep", expected=f"at most {FIELD}")
    n = DRAWS_ALONG if len(ranges) == 1 else min(DRAWS_ALONG, simulated // len(pairs))
    n = n if n >= LEAST_DRAWS else 1
    limits = limits_of(fit)
    now = predict(fit, n=n, seed=seed)
    points, refusals = [], []
    for k, pair in enumerate(pairs):
        changed = dict(zip((each.key for each in ranges), pair, strict=True))
        try:
            then = predict(fit, {**(settings or {}), **changed}, n, seed)
        except CaseError as refusal:
            refusals.append(refusal)
            points.append(Point(changed, {}, refused=str(refusal)))
        else:
            found = compared(fit, now, then, seed)
            inside = within(limits, found.then) if n > 1 else None
            points.append(Point(changed, ends_of(found.then), found.beyond, inside))
        if progress:
            progress("sweeping", (k + 1) / len(pairs))
    if len(refusals) == len(points):
        raise refusals[0]
    return Sweep(tuple(ranges), tuple(points), n)


def ends_of(side: Mapping[str, Samples]) -> dict[str, tuple[float, float, float]]:
    """Estimate, low and high of each quantity, open where carbon dioxide stops at what nobody lives with."""
    told = {key: edges(draws) for key, draws in side.items()}
    gas = told.get(PACO2)
    return told if gas is None else {key: one_sided(key, ends, gas) for key, ends in told.items()}


def within(limits: Sequence[Limit], draws: Mapping[str, Samples]) -> float | None:
    """Share of drawn patients inside every limit of what is told; None where no limit covers anything told."""
    inside = None
    for limit in limits:
        told = draws.get(TOLD_BY.get(limit.key, limit.key))
        if told is None or not np.isfinite(told).all():
            continue
        low, high = (edge if edge is not None else side for edge, side in ((limit.low, -np.inf), (limit.high, np.inf)))
        kept = (told >= low) & (told <= high)
        inside = kept if inside is None else inside & kept
    return None if inside is None else float(inside.mean())
