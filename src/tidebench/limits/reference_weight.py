"""The weight that a child of an age and a height has by growth charts, and the weight that volumes are given by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

from tidebench.formulas.growth import weight_at_body_mass_index_kg
from tidebench.formulas.weight import weight_by_age_kg
from tidebench.limits.growth import (
    STANDARD,
    STANDING_FROM_YEARS,
    body_mass_index_for_age,
    weight_for_age,
    weight_for_height,
    weight_source,
)
from tidebench.quantities import COMMON_PRACTICE

PHILLIPS = "Phillips, Nutr Clin Pract 2007;22:240 (from memory)"
TAUGHT = "advanced paediatric life support, 5th edition (from memory)"
STANDARD_UNTIL_YEARS, GROWN_YEARS = 5.0, 10.0


class Sized(Protocol):
    """What must be known of a child to tell a reference weight; each may be None."""

    @property
    def sex(self) -> Literal["female", "male"] | None:
        """Sex."""

    @property
    def height_cm(self) -> float | None:
        """Standing height."""

    @property
    def length_cm(self) -> float | None:
        """Lying length."""


@dataclass(frozen=True, slots=True)
class Reference:
    """A weight, where it can be told, with its rule."""

    kg: float | None
    rule: str
    source: str = COMMON_PRACTICE


def lower_kg(actual: float | None, reference: float | None) -> float | None:
    """The lower of actual and reference weight, of whichever is known (PALICC-2, from memory)."""
    return min((kg for kg in (actual, reference) if kg is not None), default=None)


def child_reference(patient: Sized, age: float) -> Reference:
    """The weight of a child of that age [years], by height where it is known, and the rule of it."""
    if patient.sex is None:
        if age < 13.0 and age >= 0.1:
            return Reference(weight_by_age_kg(age), "No sex is given: the rule by age alone.", TAUGHT)
        return Reference(None, "No sex is given.")
    height = patient.height_cm or patient.length_cm
    if height is not None:
        if age < STANDARD_UNTIL_YEARS:
            standing = age >= STANDING_FROM_YEARS
            curve = weight_for_height(patient.sex, height, standing=standing)
            if curve is not None:
                word = "height" if standing else "length"
                return Reference(curve.median, f"The median weight of that {word}.", STANDARD)
        index = body_mass_index_for_age(patient.sex, age)
        if index is not None:
            kg = weight_at_body_mass_index_kg(index.median, height)
            return Reference(kg, f"The median body mass index of that age, {index.median:.1f} kg/m², at that height.",
                             f"{PHILLIPS}; {STANDARD}")  # fmt: skip
    curve = weight_for_age(patient.sex, age)
    if curve is not None:
        further = "" if age < GROWN_YEARS else " From puberty on it says little of one child: measure the height."
        return Reference(
            curve.median, f"No height is given: the median weight of that age.{further}", weight_source(age)
        )
    return Reference(None, "No height is given, and no weight by age is held.")
