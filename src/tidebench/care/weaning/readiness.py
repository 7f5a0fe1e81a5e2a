"""Ready for a breathing trial? The published list for adults, item by item, from what the case holds at a moment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from tidebench.care.weaning import found
from tidebench.care.weaning.found import Found, Support
from tidebench.care.weaning.item import BOLES_LIST, F_VT_MISSING, F_VT_WARNING, SMINA, Item, State, number_text
from tidebench.care.weaning.said import SIGNS, Said
from tidebench.case import Case
from tidebench.formulas.indices import pf_ratio_mmhg, rapid_shallow_index
from tidebench.limits import Kind, Limit, judge
from tidebench.quantities import quantity

MIP_SURE, MIP_LEAST = -25.0, -20.0
HOUSE: Kind = "house policy"
EVER = -np.inf


@dataclass(frozen=True)
class Moment:
    """What the list draws on: the case, its breaths, and when."""

    case: Case
    breaths: pl.DataFrame | None
    said: Said
    at_s: float
    weight_kg: float | None
    limits: Mapping[str, Limit] = field(default_factory=dict)

    @property
    def support(self) -> Support:
        """What the ventilator gave just before."""
        return found.support_at(self.case, self.before_s)

    @property
    def before_s(self) -> float:
        """Just before the moment; the moment itself where nothing was set before it."""
        before = float(np.nextafter(self.at_s, EVER))
        return self.at_s if self.case.setting_at(before) is None else before

    def support_of(self, seen: Found) -> Support:
        """What was given when a number was taken."""
        if seen.at_s is None or (seen.origin != "noted" and seen.at_s >= self.at_s):
            return self.support
        return found.support_at(self.case, seen.at_s)

    def noted(self, key: str) -> Found | None:
        """The newest noted number up to the moment."""
        return found.last(found.noted(self.case, key, EVER, self.at_s))

    def measured(self, key: str) -> Found | None:
        """Median over breaths just before, where the patient set the pace; else the newest noted number."""
        until = self.at_s
        if self.breaths is not None and self.breaths.height:
            until = min(until, float(self.breaths["end_s"][-1]))
        own = found.own_breaths(self.breaths, until - found.WINDOW_S, until)
        value, later = None if own is None else found.spread(own[key]), self.noted(key)
        if value is None or (later is not None and later.at_s is not None and later.at_s > until):
            return later
        return Found(value.median, until, f"measured, median of {value.n} breaths before")


def readiness(moment: Moment) -> tuple[Item, ...]:
    """Every item of the list, in its order. Age is gated by whoever calls."""
    return (
        _sign(moment, "cause_improving"),
        _cough(moment),
        _sign(moment, "secretions_few"),
        _oxygenation(moment),
        _peep(moment),
        _simple(moment, "heart rate", "heart_rate_per_min"),
        _simple(moment, "systolic pressure", "systolic_mmhg"),
        _sign(moment, "stable_circulation"),
        _awake(moment),
        _rate(moment),
        _max_pressure(moment),
        _tidal_volume(moment),
        _vital_capacity(moment),
        _f_vt(moment),
        _acidosis(moment),
    )  # fmt: skip


def _item(
    moment: Moment, name: str, criterion: str, source: str, state: State, value: str, seen: Found | None, why: str = ""
) -> Item:
    if seen is None:
        return Item(name, criterion, source, state, value, "", None, None, why)
    return Item(name, criterion, source, state, value, seen.origin, seen.at_s, seen.age_s(moment.at_s), why)


def _state(met: bool | None) -> State:
    return "not known" if met is None else "met" if met else "not met"


def _sign(moment: Moment, key: str) -> Item:
    """What only a person at the bed can tell."""
    answer = moment.said.signs.get(key)
    why = "" if answer is not None else f"a person says so: --said {key}=yes or no"
    value, origin = ("", "") if answer is None else ("yes" if answer else "no", "said")
    return Item(SIGNS[key], "yes", BOLES_LIST, _state(answer), value, origin, why=why)


def _simple(moment: Moment, name: str, key: str) -> Item:
    return _bounded(moment, name, key, moment.noted(key), f"{key} under [[observed]]")


def _bounded(moment: Moment, name: str, key: str, seen: Found | None, missing: str, unjudged: str = "") -> Item:
    """An item by its limit, published or the house's; ``unjudged`` says why a number that is there is not judged."""
    limit = moment.limits.get(key)
    criterion, source = ("none, by this house", HOUSE) if limit is None else (limit.bound, limit.source)
    if seen is None:
        return _item(moment, name, criterion, source, "not known", "", None, missing)
    value = quantity(key).text(seen.value)
    if limit is None or unjudged:
        return _item(moment, name, criterion, source, "not judged", value, seen, unjudged)
    state = _state(judge(limit, seen.value) == "within")
    return _item(moment, name, criterion, source, state, value, seen)


def _cough(moment: Moment) -> Item:
    """A person's word; a measured cough stands beside it by its own paper."""
    item = _sign(moment, "cough")
    flow = moment.said.numbers.get("cough_peak_flow_l_min")
    if flow is None:
        return item
    low = "below" if flow < 60 else "not below"
    note = f"cough peak flow {flow:g} L/min, {low} 60 L/min, under which failure is likelier ({SMINA})"
    return Item(item.name, item.criterion, item.source, item.state, item.value, item.origin,
                why=f"{note}. {item.why}".removesuffix(". "))  # fmt: skip


OXYGENATION = ("spo2", "fio2", "pf_ratio_mmhg")


def _oxygenation(moment: Moment) -> Item:
    """Saturation on little oxygen, or P/F: either will do, and only both missed is a no."""
    name, criterion, source = "oxygenation", _oxygenation_words(moment), _oxygenation_source(moment)
    parts = [part for part in (_saturation(moment), _pf(moment)) if part is not None]
    if not criterion:
        return _item(moment, name, "none, by this house", source, "not judged", "", None)
    if not parts:
        why = "an arterial blood gas with fio2, or spo2 under [[observed]] and fio2 under [[settings]]"
        return _item(moment, name, criterion, source, "not known", "", None, why)
    good = [part for part in parts if part[0]]
    _, value, seen = (good or parts)[0]
    if good or len(parts) == _alternatives(moment):
        words = value if good else "; ".join(part[1] for part in parts)
        return _item(moment, name, criterion, source, _state(bool(good)), words, seen)
    why = "one of two alternatives is missed, and the other is not known"
    return _item(moment, name, criterion, source, "not known", value, seen, why)


def _alternatives(moment: Moment) -> int:
    """How many ways to meet the criterion of oxygenation a house leaves."""
    return sum((limit := moment.limits.get(key)) is not None and limit.low is not None for key in OXYGENATION)


def _oxygenation_words(moment: Moment) -> str:
    """``SaO2 above 90 % on FiO2 at most 0.4, or P/F at least 150 mmHg``, as published or as the house has it."""
    least, oxygen, ratio = (moment.limits.get(key) for key in OXYGENATION)
    words = []
    if least is not None and least.low is not None:
        on = "" if oxygen is None else f" on FiO2 {oxygen.bound}"
        words.append(f"SaO2 {least.bound}{on}")
    if ratio is not None and ratio.low is not None:
        words.append(f"P/F at least {ratio.low:g} mmHg")
    return ", or ".join(words)


def _oxygenation_source(moment: Moment) -> str:
    sources = [limit.source for key in OXYGENATION if (limit := moment.limits.get(key)) is not None]
    return "; ".join(dict.fromkeys(sources)) or HOUSE


def _saturation(moment: Moment) -> tuple[bool, str, Found] | None:
    least, most = moment.limits.get("spo2"), moment.limits.get("fio2")
    if least is None or least.low is None:
        return None
    pairs = found.gases(moment.case, EVER, moment.at_s)
    arterial = [
        (Found(gas.sao2, at, "arterial blood gas"), fio2)
        for gas, at in pairs
        if gas.sao2 and (fio2 := found.inspired(moment.case, gas, at))
    ]  # fmt: skip
    pulse = moment.noted("spo2")
    oxygen = None if pulse is None or pulse.at_s is None else found.oxygen_at(moment.case, pulse.at_s)
    candidates = [*arterial]
    if pulse is not None and oxygen is not None:
        candidates.append((Found(pulse.value, pulse.at_s, found.BY_PULSE), oxygen))
    if not candidates:
        return None
    seen, fio2 = max(candidates, key=lambda pair: EVER if pair[0].at_s is None else pair[0].at_s)
    enough = judge(least, seen.value) == "within"
    little = most is None or judge(most, fio2) == "within"
    return enough and little, f"saturation {100 * seen.value:.0f} % on FiO2 {fio2:g}", seen


def _pf(moment: Moment) -> tuple[bool, str, Found] | None:
    limit = moment.limits.get("pf_ratio_mmhg")
    if limit is None or limit.low is None:
        return None
    for gas, at in reversed(found.gases(moment.case, EVER, moment.at_s)):
        fio2 = found.inspired(moment.case, gas, at)
        if gas.pao2_mmhg is not None and fio2 is not None:
            ratio = float(pf_ratio_mmhg(gas.pao2_mmhg, fio2, "arterial"))
            return (
                ratio >= limit.low,
                f"P/F {number_text('pf_ratio_mmhg', ratio)} on FiO2 {fio2:g}",
                Found(ratio, at, "arterial blood gas"),
            )
    return None


def _peep(moment: Moment) -> Item:
    setting = moment.case.setting_at(moment.before_s)
    if setting is not None and setting.peep_cmh2o is not None:
        seen: Found | None = Found(setting.peep_cmh2o, setting.at_s, "set")
    else:
        seen = moment.measured("peep_cmh2o")
    return _bounded(moment, "PEEP", "peep_cmh2o", seen, "peep_cmh2o under [[settings]]")


def _awake(moment: Moment) -> Item:
    """A sedation score is shown; which scale it is, the case doesn't say."""
    item = _sign(moment, "awake")
    rows = [row for row in moment.case.observed if row.sedation is not None and row.at_s <= moment.at_s]
    if not rows or item.state != "not known":
        return item
    row = rows[-1]
    why = f"the score's scale is not known; {item.why}"
    seen = Found(0.0, row.at_s, "noted")
    return _item(moment, item.name, item.criterion, item.source, "not judged", f"sedation {row.sedation}", seen, why)


def _rate(moment: Moment) -> Item:
    key, seen = "rate_per_min", moment.measured("rate_per_min")
    missing = "breaths that the patient begins, or rate_per_min under [[observed]]"
    paced = seen is not None and seen.origin == "noted" and moment.support_of(seen).kind == "mandatory breaths"
    why = "noted among mandatory breaths: the ventilator sets the pace" if paced else ""
    return _bounded(moment, "rate", key, seen, missing, why)


def _max_pressure(moment: Moment) -> Item:
    """The two published bounds differ: between them nothing is claimed."""
    name, criterion, key = "maximal inspiratory pressure", "at most −20 to −25 cmH2O", "max_inspiratory_pressure_cmh2o"
    seen = moment.noted(key)
    if _of_house(moment, key):
        held = None if seen is None else replace(seen, value=-abs(seen.value))
        return _bounded(moment, name, key, held, f"{key} under [[observed]]")
    if seen is None:
        why = "max_inspiratory_pressure_cmh2o under [[observed]]"
        return _item(moment, name, criterion, BOLES_LIST, "not known", "", None, why)
    pressure = -abs(seen.value)
    between = MIP_SURE < pressure <= MIP_LEAST
    state: State = "not judged" if between else _state(pressure <= MIP_SURE)
    why = "between the two published bounds" if between else ""
    return _item(moment, name, criterion, BOLES_LIST, state, f"−{abs(pressure):.0f} cmH2O", seen, why)


def _tidal_volume(moment: Moment) -> Item:
    name, key = "tidal volume", "vt_per_pbw_ml_kg"
    limit = moment.limits.get(key)
    source = BOLES_LIST if limit is None else limit.source
    criterion = "none, by this house" if limit is None else limit.bound
    if limit is not None and limit.kind != HOUSE:
        criterion += " (of predicted weight here)"
    seen = moment.measured("vte_ml")
    if seen is None or moment.weight_kg is None:
        missing = "volume of the patient's own breaths" if seen is None else "sex and height under [patient]"
        return _item(moment, name, criterion, source, "not known", "", seen, missing)
    per_kg = seen.value / moment.weight_kg
    value = f"{quantity('vte_ml').text(seen.value)}, {per_kg:.1f} mL/kg"
    under = moment.support_of(seen)
    if under.support_cmh2o != 0:
        why = f"taken under {under.words}: the volume is the ventilator's too"
        return _item(moment, name, criterion, source, "not judged", value, seen, why)
    if limit is None:
        return _item(moment, name, criterion, HOUSE, "not judged", value, seen)
    return _item(moment, name, criterion, source, _state(judge(limit, per_kg) == "within"), value, seen)


def _of_house(moment: Moment, key: str) -> bool:
    """True where a house has a criterion of its own, or has taken the published one away."""
    limit = moment.limits.get(key)
    return limit is None or limit.kind == HOUSE


def _vital_capacity(moment: Moment) -> Item:
    name, criterion = "vital capacity", "above 10 mL/kg (of predicted weight here)"
    volume, weight = moment.said.numbers.get("vital_capacity_ml"), moment.weight_kg
    if volume is None or weight is None:
        why = "--said vital_capacity_ml=NUMBER" if volume is None else "sex and height under [patient]"
        return _item(moment, name, criterion, BOLES_LIST, "not known", "", None, why)
    per_kg = volume / weight
    return Item(name, criterion, BOLES_LIST, _state(per_kg > 10), f"{volume:.0f} mL, {per_kg:.1f} mL/kg", "said")


def _f_vt(moment: Moment) -> Item:
    """Shown always, judged only without support and without PEEP."""
    key = "rapid_shallow_index"
    told, breathed = moment.noted(key), _breathed_f_vt(moment)
    seen = told if breathed is None or (told and (told.at_s or 0.0) > (breathed.at_s or 0.0)) else breathed
    missing = f"{F_VT_MISSING} under [[observed]], or breaths that the patient begins"
    under = None if seen is None else moment.support_of(seen)
    why = f"taken under {under.words}: {lowered(under)}. {F_VT_WARNING}" if under and not under.none_at_all else ""
    return _bounded(moment, "f/VT", key, seen, missing, why)


def lowered(under: Support) -> str:
    """What support does to f/VT: a low one is no comfort."""
    if under.kind == "not known":
        return "support or PEEP would lower it, so a low one doesn't reassure"
    return "both support and PEEP lower it, so a low one doesn't reassure"


def _breathed_f_vt(moment: Moment) -> Found | None:
    """Of breaths just before, where the patient set the pace; None where what was noted is all there is."""
    rate, volume = moment.measured("rate_per_min"), moment.measured("vte_ml")
    if rate is None or volume is None or volume.value <= 0 or "measured" not in rate.origin + volume.origin:
        return None
    return Found(float(rapid_shallow_index(rate.value, volume.value / 1000)), rate.at_s, rate.origin)


def _acidosis(moment: Moment) -> Item:
    """The list has no number for it: pH and PaCO2 are shown, a person says."""
    item = _sign(moment, "no_respiratory_acidosis")
    known = [
        (gas.ph, gas.paco2_mmhg, at)
        for gas, at in found.gases(moment.case, EVER, moment.at_s)
        if gas.ph and gas.paco2_mmhg
    ]
    if not known or item.state != "not known":
        return item
    ph, paco2, at = known[-1]
    value = f"pH {ph:.2f}, PaCO2 {number_text('paco2_mmhg', paco2)}"
    why = f"the list has no number; {item.why}"
    seen = Found(0.0, at, "arterial blood gas")
    return _item(moment, item.name, item.criterion, item.source, "not judged", value, seen, why)
