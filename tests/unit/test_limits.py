"""Limits: whom they are for, how values stand to them, and what a house's policy changes."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tidebench.care.logs.watched import Watched, house_limit
from tidebench.case import Patient as CasePatient
from tidebench.case import case_from
from tidebench.errors import OptionError
from tidebench.fitting.change import limits_of as limits_of_fit
from tidebench.fitting.target import house_bounds
from tidebench.limits import (
    CONDITIONS,
    PUBLISHED,
    Group,
    Limit,
    Policy,
    Standing,
    judge,
    limits_for,
    limits_of_case,
    load_policy,
    policy_statement,
    population,
)
from tidebench.limits import policy as policy_module
from tidebench.quantities import QUANTITIES


@dataclass(frozen=True)
class _Patient:
    age_years: float | None = None
    age_days: float | None = None
    gestational_age_weeks: float | None = None
    height_cm: float | None = None
    weight_kg: float | None = None


ADULT, CHILD, NEWBORN = _Patient(age_years=58), _Patient(age_years=3), _Patient(age_days=4, gestational_age_weeks=31)


@pytest.mark.parametrize("limit", PUBLISHED, ids=lambda limit: f"{limit.key} {limit.group} {limit.condition or ''}")
def test_a_published_limit_is_whole(limit: Limit) -> None:
    low, high = QUANTITIES[limit.key].plausible
    bounds = [bound for bound in (limit.low, limit.target, limit.high) if bound is not None]
    assert limit.low is not None or limit.high is not None
    assert bounds == sorted(bounds)
    assert all(low <= bound <= high for bound in bounds)
    assert limit.source
    assert limit.text.endswith(".")
    assert limit.condition is None or limit.condition in CONDITIONS
    assert limit.kind != "house policy"


def test_no_limit_stands_twice() -> None:
    places = [(limit.key, limit.group, limit.condition) for limit in PUBLISHED]
    assert len(places) == len(set(places))


@pytest.mark.parametrize(
    ("patient", "group"),
    [
        (_Patient(age_years=18), "adult"),
        (_Patient(age_years=17.9), "child"),
        (_Patient(age_years=0.5), "child"),
        (_Patient(age_days=29), "child"),
        (_Patient(age_days=28), "newborn"),
        (_Patient(age_days=60, gestational_age_weeks=28), "newborn"),
        (_Patient(age_days=60, gestational_age_weeks=35), "newborn"),
        (_Patient(age_days=60, gestational_age_weeks=36), "child"),
        (_Patient(age_years=0), "newborn"),
        (_Patient(gestational_age_weeks=31), "newborn"),
        (_Patient(height_cm=175), "adult"),
        (_Patient(height_cm=107), None),
        (_Patient(), None),
    ],
)
def test_age_chooses_the_group(patient: _Patient, group: Group | None) -> None:
    found = population(patient)
    assert found.group == group
    assert found.reason
    if patient.age_years is None and patient.age_days is None:
        assert "no age is given" in found.reason


def _limit(patient: _Patient, key: str, **said: object) -> Limit | None:
    return {limit.key: limit for limit in limits_for(patient, **said)}.get(key)  # type: ignore[arg-type]


# ARDS Network, N Engl J Med 2000;342:1301 (verified): 4 to 8, target 6 mL/kg; plateau at most 30 cmH2O. Driving
# pressure 15: Amato, N Engl J Med 2015;372:747 (from memory). Power 17: Serpa Neto, Intensive Care Med 2018;44:1914
# (verified). Children 28 and 15 cmH2O, 8 mL/kg: PALICC-2, Pediatr Crit Care Med 2023;24:143 (from memory).
@pytest.mark.parametrize(
    ("patient", "key", "bound", "kind"),
    [
        (ADULT, "vt_per_pbw_ml_kg", "4 to 8 mL/kg, target 6", "trial target"),
        (ADULT, "plateau_pressure_cmh2o", "at most 30 cmH2O", "trial target"),
        (ADULT, "driving_pressure_cmh2o", "at most 15 cmH2O", "association"),
        (ADULT, "mechanical_power_j_min", "at most 17 J/min", "association"),
        (ADULT, "intrinsic_peep_cmh2o", "at most 5 cmH2O", "common practice"),
        (CHILD, "vt_per_weight_ml_kg", "at most 8 mL/kg", "consensus"),
        (CHILD, "plateau_pressure_cmh2o", "at most 28 cmH2O", "consensus"),
        (CHILD, "driving_pressure_cmh2o", "at most 15 cmH2O", "consensus"),
        (NEWBORN, "vt_per_weight_ml_kg", "4 to 6 mL/kg", "common practice"),
        (NEWBORN, "leak_fraction", "at most 50 %", "consensus"),
    ],
)
def test_what_holds_for_whom(patient: _Patient, key: str, bound: str, kind: str) -> None:
    limit = _limit(patient, key)
    assert limit is not None
    assert (limit.bound, limit.kind) == (bound, kind)


@pytest.mark.parametrize(
    ("patient", "key"),
    [
        (CHILD, "mechanical_power_j_min"),
        (CHILD, "vt_per_pbw_ml_kg"),
        (CHILD, "p01_cmh2o"),
        (NEWBORN, "plateau_pressure_cmh2o"),
        (ADULT, "rapid_shallow_index"),
        (ADULT, "spo2"),
        (_Patient(), "plateau_pressure_cmh2o"),
    ],
)
def test_what_is_never_judged(patient: _Patient, key: str) -> None:
    assert _limit(patient, key) is None


def test_conditions_are_said_by_people() -> None:
    plateau = _limit(CHILD, "plateau_pressure_cmh2o", conditions=["stiff chest wall"])
    oxygen = _limit(ADULT, "spo2", conditions=["ARDS"])
    volume = _limit(NEWBORN, "vt_per_weight_ml_kg", conditions=["respiratory distress syndrome"])
    assert plateau is not None
    assert oxygen is not None
    assert volume is not None
    assert (plateau.high, oxygen.low, volume.high) == (32, 0.88, 5)
    with pytest.raises(OptionError, match=r"'asthma'.*ARDS"):
        limits_for(ADULT, conditions=["asthma"])  # type: ignore[list-item]


@pytest.mark.parametrize(
    ("value", "standing"),
    [
        (4.0, "within"),
        (8.0, "within"),
        (8.01, "above"),
        (3.99, "below"),
        (None, "can't be told"),
        (float("nan"), "can't be told"),
    ],
)
def test_how_a_value_stands(value: float | None, standing: Standing) -> None:
    limit = _limit(ADULT, "vt_per_pbw_ml_kg")
    assert limit is not None
    assert judge(limit, value) == standing


def test_open_bounds() -> None:
    plateau = _limit(ADULT, "plateau_pressure_cmh2o")
    acidity = _limit(CHILD, "ph", conditions=["paediatric ARDS"])
    assert plateau is not None
    assert acidity is not None
    assert judge(plateau, -5.0) == "within"
    assert judge(acidity, 7.1) == "below"
    assert judge(acidity, 7.9) == "within"
    assert acidity.bound == "at least 7.2"


def test_a_case_gives_a_patient() -> None:
    patient = CasePatient(sex="female", age_years=61.0, height_cm=165.0)
    assert population(patient).group == "adult"
    assert any(limit.key == "plateau_pressure_cmh2o" for limit in limits_for(patient))


EXAMPLE = textwrap.dedent((policy_module.__doc__ or "").partition("::")[2].partition("\nA limit of the house")[0])
"""The example that the module's documentation shows."""

POLICY = f"""{EXAMPLE}
[[limit]]
quantity = "plateau_pressure_cmh2o"
group = "child"
high = 26

[[limit]]
quantity = "end_expiratory_flow_l_min"
group = "adult"
high = 6

[[limit]]
quantity = "driving_pressure_cmh2o"
group = "adult"
high = 15
"""


def _write(folder: Path, text: str) -> Path:
    path = folder / "policy.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_house_sets_its_own(tmp_path: Path) -> None:
    policy = load_policy(_write(tmp_path, POLICY))
    used = {limit.key: limit for limit in limits_for(ADULT, policy=policy)}
    assert used["plateau_pressure_cmh2o"].high == 28
    assert used["plateau_pressure_cmh2o"].kind == "house policy"
    assert used["plateau_pressure_cmh2o"].source == "Ventilation policy, adult intensive care (2031-03-01)"
    assert used["end_expiratory_flow_l_min"].high == 6
    assert "mechanical_power_j_min" not in used
    assert used["vt_per_pbw_ml_kg"].high == 8
    statement = policy_statement(policy, ADULT)
    assert statement.startswith(
        "Limits of this house were used: Ventilation policy, adult intensive care (2031-03-01). "
    )
    assert "plateau pressure: at most 28 cmH2O instead of at most 30 cmH2O" in statement
    assert "mechanical power: not judged" in statement
    assert "end-expiratory flow: at most 6 L/min, nothing published is listed" in statement
    assert "driving pressure" not in statement


def test_a_published_exception_never_widens_a_policy(tmp_path: Path) -> None:
    policy = load_policy(_write(tmp_path, POLICY))
    limit = _limit(CHILD, "plateau_pressure_cmh2o", conditions=["stiff chest wall"], policy=policy)
    assert limit is not None
    assert limit.high == 26


def test_a_policy_that_does_not_concern_the_patient_says_so(tmp_path: Path) -> None:
    policy = load_policy(_write(tmp_path, 'title = "Policy"'))
    assert policy_statement(policy, NEWBORN) == "Limits of this house were used: Policy. They change nothing here."


ENTRY = 'title = "P"\n[[limit]]\nquantity = "peep_cmh2o"\ngroup = "adult"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "title"),
        ("title = ", "not TOML"),
        ('title = "P"\nlimits = 3', "limits"),
        ('title = "P"\nfoo = 1', "card, title, date."),
        (ENTRY.replace("peep_cmh2o", "peep"), "no quantity 'peep'"),
        (ENTRY, "no bound"),
        (ENTRY + "high = 5\nlow = 8", "low ≤ target ≤ high"),
        (ENTRY + "high = 500", "-5 to 50 cmH2O"),
        (ENTRY + "high = nan", "finite"),
        (ENTRY + 'high = "5"', "a number"),
        (ENTRY + "high = 5\nuse = false", "use = false"),
        (ENTRY.replace("adult", "grown-up") + "high = 5", "adult"),
        (ENTRY + "high = 5\n" + ENTRY.replace('title = "P"\n', "") + "high = 6", "two limits"),
    ],
)
def test_a_policy_that_is_wrong_is_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(OptionError, match=r"policy\.toml") as refused:
        load_policy(_write(tmp_path, text))
    assert said in str(refused.value)


def test_a_policy_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="no such file"):
        load_policy(tmp_path / "policy.toml")


def test_a_rehearsal_is_bound_by_limits_of_the_patient_s_own_group() -> None:
    """A house's limit for children binds no adult; one under weaning's conditions binds no rehearsal."""
    own = (
        Limit("peak_pressure_cmh2o", "child", None, 20.0, "house policy", "H5", ""),
        Limit("rate_per_min", "adult", None, 22.0, "house policy", "H5", "", condition="readiness to wean"),
        Limit("plateau_pressure_cmh2o", "adult", None, 28.0, "house policy", "H5", ""),
    )
    for patient, keys in (
        ({"age_years": 60}, {"plateau_pressure_cmh2o"}),
        ({"age_years": 6}, {"peak_pressure_cmh2o"}),
        ({}, {"plateau_pressure_cmh2o", "peak_pressure_cmh2o"}),
    ):
        review = SimpleNamespace(policy=Policy("H5", None, own, frozenset()), case=case_from({"patient": patient}))
        fit: Any = SimpleNamespace(window=SimpleNamespace(review=review))
        assert {bound.key for bound in house_bounds(fit)} == keys


@pytest.mark.parametrize(("condition", "held"), [("ARDS", True), (None, False), ("obstructive", False)])
def test_a_limit_of_a_stated_condition_holds_in_every_room(condition: str | None, held: bool) -> None:
    """A limit of a condition holds where a person says so, and nowhere else (docs/how-to/use-your-own-limits.md)."""
    low = Limit("plateau_pressure_cmh2o", "adult", None, 25.0, "house policy", "H5", "", condition="ARDS")
    house = Policy("H5", None, (low,), frozenset())
    said = {"patient": {"age_years": 60}} | ({"condition": condition} if condition else {})
    case = case_from(said)
    plateau = next(one for one in limits_of_case(case, policy=house) if one.key == low.key)
    assert plateau.high == (25.0 if held else 30.0)
    review: Any = SimpleNamespace(policy=house, case=case)
    fit: Any = SimpleNamespace(window=SimpleNamespace(review=review))
    assert bool(house_bounds(fit)) == held
    rehearsed = {one.key: one for one in limits_of_fit(fit)}
    assert rehearsed[low.key].high == plateau.high
    watched = Watched(low.key, "high", ())
    assert (house_limit(watched, case, house) is not None) == held
