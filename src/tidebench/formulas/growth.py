"""Growth standards as L, M and S: where a child's measure lies among children of the same age or length."""

from __future__ import annotations

import math

from tidebench.formulas._domain import positive, within

RESTRICTED_BEYOND = 3.0
"""Standard deviations beyond which weight-based measures follow the distance between the last two whole ones."""


def value_at(z: float, power: float, median: float, variation: float) -> float:
    """The measure ``z`` standard deviations from the median: ``M·(1 + L·S·z)^(1/L)``, or ``M·e^(S·z)`` at L 0.

    In the unit of the median. Cole & Green, Stat Med 1992;11:1305 (from memory). NaN where the curve has no such value.
    """
    middle, spread = positive("median", median), positive("variation", variation)
    if abs(power) < 1e-9:
        return middle * math.exp(spread * z)
    base = 1.0 + power * spread * z
    return float("nan") if base <= 0.0 else middle * base ** (1.0 / power)


def z_score(value: float, power: float, median: float, variation: float, *, restricted: bool = False) -> float:
    """Standard deviations from the median: ``((x/M)^L − 1)/(L·S)``, or ``ln(x/M)/S`` at L 0.

    Parameters
    ----------
    value : float
        The measure, above zero, in the unit of the median.
    power, median, variation : float
        L, M and S of the child's sex and age (or length).
    restricted : bool
        True for measures of weight: beyond three standard deviations the distance between the second and the third
        counts as one, as the WHO growth standards do (Methods and development, 2006, chapter 7).
    """
    size = positive("value", value)
    middle, spread = positive("median", median), positive("variation", variation)
    share = size / middle
    z = math.log(share) / spread if abs(power) < 1e-9 else (share**power - 1.0) / (power * spread)
    if not restricted or abs(z) <= RESTRICTED_BEYOND:
        return z
    side = math.copysign(1.0, z)
    third, second = (value_at(side * n, power, median, variation) for n in (3.0, 2.0))
    return side * 3.0 + (size - third) / abs(third - second)


def weight_at_body_mass_index_kg(body_mass_index: float, height_cm: float) -> float:
    """Weight [kg] of a height [cm, 45 to 250] at a body mass index [kg/m², 5 to 80]: ``BMI·(h/100)²``.

    With the median index of a child's age this is a reference weight for the height: Phillips, Nutr Clin Pract
    2007;22:240 (from memory).
    """
    height = within("height_cm", height_cm, 45.0, 250.0, unit="cm")
    return within("body_mass_index", body_mass_index, 5.0, 80.0, unit="kg/m²") * (height / 100.0) ** 2
