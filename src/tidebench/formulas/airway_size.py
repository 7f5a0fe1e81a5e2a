"""Tube size and depth by the rules that are taught, each under its author's name.

A rule is a start: the tube that is at hand half a size smaller and larger, a leak or cuff pressure, capnography and a
chest film decide. Sizes are inner diameters [mm], depths [cm] at lips or teeth, ages in years, weights in kg.
"""

from __future__ import annotations

from tidebench.formulas._domain import Number, known, within

RULE_AGES = (1.0, 14.0)
"""Years over which the rules by age are taught."""
NEWBORN_KG = (0.3, 5.0)
NEWBORN_BANDS = ((1.0, 2.5), (2.0, 3.0))
"""Below this weight [kg], this tube [mm]; 3.5 mm from there on."""
NEWBORN_LARGEST_MM = 3.5
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


def oral_depth_by_age_cm(age_years: Number) -> Number:
    """Depth at the lips, 2 to 14 years: ``age/2 + 12`` (as taught; tested in 300 children)."""
    return within("age_years", age_years, 2.0, RULE_AGES[1], unit="years") / 2.0 + 12.0


def nasal_depth_by_age_cm(age_years: Number) -> Number:
    """Depth at the nostril, 2 to 14 years: ``age/2 + 15`` (as taught, from memory)."""
    return oral_depth_by_age_cm(age_years) + 3.0


def oral_depth_by_tube_cm(inner_diameter_mm: Number) -> Number:
    """Depth at the lips, tubes of 2.5 to 7 mm: ``3·ID`` (as taught, from memory)."""
    return 3.0 * within("inner_diameter_mm", inner_diameter_mm, 2.5, 7.0, unit="mm")


def newborn_tube_mm(weight_kg: float) -> float:
    """Tube of a newborn of 0.3 to 5 kg: 2.5 below 1 kg, 3.0 below 2 kg, 3.5 from there on.

    Bands of the newborn resuscitation programme (edition from memory). At 1.0 to 1.2 and 2.0 to 2.2 kg half a size
    less went with fewer severe desaturations in 7293 intubations (registry 2024).
    """
    weight = within("weight_kg", weight_kg, *NEWBORN_KG, unit="kg")
    return next((size for below, size in NEWBORN_BANDS if weight < below), NEWBORN_LARGEST_MM)


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
