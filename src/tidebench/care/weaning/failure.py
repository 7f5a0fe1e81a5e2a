"""Did the trial fail? The published criteria for adults, from signals where they show it and from noted numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import polars as pl

from tidebench.care.weaning import found
from tidebench.care.weaning.found import Found
from tidebench.care.weaning.item import BOLES_FAILURE, F_VT_MISSING, F_VT_WARNING, Item, State, number_text
from tidebench.care.weaning.readiness import EVER, HOUSE, lowered
from tidebench.care.weaning.said import SIGNS, Said
from tidebench.care.weaning.trial import MINUTE_S, Trial
from tidebench.case import BloodGas, Case
from tidebench.limits import Limit, judge
from tidebench.quantities import quantity

OBSERVED = "under [[observed]], timed in the trial"
BEFORE = "and one before it"
GAS = "an arterial blood gas in the trial"
PACED = "among mandatory breaths: the ventilator sets the pace"
CLOSE = 1e-9
HIGHEST = (("heart_rate_per_min", "heart rate"), ("systolic_mmhg", "systolic pressure"))
OXYGEN_BOUNDS = (50.0, 60.0)
SHARE_OF_RATE, SHARE_OF_CIRCULATION = 0.5, 0.2


@dataclass(frozen=True)
class Course:
    """What the criteria draw on: the trial, the case, all breaths, what a person says."""

    trial: Trial
    case: Case
    breaths: pl.DataFrame | None
    said: Said
    limits: Mapping[str, Limit] = field(default_factory=dict)
    source: str = BOLES_FAILURE

    @property
    def _begun(self) -> float:
        """Just after the start: what was noted at the start itself is what the trial is compared with."""
        return float(np.nextafter(self.trial.start_s, np.inf))

    def inside(self, key: str) -> list[Found]:
        """Noted numbers of the trial."""
        return found.noted(self.case, key, self._begun, self.trial.end_s)

    def before(self, key: str) -> Found | None:
        """The newest noted number up to the trial's start."""
        return found.last(found.noted(self.case, key, EVER, self.trial.start_s))

    def samples(self) -> list[tuple[BloodGas, float | None]]:
        """Arterial blood gases of the trial."""
        return found.gases(self.case, self._begun, self.trial.end_s)

    def gases(self, key: str) -> list[Found]:
        """Arterial values of the trial."""
        return found.gas_values(self.case, key, self._begun, self.trial.end_s)

    def gas_before(self, key: str) -> Found | None:
        """The newest arterial value up to the trial's start."""
        return found.last(found.gas_values(self.case, key, EVER, self.trial.start_s))

    def minutes(self, key: str) -> list[Found]:
        """Minute medians, else noted numbers."""
        told = [
            Found(value.median, one.from_s, "measured, minute medians")
            for one in self.trial.minutes if (value := one.values[key]) is not None
        ]  # fmt: skip
        return told or self.inside(key)

    def rate_before(self) -> Found | None:
        """The patient's own rate before the trial, else that of its first minute."""
        start = self.trial.start_s
        own = found.own_breaths(self.breaths, start - found.WINDOW_S, start)
        value = None if own is None else found.spread(own["rate_per_min"])
        if value is not None:
            return Found(value.median, start, "before the trial")
        noted = self.before("rate_per_min")
        if noted is not None and self.breaths is None:
            return noted
        first = self.trial.minutes[0].values["rate_per_min"] if self.trial.minutes else None
        return None if first is None else Found(first.median, start, "first minute of the trial")


def failure(course: Course) -> tuple[Item, ...]:
    """Every criterion, in the order of the table; ``met`` means that this sign of failure is there."""
    return tuple(_all(course))


def _all(course: Course) -> Iterator[Item]:
    yield _oxygen_tension(course)
    yield beyond(course, "SaO2", "below", _saturations(course), "spo2", f"spo2 {OBSERVED}, or {GAS}")
    paco2, ph = course.gases("paco2_mmhg"), course.gases("ph")
    yield beyond(course, "PaCO2", "above", paco2, "paco2_mmhg", GAS)
    yield _moved(course, "rise of PaCO2", "by more than 8 mmHg", paco2, course.gas_before("paco2_mmhg"),
                 lambda now, then: now - then > 8 + CLOSE, "paco2_mmhg", f"{GAS}, {BEFORE}")  # fmt: skip
    yield beyond(course, "pH", "below", ph, "ph", GAS)
    yield _moved(course, "fall of pH", "by at least 0.07", ph, course.gas_before("ph"),
                 lambda now, then: then - now >= 0.07 - CLOSE, "ph", f"{GAS}, {BEFORE}")  # fmt: skip
    yield _f_vt(course)
    rates = course.minutes("rate_per_min")
    yield beyond(course, "rate", "above", rates, "rate_per_min",
                  f"a recording of the trial, or rate_per_min {OBSERVED}")  # fmt: skip
    yield _moved(course, "rise of rate", "by at least 50 %", rates, course.rate_before(), _rises(SHARE_OF_RATE),
                 "rate_per_min", f"a recording of the trial, or rate_per_min {OBSERVED}, {BEFORE}")  # fmt: skip
    for key, name in HIGHEST:
        values = course.inside(key)
        yield beyond(course, name, "above", values, key, f"{key} {OBSERVED}")
        yield _moved(course, f"rise of {name}", "by at least 20 %", values, course.before(key),
                     _rises(SHARE_OF_CIRCULATION), key, f"{key} {OBSERVED}, {BEFORE}")  # fmt: skip
    yield beyond(
        course,
        "systolic pressure",
        "below",
        course.inside("systolic_mmhg"),
        "systolic_mmhg",
        f"systolic_mmhg {OBSERVED}",
    )
    for sign in ("arrhythmia", "agitation", "drowsy", "laboured"):
        yield seen_sign(course, sign)


def _rises(share: float) -> Callable[[float, float], bool]:
    return lambda now, then: now >= (1 + share) * then - CLOSE


def _saturations(course: Course) -> list[Found]:
    pulse = [replace(one, origin=found.BY_PULSE) for one in course.inside("spo2")]
    return sorted([*course.gases("sao2"), *pulse], key=lambda one: one.at_s or 0.0)


def _told(
    course: Course, name: str, criterion: str, state: State, values: list[Found], shown: Found | None, words: str,
    why: str = "",
) -> Item:  # fmt: skip
    if shown is None:
        return Item(name, criterion, course.source, state, why=why)
    count = f", {len(values)} in the trial"
    age = shown.age_s(course.trial.end_s)
    return Item(name, criterion, course.source, state, words, f"{shown.origin}{count}", shown.at_s, age, why)


def _extreme(values: list[Found], crossed: Callable[[float], bool], *, lowest: bool) -> tuple[State, Found]:
    """The value furthest towards the bound, or beyond it, the first of equals."""
    worst = (min if lowest else max)(values, key=lambda one: one.value)
    return ("met" if crossed(worst.value) else "not met"), worst


def _spell(course: Course, values: list[Found], shown: Found, crossed: Callable[[float], bool]) -> str:
    """Since when it was so, where that was before the worst, and in how many minutes, where minutes were measured."""
    over = [one for one in values if crossed(one.value)]
    if not over:
        return ""
    since = ((over[0].at_s or 0.0) - course.trial.start_s) / MINUTE_S
    if values[0].origin.startswith("measured"):
        return f"in {len(over)} of {len(values)} minutes, first after {since:.0f} min"
    return "" if over[0] is shown else f"first after {since:.0f} min of the trial"


def beyond(
    course: Course, name: str, side: Literal["above", "below"], values: list[Found], key: str, missing: str
) -> Item:  # fmt: skip
    """A sign of failure by one side of its limit, published or the house's."""
    limit = course.limits.get(key)
    bound = None if limit is None else limit.high if side == "above" else limit.low
    criterion = "none, by this house" if bound is None else f"{side} {quantity(key).bounds(bound)}"
    source = course.source if limit is None else limit.source
    if not values:
        return replace(_told(course, name, criterion, "not known", [], None, "", missing), source=source)
    low = side == "below"

    def crossed(value: float) -> bool:
        return bound is not None and (value < bound if low else value > bound)

    state, shown = _extreme(values, crossed, lowest=low)
    why = _spell(course, values, shown, crossed)
    if key == "rate_per_min" and course.trial.support.kind == "mandatory breaths":
        state, why = "not judged", PACED
    if bound is None:
        state = "not judged"
    text = number_text(key, shown.value)
    return replace(_told(course, name, criterion, state, values, shown, text, why), source=source)


def _moved(
    course: Course, name: str, criterion: str, values: list[Found], before: Found | None,
    crossed: Callable[[float, float], bool], key: str, missing: str,
) -> Item:  # fmt: skip
    if not values or before is None:
        return _told(course, name, criterion, "not known", [], None, "", missing)

    def gone(value: float) -> bool:
        return crossed(value, before.value)

    state, shown = _extreme(values, gone, lowest=name.startswith("fall"))
    words = f"{number_text(key, before.value, unit=False)} to {number_text(key, shown.value)}"
    since = f"from {before.origin}" if "trial" in before.origin else ""
    why = "; ".join(filter(None, (since, _spell(course, values, shown, gone))))
    if key == "rate_per_min" and course.trial.support.kind == "mandatory breaths":
        state, why = "not judged", PACED
    return _told(course, name, criterion, state, values, shown, words, why)


def _oxygen_tension(course: Course) -> Item:
    """The oxygen that the criterion presupposes is a house's to set; its two bounds of PaO2 are as published."""
    oxygen = course.limits.get("fio2")
    item = _tension_on(course, oxygen)
    if oxygen is None or oxygen.kind != HOUSE:
        return item
    return replace(item, source=f"{course.source}; {oxygen.source}")


def _tension_on(course: Course, oxygen: Limit | None) -> Item:
    """Between the two published bounds, and on little oxygen, nothing is claimed."""
    name, criterion = "PaO2", f"at most 50 to 60 mmHg{'' if oxygen is None else f' on FiO2 {oxygen.bound}'}"
    values = [
        (Found(gas.pao2_mmhg, at, "arterial blood gas"), fio2)
        for gas, at in course.samples()
        if gas.pao2_mmhg is not None and (fio2 := found.inspired(course.case, gas, at)) is not None
    ]  # fmt: skip
    if not values:
        return _told(course, name, criterion, "not known", [], None, "", f"{GAS}, with fio2")
    rich = [pair for pair in values if oxygen is None or judge(oxygen, pair[1]) == "within"]
    lowest, fio2 = min(rich or values, key=lambda pair: pair[0].value)
    words = f"{number_text('pao2_mmhg', lowest.value)} on FiO2 {fio2:g}"
    every = [pair[0] for pair in values]
    low, high = OXYGEN_BOUNDS
    if lowest.value > high:
        return _told(course, name, criterion, "not met", every, lowest, words)
    if not rich:
        return _told(course, name, criterion, "not judged", every, lowest, words, "taken on less oxygen")
    if lowest.value > low:
        return _told(course, name, criterion, "not judged", every, lowest, words, "between the two published bounds")
    return _told(course, name, criterion, "met", every, lowest, words)


def _f_vt(course: Course) -> Item:
    """Judged only where the trial had neither support nor PEEP."""
    key = "rapid_shallow_index"
    values = course.minutes(key)
    item = beyond(course, "f/VT", "above", values, key, f"a recording of the trial, or {F_VT_MISSING} {OBSERVED}")
    if not values or course.trial.support.none_at_all:
        return item
    why = f"taken under {course.trial.support.words}: {lowered(course.trial.support)}. {F_VT_WARNING}"
    highest = max(values, key=lambda one: one.value)
    words = f"{quantity(key).text(highest.value)} at its highest"
    if highest is not values[-1]:
        words += f", {quantity(key).text(values[-1].value)} at the end"
    unjudged = _told(course, item.name, item.criterion, "not judged", values, highest, words, why)
    return replace(unjudged, source=item.source)


def seen_sign(course: Course, sign: str) -> Item:
    """What only somebody at the bed can tell."""
    answer = course.said.signs.get(sign)
    if answer is None:
        return Item(SIGNS[sign], "seen", course.source, "not known", why=f"a person says so: --said {sign}=yes or no")
    return Item(SIGNS[sign], "seen", course.source, "met" if answer else "not met", "yes" if answer else "no", "said")
