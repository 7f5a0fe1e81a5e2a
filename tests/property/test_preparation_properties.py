"""What must hold of a set-up whatever the patient: more of one thing is more of another, and units don't matter."""

from __future__ import annotations

from functools import partial
from typing import Any

from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tidebench.care.preparation import Sheet, prepare, request_from
from tidebench.formulas.dead_space import ventilation_factor
from tidebench.formulas.growth import value_at, z_score
from tidebench.formulas.oxygen_supply import (
    BAR_PER_PSI,
    blended_fio2,
    cylinder_by_bar_l,
    minutes_left,
    oxygen_flow_l_min,
)
from tidebench.limits.growth import height_for_age, weight_for_age

SEXES = st.sampled_from(["female", "male"])
CONDITIONS = st.sampled_from(["healthy lungs", "ARDS", "obstructive", "neuromuscular", "raised intracranial pressure"])


def sheet(patient: dict[str, Any], condition: str = "healthy lungs", **tables: Any) -> Sheet:
    return prepare(request_from({"patient": patient, "condition": condition, **tables}))


def low_of(told: Sheet, section: str, key: str) -> float:
    value = told.section(section).line(key).low
    assert value is not None
    return value


few = partial(settings, deadline=None, derandomize=True, database=None, phases=[Phase.generate])


@few()
@given(SEXES, st.floats(120, 220), st.floats(1, 25), CONDITIONS)
def test_the_taller_adult_gets_the_larger_volume(sex: str, height: float, more: float, condition: str) -> None:
    shorter, taller = (
        sheet({"sex": sex, "age_years": 40, "height_cm": cm}, condition) for cm in (height, height + more)
    )
    assert low_of(shorter, "start", "tidal_volume_ml") < low_of(taller, "start", "tidal_volume_ml")


@few()
@given(SEXES, st.floats(0.1, 17.9), CONDITIONS)
def test_volumes_of_children_stay_within_what_was_published(sex: str, years: float, condition: str) -> None:
    tall = height_for_age(sex, years)
    assert tall is not None
    told = sheet({"sex": sex, "age_years": years, "height_cm": tall.median}, condition)
    volume, weight = told.section("start").line("tidal_volume_ml"), low_of(told, "weight", "weight_for_volumes_kg")
    assert volume.high is not None
    assert volume.high <= 8.0 * weight + 1e-9
    assert told.section("start").line("rate_per_min").low is not None


@few()
@given(SEXES, st.floats(0.05, 9.9), st.floats(-2.9, 2.9))
def test_growth_curves_invert_and_rise(sex: str, years: float, z: float) -> None:
    curve = weight_for_age(sex, years)
    assert curve is not None
    assert abs(curve.z(curve.at(z)) - z) < 1e-6
    assert curve.at(z) < curve.at(z + 0.1)


@few()
@given(st.floats(-2, 2).filter(lambda power: abs(power) > 1e-3), st.floats(0.05, 0.2), st.floats(0.4, 2.5))
def test_far_values_stay_in_order(power: float, variation: float, share: float) -> None:
    median = 10.0
    near, far = (z_score(share * k * median, power, median, variation, restricted=True) for k in (1.0, 1.1))
    assert near < far
    assert z_score(value_at(0.0, power, median, variation), power, median, variation) == 0.0


@few()
@given(st.floats(0.21, 1.0), st.floats(0.1, 40), st.floats(0.5, 10))
def test_oxygen_is_drawn_in_proportion_and_blends_back(fio2: float, gas: float, times: float) -> None:
    oxygen = oxygen_flow_l_min(gas, fio2)
    assert abs(blended_fio2(gas - oxygen, oxygen) - fio2) < 1e-9
    assert abs(oxygen_flow_l_min(times * gas, fio2) - times * oxygen) < 1e-6


@few()
@given(st.floats(1, 50), st.floats(10, 200), st.floats(0.5, 20))
def test_minutes_do_not_depend_on_the_unit_of_pressure(capacity: float, bar: float, flow: float) -> None:
    by_psi = cylinder_by_bar_l(capacity, bar / BAR_PER_PSI * BAR_PER_PSI)
    assert abs(minutes_left(by_psi, flow) - minutes_left(cylinder_by_bar_l(capacity, bar), flow)) < 1e-6


@few()
@given(st.floats(200, 800), st.floats(20, 90), st.floats(0, 50), st.floats(1, 40))
def test_more_dead_space_asks_for_more(volume: float, anatomical: float, instrument: float, more: float) -> None:
    assert ventilation_factor(volume, anatomical, instrument) >= 1.0
    assert ventilation_factor(volume, anatomical, instrument) < ventilation_factor(
        volume, anatomical, instrument + more
    )


@few()
@given(st.floats(0.3, 1.0), st.floats(0.0, 0.6))
def test_more_oxygen_needed_is_never_less_peep(fio2: float, more: float) -> None:
    low, high = (
        sheet({"sex": "male", "age_years": 60, "height_cm": 180}, "ARDS", lungs={"fio2": min(1.0, value)})
        for value in (fio2, fio2 + more)
    )
    assert low_of(low, "start", "peep_cmh2o") <= low_of(high, "start", "peep_cmh2o")
