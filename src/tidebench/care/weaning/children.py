"""A child's weaning beside the paediatric guideline: its steps as the case shows them, and the trial's numbers.

The guideline (Abu-Sultaneh, Am J Respir Crit Care Med 2023;207:17) recommends methods: a bundle of readiness tests
with a breathing trial in it, how the trial is made and how long it lasts, and what goes with extubation. As far as is
remembered it sets no numbers to pass by; those that stand here are of the test that two paediatric trials used.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from tidebench.care.weaning import found
from tidebench.care.weaning.cuff import CuffLeak
from tidebench.care.weaning.failure import OBSERVED, Course, beyond, seen_sign
from tidebench.care.weaning.found import Found
from tidebench.care.weaning.item import Item
from tidebench.care.weaning.said import SIGNS, Said
from tidebench.care.weaning.trial import MINUTE_S, Trial
from tidebench.case import Case, Patient
from tidebench.limits import Limit, Policy, criteria, volume_weight_kg
from tidebench.limits.published import child_rate
from tidebench.quantities import quantity

GUIDELINE = "Abu-Sultaneh, Am J Respir Crit Care Med 2023;207:17"
MEMORY = f"{GUIDELINE} (this step from memory)"
MOST_SUPPORT_CMH2O = 10.0
"""Most used in a child's trial: 10 cmH2O above PEEP was the commonest answer of a survey (PMC9444408, abstract)."""
SHORT_MIN, LONG_MIN = 30.0, 60.0
RISK_UNSAID = "whether the risk of failure is high is not said: --said high_risk=yes or no"
DAYS_PER_YEAR = 365.25


def limits_of(patient: Patient, policy: Policy | None) -> Mapping[str, Limit]:
    """Bounds of a child's trial: rates by age, saturation, volume; the house's over them."""
    years = patient.age_years if patient.age_years is not None else (patient.age_days or 0.0) / DAYS_PER_YEAR
    by_age = child_rate(years)
    unused = policy is not None and (by_age.key, by_age.group, by_age.condition) in policy.unused
    own = criteria(patient, "breathing trial", policy=policy)
    return own if unused else {by_age.key: by_age, **own}


def steps(case: Case, trial: Trial | None, said: Said, cuff: CuffLeak | None, until_s: float) -> tuple[Item, ...]:
    """The guideline's steps, each with what the case holds for it."""
    return (
        _told(said, "readiness_bundle", GUIDELINE),
        _trial(trial),
        _support(trial, said),
        _length(trial, said),
        _strength(case, until_s),
        _leak(said, cuff),
        _told(said, "dexamethasone", MEMORY),
        _told(said, "support_after", MEMORY),
    )


def _told(said: Said, key: str, source: str) -> Item:
    answer = said.signs.get(key)
    if answer is None:
        return Item(SIGNS[key], "yes", source, "not known", why=f"a person says so: --said {key}=yes or no")
    return Item(SIGNS[key], "yes", source, "met" if answer else "not met", "yes" if answer else "no", "said")


def _trial(trial: Trial | None) -> Item:
    name, criterion = "breathing trial", "a trial belongs to the bundle"
    if trial is None:
        return Item(name, criterion, GUIDELINE, "not known", why="a recording or noted numbers of one")
    return Item(name, criterion, GUIDELINE, "met", f"by {trial.found_by}", "", trial.start_s)


def _support(trial: Trial | None, said: Said) -> Item:
    name = "support in the trial"
    criterion = "CPAP alone, or with pressure support; CPAP alone where the risk of failure is high"
    if trial is None:
        return Item(name, criterion, MEMORY, "not known", why="a breathing trial")
    words, kind, risk = trial.support.words, trial.support.kind, said.signs.get("high_risk")
    if kind == "CPAP" or (kind == "pressure support" and risk is False):
        return Item(name, criterion, MEMORY, "met", words)
    if kind == "pressure support" and risk:
        return Item(name, criterion, MEMORY, "not met", words)
    why = RISK_UNSAID if kind == "pressure support" else "the guideline speaks of CPAP with or without support"
    return Item(name, criterion, MEMORY, "not judged", words, why=why)


def _length(trial: Trial | None, said: Said) -> Item:
    name, criterion = "length of the trial", "30 min, or 60 to 120 min where the risk of failure is high"
    if trial is None:
        return Item(name, criterion, MEMORY, "not known", why="a breathing trial")
    minutes, risk = trial.duration_s / MINUTE_S, said.signs.get("high_risk")
    if risk is None and SHORT_MIN <= minutes < LONG_MIN:
        return Item(name, criterion, MEMORY, "not judged", f"{minutes:.0f} min", why=RISK_UNSAID)
    enough = minutes >= (LONG_MIN if risk else SHORT_MIN)
    return Item(name, criterion, MEMORY, "met" if enough else "not met", f"{minutes:.0f} min")


def _strength(case: Case, until_s: float) -> Item:
    """Shown without a cut: the guideline suggests measuring it, and none is agreed."""
    name, key = "maximal inspiratory pressure", "max_inspiratory_pressure_cmh2o"
    criterion = "measured where muscles may be weak or the risk is high"
    value = found.last(found.noted(case, key, float("-inf"), until_s))
    if value is None:
        return Item(name, criterion, MEMORY, "not known", why=f"{key} under [[observed]]")
    text = quantity(key).text(-abs(value.value))
    return Item(name, criterion, MEMORY, "met", text, value.origin, value.at_s, value.age_s(until_s))


def _leak(said: Said, cuff: CuffLeak | None) -> Item:
    item = _told(said, "leak_around_tube", MEMORY)
    if cuff is None or item.state != "not known":
        return item
    text, why = (
        f"{cuff.percent:.0f} % of the inspired volume",
        "adults' bounds of a cuff leak are not applied to a child",
    )
    return Item(item.name, "tested where the tube has a cuff", MEMORY, "not judged", text, "typed", why=why)


def signs(course: Course) -> tuple[Item, ...]:
    """Signs that the trial failed; ``met`` means that the sign is there."""
    return tuple(_signs(course))


def _signs(course: Course) -> Iterator[Item]:
    rates = course.minutes("rate_per_min")
    missing = f"a recording of the trial, or rate_per_min {OBSERVED}"
    for side in ("above", "below"):
        yield beyond(course, "rate for age", side, rates, "rate_per_min", missing)
    volumes, why = (
        _per_kg(course),
        f"a recording of the trial or vte_ml {OBSERVED}, and weight_kg or height_cm under [patient]",
    )
    yield beyond(course, "tidal volume", "below", volumes, "vt_per_weight_ml_kg", why)
    yield beyond(course, "SpO2", "below", course.inside("spo2"), "spo2", f"spo2 {OBSERVED}")
    for sign in ("agitation", "drowsy", "laboured"):
        yield seen_sign(course, sign)


def _per_kg(course: Course) -> list[Found]:
    weight = volume_weight_kg(course.case.patient)
    if weight is None:
        return []
    return [Found(one.value / weight, one.at_s, one.origin) for one in course.minutes("vte_ml")]
