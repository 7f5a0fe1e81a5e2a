"""Goal seeking: settings that bring a quantity to a target inside limits, several ways, or what stands in the way."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tidebench.errors import OptionError, TidebenchError
from tidebench.fitting.change import TOLD_BY, limits_of
from tidebench.fitting.changed import bi_level, changed
from tidebench.fitting.compare import GAS_KEYS, PER_KG, TOLD, compared, edges
from tidebench.fitting.fit import Fit
from tidebench.fitting.predict import Prediction, predict
from tidebench.fitting.records import FitError, Samples
from tidebench.limits import judge, limits_of_case, population
from tidebench.limits.policy import ASKED_BY_WEANING
from tidebench.quantities import quantity

WITHIN = re.compile(r"^\s*([a-z0-9_]+)\s*(<=|>=)\s*(-?(?:[0-9]+\.?[0-9]*|\.[0-9]+))\s*$")
LEVERS = {
    "VC": ("rate_per_min", "tidal_volume_ml"), "PC": ("rate_per_min", "pressure_control_cmh2o"),
    "vtPC": ("rate_per_min", "tidal_volume_ml"), "PS": ("pressure_support_cmh2o",), "vtPS": ("tidal_volume_ml",),
    "levels": ("time_low_s", "pressure_high_cmh2o"),
}  # fmt: skip
"""What moves ventilation in each inflation type."""
OXYGEN, OXYGEN_LEVERS = ("pao2_mmhg", "sao2"), ("fio2",)
AT_REST = ("peep_cmh2o", "total_peep_cmh2o", "mean_pressure_cmh2o", "plateau_pressure_cmh2o")
"""What PEEP moves as it moves itself, whatever the inflation; carbon dioxide is left to what moves ventilation."""
SPAN = (0.4, 2.0)  # of a lever's present value
BOUNDS = {
    "rate_per_min": (4.0, 80.0), "tidal_volume_ml": (2.0, 1500.0), "pressure_control_cmh2o": (3.0, 40.0),
    "pressure_support_cmh2o": (0.0, 30.0), "fio2": (0.21, 1.0), "time_low_s": (0.3, 12.0),
    "pressure_high_cmh2o": (5.0, 45.0), "peep_cmh2o": (0.0, 24.0),
}  # fmt: skip
STEPS, HALVINGS, CLOSER = 9, 9, 4
"""Values of a lever that is stepped, halvings of the one that is solved for, and of a step whose ends cross different
limits."""
NEAR = 0.02  # of the target: reached
WAYS = 3
UNMOVED = ("cuff_pressure_cmh2o", "heart_rate_per_min", "systolic_mmhg", "leak_fraction")
"""What a house may bound and no setting of a ventilator moves."""
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Bound:
    """A quantity that must stay at most, or at least, at a value."""

    key: str
    most: bool
    value: float

    def met(self, value: float) -> bool:
        """True where a value is inside; one that can't be told is not."""
        return bool(value <= self.value if self.most else value >= self.value)

    def off(self, value: float) -> float:
        """By how much a value lies outside, relative."""
        return abs(value - self.value) / max(abs(self.value), 1e-9)

    def __str__(self) -> str:
        record = quantity(self.key)
        return f"{record.label} {'at most' if self.most else 'at least'} {record.text(self.value)}"


@dataclass(frozen=True)
class Way:
    """Settings that reach the target, what they would do, the share of drawn patients inside the bounds, and the
    published limits that the estimate crosses, in words."""

    settings: Mapping[str, float]
    values: Mapping[str, tuple[float, float, float]]
    inside: float
    crosses: tuple[str, ...] = ()


@dataclass(frozen=True)
class Search:
    """What a search found inside its bounds: ways, those that cross fewest published limits first, then the cheapest in
    power; where none, the bounds in the way."""

    key: str
    target: float
    ways: tuple[Way, ...]
    hindered: tuple[str, ...]
    bounds: tuple[Bound, ...] = ()
    tried: tuple[str, ...] = ()
    """The settings that were moved; all others stood as they are."""


def target_of(text: str) -> tuple[str, float]:
    """``paco2_mmhg=45`` as key and value."""
    key, _, value = text.partition("=")
    try:
        number = float(value)
    except ValueError:
        number = np.nan
    if key not in TOLD or not np.isfinite(number):
        raise OptionError(
            f"{text!r} is no target", where="--target", expected=f"KEY=VALUE, with a key of {', '.join(TOLD)}"
        )
    low, high = quantity(key).plausible
    if not low <= number <= high:
        raise OptionError(
            f"{text!r} is no value that a patient reaches", where="--target", expected=quantity(key).bounds(low, high)
        )
    return key, number


def bound_of(text: str) -> Bound:
    """``driving_pressure_cmh2o<=13`` as a bound."""
    found = WITHIN.match(text)
    if found is None:
        raise OptionError(
            f"{text!r} is no bound",
            where="--within",
            expected="KEY<=VALUE or KEY>=VALUE, such as driving_pressure_cmh2o<=13",
        )
    if found[1] not in TOLD and found[1] not in BOUNDS:
        known = ", ".join(dict.fromkeys((*TOLD, *BOUNDS)))
        raise OptionError(f"{found[1]!r} can't be held", where="--within", expected=f"a key of {known}")
    return Bound(found[1], found[2] == "<=", float(found[3]))


def house_bounds(fit: Fit) -> list[Bound]:
    """Bounds of a house's policy for this patient, in general and under the condition that the case states; all of them
    where the group is not known. No search widens them.

    What no ventilator sets or moves is not among them, nor what holds under weaning's conditions alone.
    """
    review = fit.window.review
    own = review.policy.limits if review.policy else ()
    limits = [limit for limit in own if limit.condition not in ASKED_BY_WEANING]
    if population(review.case.patient).group is not None:
        limits = [one for one in limits_of_case(review.case, policy=review.policy) if one.kind == "house policy"]
    return [
        Bound(limit.key, most, edge)
        for limit in limits
        if limit.key not in UNMOVED
        for most, edge in ((True, limit.high), (False, limit.low))
        if edge is not None
    ]


def held(key: str, told: Mapping[str, Samples], setting: Mapping[str, Any]) -> Samples:
    """What a bound on a quantity is held against: draws, or a setting beside them; NaN for neither."""
    draws = told.get(TOLD_BY.get(key, key))
    value = setting.get(key)
    if draws is None and isinstance(value, (int, float)):
        return np.full(1, float(value))
    return np.full(1, np.nan) if draws is None else draws


def _refuse_unheld(bounds: Sequence[Bound], present: Mapping[str, Samples], setting: Mapping[str, Any]) -> None:
    """Refuse to search where a house's limit can't be held."""
    for bound in bounds:
        if not np.isfinite(held(bound.key, present, setting)[0]):
            raise FitError(
                f"the house's limit of {bound} can't be told of this patient", where="--target",
                expected="a policy whose limits can be held",
                remedy="A way might go past it unseen; give what it needs, or name another --policy.",
            )  # fmt: skip


def seek(
    fit: Fit,
    key: str,
    target: float,
    bounds: Sequence[Bound] = (),
    settings: Mapping[str, Any] | None = None,
    n: int = 60,
    progress: Progress | None = None,
) -> Search:
    """Settings that bring ``key`` to ``target`` inside bounds.

    One lever is stepped through its range, the other is solved for by bisection. Between two steps that cross different
    bounds or limits the range is halved again, so that no way between them is missed; every way that keeps inside is
    predicted with its doubt. Nothing is proposed past a house's policy.

    Raises
    ------
    FitError
        The target can't be told from this stretch, or no setting of this mode moves it.
    """
    now = predict(fit, n=1)
    present = compared(fit, now, now).now
    _refuse_untold(fit, (key,), present)
    house = house_bounds(fit)
    _refuse_unheld(house, present, now.setting)
    base = changed(fit.setting, settings or {})
    _refuse_untold(fit, [bound.key for bound in bounds if base.get(bound.key) is None], present)
    kind = "levels" if bi_level(base) else str(base["mode"]).rpartition("-")[2].partition("\\")[0]
    own = [lever for lever in LEVERS.get(kind, ()) if lever in base]
    levers = list(OXYGEN_LEVERS) if key in OXYGEN else own
    if key in AT_REST and "peep_cmh2o" in base and kind != "levels":
        levers = [*levers, "peep_cmh2o"]
    if not levers:
        raise FitError(
            f"nothing that is set in {base['mode']} moves it", where="--target",
            expected="a mode with a rate, a volume or a pressure",
        )  # fmt: skip
    if "fio2" in levers:
        base.setdefault("fio2", fit.exchange.fio2 or 0.21)
    solver = _Solver(fit, key, target, now, dict(settings or {}))
    judge_one = _Judge(fit, [*bounds, *house], now, dict(settings or {}))
    pair = len(levers) > 1 and levers[1] != "peep_cmh2o"
    grid = _grid(base, levers[1]) if pair else []
    rated: list[_Rated] = []
    for k, lever in enumerate(levers):
        rated += _solved(solver, judge_one, lever, base, {})
        if progress:
            progress("seeking", (k + 1) / (len(levers) + STEPS + WAYS))
    if pair:
        rated += _between(solver, judge_one, base, levers[0], levers[1], grid, progress)
    return _judged(fit, key, target, rated, [*bounds, *house], now, dict(settings or {}), n, tuple(levers))


def _refuse_untold(fit: Fit, keys: Sequence[str], present: Mapping[str, Samples]) -> None:
    """Refuse a target or a bound that can't be told of this patient."""
    mode = fit.setting["mode"]
    for key in keys:
        if key in present and np.isfinite(present[key][0]):
            continue
        reason = "the patient breathes, and no pause would show it" if key in TOLD else f"it is not set in {mode}"
        if key in GAS_KEYS:
            reason = fit.exchange.reason
        elif key in PER_KG:
            reason = "its weight, or the height and sex that predict it, is not given"
        raise FitError(
            f"{key} can't be told",
            where="not identifiable from this stretch",
            remedy=f"{reason[0].upper()}{reason[1:]}.",
        )


def _grid(base: Mapping[str, Any], lever: str) -> list[float]:
    low, high = _span(base, lever)
    return [float(value) for value in np.linspace(low, high, STEPS)]


def _span(base: Mapping[str, Any], lever: str) -> tuple[float, float]:
    low, high = BOUNDS[lever]
    value = float(base[lever])
    if lever == "peep_cmh2o":
        return low, high  # nothing is a value of it
    return max(low, SPAN[0] * value), min(high, SPAN[1] * value)


@dataclass(frozen=True)
class _Solver:
    """Solves one lever for the target."""

    fit: Fit
    key: str
    target: float
    now: Prediction
    settings: dict[str, Any]

    def value(self, lever_values: Mapping[str, float]) -> float:
        """The target's quantity under some settings; NaN where they can't be."""
        try:
            then = predict(self.fit, {**self.settings, **lever_values}, n=1)
        except TidebenchError:
            return float("nan")
        after = compared(self.fit, self.now, then).then
        return float(after[self.key][0])

    def solve(self, lever: str, base: Mapping[str, Any], fixed: Mapping[str, float]) -> float | None:
        """The lever's value at which the target is reached, by bisection; None where its range does not hold one."""
        low, high = _span(base, lever)
        at_low, at_high = self.value({**fixed, lever: low}), self.value({**fixed, lever: high})
        while not np.isfinite(at_high) and high > low * 1.05:  # an inflation that no longer fits into its breath
            high = 0.5 * (low + high)
            at_high = self.value({**fixed, lever: high})
        if not np.isfinite(at_low + at_high) or (at_low - self.target) * (at_high - self.target) > 0:
            return None
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            at = self.value({**fixed, lever: middle})
            if (at - self.target) * (at_low - self.target) > 0:
                low, at_low = middle, at
            else:
                high = middle
        return 0.5 * (low + high)


@dataclass(frozen=True)
class _Judge:
    """Holds settings against what is asked and what is published."""

    fit: Fit
    asked: Sequence[Bound]
    now: Prediction
    settings: Mapping[str, Any]

    def __call__(self, lever_values: Mapping[str, float]) -> _Rated:
        """How settings do, as a ventilator takes them."""
        rounded = {lever: _rounded(lever, value) for lever, value in lever_values.items()}
        then = predict(self.fit, {**self.settings, **rounded}, n=1)
        after = compared(self.fit, self.now, then).then
        off = {bound: float(held(bound.key, after, then.setting)[0]) for bound in self.asked}
        crossed = [bound for bound, value in off.items() if not bound.met(value)]
        beyond, limits = crossings(self.fit, after)
        power = float(after["mechanical_power_j_min"][0])
        away = sum(bound.off(off[bound]) for bound in crossed)
        return _Rated(rounded, away, power, crossed, beyond, frozenset([*map(str, crossed), *limits]))


def _solved(
    solver: _Solver, judge_one: _Judge, lever: str, base: Mapping[str, Any], fixed: Mapping[str, float]
) -> list[_Rated]:
    """The way by one lever, the others fixed; none where its range does not reach the target."""
    value = solver.solve(lever, base, fixed)
    return [] if value is None else [judge_one({**fixed, lever: value})]


def _between(
    solver: _Solver, judge_one: _Judge, base: Mapping[str, Any], lever: str, stepped: str, grid: Sequence[float],
    progress: Progress | None,
) -> list[_Rated]:  # fmt: skip
    """Ways along one lever's range, with more where neighbours cross different bounds or limits."""
    found: dict[float, list[_Rated]] = {}
    for k, value in enumerate(grid):
        found[value] = _solved(solver, judge_one, lever, base, {stepped: value})
        if progress:
            progress("seeking", (k + 2) / (len(grid) + 2 + WAYS))
    for _ in range(CLOSER):
        order = sorted(found)
        for low, high in itertools.pairwise(order):
            sides = [{row.meets for row in found[value]} for value in (low, high)]
            if sides[0] != sides[1]:
                middle = 0.5 * (low + high)
                found[middle] = _solved(solver, judge_one, lever, base, {stepped: middle})
    return [row for value in sorted(found) for row in found[value]]


def _judged(
    fit: Fit, key: str, target: float, rated: Sequence[_Rated], asked: Sequence[Bound], now: Prediction,
    settings: dict[str, Any], n: int, tried: tuple[str, ...],
) -> Search:  # fmt: skip
    """Ways that keep inside, cheapest first; where none does, the bounds that stand in the way of the nearest."""
    kept = sorted((row for row in rated if not row.crossed), key=lambda row: (len(row.beyond), row.power))
    if not kept:
        nearest = min(rated, key=lambda row: row.off, default=None)
        words = (
            ("its range: no value there reaches the target",)
            if nearest is None
            else tuple(str(bound) for bound in nearest.crossed)
        )
        return Search(key, target, (), words, tuple(asked), tried)
    ways = tuple(_way(fit, row, asked, settings, n) for row in distinct(kept, {**now.setting, **settings})[:WAYS])
    return Search(key, target, ways, (), tuple(asked), tried)


def distinct(rows: Sequence[_Rated], now: Mapping[str, Any]) -> list[_Rated]:
    """Rows whose settings are not those of an earlier one; a setting that is named at its present value is none."""
    seen: list[dict[str, float]] = []
    out = []
    for row in rows:
        moved = {key: value for key, value in row.levers.items() if value != _rounded(key, float(now.get(key, np.nan)))}
        if moved not in seen:
            seen.append(moved)
            out.append(row)
    return out


@dataclass(frozen=True)
class _Rated:
    """A way's settings, how far it lies outside, its power, and the bounds and published limits that it crosses, in
    words; ``meets`` is which of both."""

    levers: dict[str, float]
    off: float
    power: float
    crossed: list[Bound]
    beyond: tuple[str, ...]
    meets: frozenset[str]


def crossings(fit: Fit, after: Mapping[str, Samples]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Limits that the estimate crosses, in words, and their keys."""
    out, keys = [], []
    for limit in limits_of(fit):
        key = TOLD_BY.get(limit.key, limit.key)
        if key in after and judge(limit, float(after[key][0])) in ("above", "below"):
            record = quantity(limit.key)
            made = f", made for {limit.condition}" if limit.condition else ""
            out.append(f"{record.label} {record.text(float(after[key][0]))}, {limit.bound} ({limit.kind}{made})")
            keys.append(limit.key)
    return tuple(out), tuple(keys)


def _way(fit: Fit, row: _Rated, asked: Sequence[Bound], settings: dict[str, Any], n: int) -> Way:
    now, then = predict(fit, n=n), predict(fit, {**settings, **row.levers}, n)
    after = compared(fit, now, then).then
    inside = np.ones(n, bool)
    for bound in asked:
        inside &= np.array([bound.met(float(value)) for value in held(bound.key, after, then.setting)])
    values = {name: edges(draws) for name, draws in after.items()}
    return Way(row.levers, values, float(inside.mean()), row.beyond)


def _rounded(lever: str, value: float) -> float:
    """As a ventilator takes it."""
    if lever in ("fio2", "time_low_s"):
        return round(value, 2)
    return round(value) if lever == "tidal_volume_ml" and value > 100 else round(value, 1)
