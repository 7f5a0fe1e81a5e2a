"""Weights that stand for the size of the lungs."""

from __future__ import annotations

from tidebench.formulas._domain import Number, known, within

SEXES = ("female", "male")
HEIGHTS_CM = (120.0, 250.0)
LOWEST_FITTED_HEIGHT_CM = 152.4
"""60 inches: below it the straight line for adults is an extrapolation."""

_CM_PER_INCH = 2.54


def _at_152_4_cm(sex: str) -> float:
    return 50.0 if known("sex", sex, SEXES) == "male" else 45.5


def predicted_body_weight_kg(height_cm: Number, sex: str) -> Number:
    """Predicted body weight of an adult, by which tidal volumes are given.

    Parameters
    ----------
    height_cm : float or ndarray
        Standing height [cm], 120 to 250; below 152.4 cm the line is an extrapolation, see
        :func:`is_extrapolated`. Adults only: children's lungs follow other rules.
    sex : {"female", "male"}

    Returns
    -------
    float or ndarray
        [kg].

    Notes
    -----
    ``50 (female 45.5) + 0.91·(height − 152.4)``: ARDS Network, N Engl J Med 2000;342:1301. Cards that print 2.3 kg per
    inch differ by up to 0.21 kg at 200 cm: that is :func:`devine_weight_kg`.
    """
    return _at_152_4_cm(sex) + 0.91 * (_height(height_cm) - LOWEST_FITTED_HEIGHT_CM)


def devine_weight_kg(height_cm: Number, sex: str) -> Number:
    """Devine's weight of an adult [kg]: ``50 (female 45.5) + 2.3`` per inch over 60.

    Arguments and domain as :func:`predicted_body_weight_kg`. Devine, Drug Intell Clin Pharm 1974;8:650.
    """
    return _at_152_4_cm(sex) + 2.3 * (_height(height_cm) - LOWEST_FITTED_HEIGHT_CM) / _CM_PER_INCH


def traub_johnson_weight_kg(height_cm: Number) -> Number:
    """A child's ideal weight [kg] from height [cm, 45 to 152.4]: ``1.65·h²/1000``.

    Traub & Johnson, Am J Hosp Pharm 1980;37:195 (from memory), made for 1 to 17 years.
    """
    return 1.65 * within("height_cm", height_cm, 45.0, LOWEST_FITTED_HEIGHT_CM, unit="cm") ** 2 / 1000.0


def weight_by_age_kg(age_years: float) -> float:
    """A child's weight [kg] from age alone [years, 0.1 to 12], as it is taught for emergencies.

    Below 1 year ``0.5·months + 4``, to 5 years ``2·age + 8``, to 12 years ``3·age + 7``: taught in advanced
    paediatric life support, 5th edition (from memory).
    """
    age = within("age_years", age_years, 0.1, 12.999, unit="years")
    if age < 1.0:
        return 0.5 * 12.0 * age + 4.0
    return 2.0 * age + 8.0 if age < 6.0 else 3.0 * age + 7.0


def is_extrapolated(height_cm: float) -> bool:
    """True where a height [cm] lies below 152.4 cm, so that a predicted weight extrapolates. False for NaN."""
    return height_cm < LOWEST_FITTED_HEIGHT_CM


def _height(height_cm: Number) -> Number:
    return within("height_cm", height_cm, *HEIGHTS_CM, unit="cm")
