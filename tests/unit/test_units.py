"""Units in any usual form, and exact factors between them."""

from __future__ import annotations

from fractions import Fraction

import pytest

from tidebench.errors import OptionError
from tidebench.quantities import QUANTITIES
from tidebench.units import UNITS, factor, parse_unit


@pytest.mark.parametrize("name", UNITS)
def test_every_unit_is_understood_by_its_own_name_in_any_case(name: str) -> None:
    assert parse_unit(name) == parse_unit(f" [{name.upper()}] ") == parse_unit(name.lower()) == UNITS[name]


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("cm H2O", "cmH2O"),
        ("cmH₂O", "cmH2O"),
        ("cmH20", "cmH2O"),
        ("millibar", "mbar"),
        ("mm Hg", "mmHg"),
        ("l·min⁻¹", "L/min"),
        ("L min-1", "L/min"),
        ("L.min^-1", "L/min"),
        ("litres per minute", "L/min"),
        ("lpm", "L/min"),
        ("cc/sec", "mL/s"),
        ("ml*s^-1", "mL/s"),
        ("milliliters/minute", "mL/min"),
        ("ccm", "mL"),
        ("μV", "µV"),
        ("uV", "µV"),
        ("msec", "ms"),
        ("Vol%", "%"),
        ("percent", "%"),
    ],
)
def test_usual_forms_are_understood(text: str, name: str) -> None:
    assert parse_unit(text).name == name


@pytest.mark.parametrize("text", ["", "x", "L/min/kg", "cmH2O/L", "/", "L/", "kPa/s", "mmHg mL"])
def test_what_is_no_unit_is_refused(text: str) -> None:
    with pytest.raises(OptionError, match="is not known"):
        parse_unit(text)


def test_refusal_names_near_units_of_the_dimension_that_is_wanted() -> None:
    with pytest.raises(OptionError) as refusal:
        parse_unit("L/mim", "flow")
    assert "L/min" in refusal.value.expected
    with pytest.raises(OptionError) as refusal:
        parse_unit("zzz", "pressure")
    assert all(UNITS[name].dimension == "pressure" for name in refusal.value.expected.split("as ")[1].split(", "))


# Exact by definition: cmH2O is 98.0665 Pa, mmHg 133.322387415 Pa (conventional units), Torr 101325/760 Pa.
@pytest.mark.parametrize(
    ("have", "want", "times"),
    [
        ("cmH2O", "Pa", 98.0665),
        ("mbar", "cmH2O", 100 / 98.0665),
        ("hPa", "mbar", 1.0),
        ("kPa", "cmH2O", 1000 / 98.0665),
        ("mmHg", "Pa", 133.322387415),
        ("Torr", "Pa", 101325 / 760),
        ("L/min", "L/s", 1 / 60),
        ("mL/s", "L/min", 0.06),
        ("mL/min", "L/s", 1 / 60000),
        ("L", "mL", 1000.0),
        ("ms", "s", 0.001),
        ("min", "s", 60.0),
        ("µV", "V", 1e-6),
        ("%", "fraction", 0.01),
    ],
)
def test_factors(have: str, want: str, times: float) -> None:
    assert factor(have, want) == pytest.approx(times, rel=4e-16)


@pytest.mark.parametrize("name", UNITS)
def test_there_and_back_is_one(name: str) -> None:
    unit = UNITS[name]
    for other in UNITS.values():
        if other.dimension == unit.dimension:
            assert Fraction(unit.size, other.size) * Fraction(other.size, unit.size) == 1
            assert factor(unit, other) * factor(other, unit) == pytest.approx(1.0, rel=1e-15)


def test_factor_between_dimensions_is_refused() -> None:
    with pytest.raises(OptionError, match="L/s is a unit of flow, cmH2O of pressure"):
        factor("L/s", "cmH2O")


def test_sizes_are_exact_and_positive() -> None:
    assert all(isinstance(unit.size, Fraction) and unit.size > 0 for unit in UNITS.values())
    assert UNITS["L/min"].size == Fraction(1, 60000)


def test_units_of_recorded_channels_are_known() -> None:
    for key in ("airway_pressure", "flow", "volume", "oesophageal_pressure", "co2", "diaphragm_activity"):
        record = QUANTITIES[key]
        assert factor(record.canonical or record.unit, record.unit) > 0
