"""A limit, whom it is for, and how a value stands to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple, Protocol

from tidebench.formulas.weight import LOWEST_FITTED_HEIGHT_CM
from tidebench.quantities import Quantity, quantity

Group = Literal["adult", "child", "newborn"]
Kind = Literal["trial target", "consensus", "association", "common practice", "house policy"]
Standing = Literal["within", "above", "below", "can't be told"]

Condition = Literal[
    "ARDS",
    "paediatric ARDS",
    "respiratory distress syndrome",
    "stiff chest wall",
    "readiness to wean",
    "breathing trial",
]
"""What a limit presupposes, where that is more than the patient's age. Nobody but a person says so; the last two bound
numbers just before, and in, a breathing trial, and are weaning's alone.
"""

ADULT_FROM_YEARS = 18.0
NEWBORN_UNTIL_DAYS = 28.0
NEWBORN_UNTIL_WEEKS = 44.0
"""Four weeks after term, counted from the mother's last period: a preterm infant is a newborn for longer."""

_DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Limit:
    """A bound that somebody published, or that a house set.

    Attributes
    ----------
    key : str
        The quantity that it bounds; bounds are in that quantity's unit.
    group : str
        Whom it is for, by age: ``adult``, ``child`` or ``newborn``.
    low, high : float or None
        Bounds, both allowed values; None where it is open.
    kind : str
        ``trial target`` (a trial aimed there), ``consensus`` (experts agreed), ``association`` (patients beyond it
        fared worse; nobody has shown that staying within helps), ``common practice`` (no source), ``house policy``.
    source : str
        Author, journal, year; the policy's title for a house's own.
    text : str
        What a reader must know of it, a sentence.
    target : float or None
        What within the bounds is aimed at.
    condition : str
        What it presupposes besides age; empty where nothing.
    above : bool
        True where the low bound itself is not allowed.
    """

    key: str
    group: Group
    low: float | None
    high: float | None
    kind: Kind
    source: str
    text: str
    target: float | None = None
    condition: Condition | None = None
    above: bool = False

    @property
    def bound(self) -> str:
        """The bounds in words: ``at most 30 cmH2O``."""
        return self._bound(quantity(self.key))

    def bound_in(self, record: Quantity, per: float) -> str:
        """The bounds as a record in another unit prints them, which is so many of the limit's: mmHg in a kPa."""
        low, high, target = (
            None if edge is None else round(edge / per, record.decimals) for edge in (self.low, self.high, self.target)
        )
        return replace(self, low=low, high=high, target=target)._bound(record)

    def _bound(self, record: Quantity) -> str:
        edges = [edge for edge in (self.low, self.high) if edge is not None]
        least = "above " if self.above else "at least "
        side = "at most " if self.low is None else least if self.high is None else ""
        aim = f", target {self.target:g}" if self.target is not None else ""
        return f"{side}{record.bounds(*edges)}{aim}"


class Patient(Protocol):
    """What must be known of a patient to choose limits; each may be None."""

    @property
    def age_years(self) -> float | None:
        """Age in years."""

    @property
    def age_days(self) -> float | None:
        """Age in days."""

    @property
    def gestational_age_weeks(self) -> float | None:
        """Gestational age at birth, in weeks."""

    @property
    def height_cm(self) -> float | None:
        """Standing height."""

    @property
    def weight_kg(self) -> float | None:
        """Actual weight."""


class Population(NamedTuple):
    """The group that a patient's limits are taken from, and why; None where it can't be told."""

    group: Group | None
    reason: str


def age_in_days(patient: Patient) -> float | None:
    """Age in days, by whichever is given."""
    if patient.age_days is None and patient.age_years is not None:
        return patient.age_years * _DAYS_PER_YEAR
    return patient.age_days


def population(patient: Patient) -> Population:
    """The group of a patient, by age.

    Newborns are up to 28 days old, or up to 44 weeks from the mother's last period; adults are 18 years or more.
    Without an age, a gestational age makes a newborn, and a height of at least 152.4 cm an adult; that is said in the
    reason. Nothing else does.
    """
    days = age_in_days(patient)
    if days is not None:
        return _by_age(days, patient.gestational_age_weeks)
    if patient.gestational_age_weeks is not None:
        return Population("newborn", "a gestational age and no age is given: taken for a newborn")
    if patient.height_cm is not None and patient.height_cm >= LOWEST_FITTED_HEIGHT_CM:
        return Population("adult", "no age is given: taken for an adult by height")
    return Population(None, "no age is given, so no limits are chosen")


def _by_age(days: float, gestational_age_weeks: float | None) -> Population:
    weeks = None if gestational_age_weeks is None else gestational_age_weeks + days / 7.0
    if days <= NEWBORN_UNTIL_DAYS or (weeks is not None and weeks < NEWBORN_UNTIL_WEEKS):
        return Population("newborn", "newborn by age")
    return (
        Population("adult", "adult by age")
        if days >= ADULT_FROM_YEARS * _DAYS_PER_YEAR
        else Population("child", "child by age")
    )


def judge(limit: Limit, value: float | None) -> Standing:
    """How a value, in the unit of the limit's quantity, stands to a limit; a bound itself is within, unless ``above``.

    None and NaN can't be told.
    """
    if value is None or math.isnan(value):
        return "can't be told"
    if limit.high is not None and value > limit.high:
        return "above"
    if limit.low is not None and (value <= limit.low if limit.above else value < limit.low):
        return "below"
    return "within"
