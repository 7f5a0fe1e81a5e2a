"""Tube size and depth by the rules that are taught, each under its author's name.

A rule is a start: the tube that is at hand half a size smaller and larger, a leak or cuff pressure, capnography and a
chest film decide. Sizes are inner diameters [mm], depths [cm] at lips or teeth, ages in years, weights in kg.
"""

from __future__ import annotations

from tidebench.formulas._domain import Number, known, within

RULE_AGES = (1.0, 14.0)
"""Years over which the rules by age are taught."""
NEWBORN_KG = (0.3, 5.0)
TOO_DEEP_BELOW_KG = 0.75
"""Below it, weight plus six was found too deep."""
ADULT_ORAL_DEPTH_CM = {"female": 21.0, "male": 23.0}
"""At the teeth: Owen & Cheney 1987 (from memory)."""


def _age(age_years: Number) -> Number:
    return within("age_years", age_years, *RULE_AGES, unit="years")


def cole_uncuffed_mm(age_years: Number) -> Number:
    """Uncuffed tube, 1 to 14 years: ``age/4 + 4``. Cole 1957."""
    return _age(age_years) / 4.0 + 4.0


def motoyama_cuffed_mm(age_years: Number) -> Number:
    """Cuffed tube, 1 to 14 years: ``age/4 + 3.5``. Motoyama 1990.

    Duracher, Paediatr Anaesth 2008;18:113 found that it fits, n = 204.
    """
    return _age(age_years) / 4.0 + 3.5


def khine_cuffed_mm(age_years: Number) -> Number:
    """Cuffed tube, 1 to 14 years: ``age/4 + 3``. Khine, Anesthesiology 1997;86:627.

    Duracher 2008 found that it matched in 21 % and that 72 % needed a larger one: about half a size too small.
    """
    return _age(age_years) / 4.0 + 3.0


def half_mm(millimetres: float) -> float:
    """To the half millimetre that tubes come in; half way, the smaller one."""
    return -(-(2.0 * millimetres - 0.5) // 1) / 2.0


def likely_cuffed_mm(age_years: float) -> float:
    """The cuffed tube that is likely at an age: 3.0 to 1 year, 3.5 to 2 years (as taught), then Motoyama's."""
    if age_years < 2.0:
        return 3.0 if age_years < 1.0 else 3.5
    return half_mm(float(motoyama_cuffed_mm(min(age_years, RULE_AGES[1]))))


INFANT_FROM_CM = 10.0
INFANT_YEARS = (28 / 365.25, 2.0)
"""Between the newborn's rule by weight and the child's by age no rule is held."""


def infant_oral_depth_cm(
    age_years: float, weight_kg: float | None, over_weight: float = 6.0, child: float = 13.0
) -> float:
    """Depth at the lips from 4 weeks to 2 years: the deeper of two lines, so that it never falls as an infant grows.

    ``weight + 6`` up to 5 kg (Tochen, J Pediatr 1979;95:1050), and from 10 cm at 4 weeks to 13 cm at 2 years, where
    ``age/2 + 12`` begins (this house's join of both rules; taught tables have 11 to 12 cm at a year). At least 3.5 kg
    is taken where no weight is known.

    Parameters
    ----------
    age_years : float
        4 weeks to 2 years.
    weight_kg : float or None
    over_weight, child : float
        What is added to the weight, and the depth at 2 years, cm.
    """
    age = within("age_years", age_years, 0.0, INFANT_YEARS[1], unit="years")
    share = max(0.0, (age - INFANT_YEARS[0]) / (INFANT_YEARS[1] - INFANT_YEARS[0]))
    by_age = min(INFANT_FROM_CM, child) + share * (child - min(INFANT_FROM_CM, child))
    by_weight = min(3.5 if weight_kg is None else weight_kg, NEWBORN_KG[1]) + over_weight
    return min(max(by_age, by_weight), child)


def oral_depth_by_age_cm(age_years: Number) -> Number:
    """Depth at the lips, 2 to 14 years: ``age/2 + 12`` (as taught; tested in 300 children)."""
    return within("age_years", age_years, 2.0, RULE_AGES[1], unit="years") / 2.0 + 12.0


def nasal_depth_by_age_cm(age_years: Number) -> Number:
    """Depth at the nostril, 2 to 14 years: ``age/2 + 15`` (as taught, from memory)."""
    return oral_depth_by_age_cm(age_years) + 3.0


def oral_depth_by_tube_cm(inner_diameter_mm: Number) -> Number:
    """Depth at the lips, tubes of 2.5 to 7 mm: ``3·ID`` (as taught, from memory)."""
    return 3.0 * within("inner_diameter_mm", inner_diameter_mm, 2.5, 7.0, unit="mm")


def tochen_depth_cm(weight_kg: Number, route: str = "oral") -> Number:
    """Depth at the lips of a newborn of 0.3 to 5 kg: ``weight + 6``; through the nose ``weight + 7``.

    Tochen, J Pediatr 1979;95:1050; the nasal form as taught. Too deep below 0.75 kg.
    """
    extra = 6.0 if known("route", route, ("oral", "nasal")) == "oral" else 7.0
    return within("weight_kg", weight_kg, *NEWBORN_KG, unit="kg") + extra


def nasal_tragus_depth_cm(nasal_tragus_cm: Number, route: str = "oral") -> Number:
    """Depth from the distance between nose and tragus [3 to 12 cm]: plus 1 at the lips, plus 2 at the nostril.

    Shukla 1997.
    """
    extra = 1.0 if known("route", route, ("oral", "nasal")) == "oral" else 2.0
    return within("nasal_tragus_cm", nasal_tragus_cm, 3.0, 12.0, unit="cm") + extra
