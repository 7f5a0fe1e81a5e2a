"""Whom a set-up is for, and what is refused because it can't be, or because two entries contradict each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NoReturn

from tidebench.care.preparation.request import Request
from tidebench.care.preparation.sheet import Subject
from tidebench.care.preparation.ventilation import Chooser
from tidebench.doubts import ADULT_TUBE_MM, swapped
from tidebench.errors import CaseError
from tidebench.formulas.airway_size import RULE_AGES, cole_uncuffed_mm, likely_cuffed_mm
from tidebench.formulas.weight import HEIGHTS_CM
from tidebench.limits import Group, Lungs, Policy, population
from tidebench.limits.growth import DAYS_PER_YEAR, height_for_age, weight_for_age
from tidebench.limits.record import NEWBORN_UNTIL_DAYS

MASKS = ("mask", "nasal mask", "helmet", "nasal prongs")
TUBES = ("endotracheal tube", "tracheostomy tube")
FARTHEST_Z = 6.0
"""Standard deviations from a child's median beyond which weight or height was mistyped: the WHO's own flag for weight
and height by age."""
QUESTION_Z = 3.0
ADULT_KG = (20.0, 350.0)
BODY_MASS_INDEX = (9.0, 100.0)
"""Of adults, kg/m²; beyond, weight and height contradict each other (common practice, no source)."""
TERM_WEEKS, TERM_KG = 37.0, 2.5
HEALTHY: Lungs = "healthy lungs"
NEWBORN_KG = (0.3, 7.0)
MEDIAN_PRETERM_KG = ((24, 0.69), (26, 0.90), (28, 1.13), (30, 1.40), (32, 1.76), (34, 2.19), (36, 2.66), (38, 3.11),
                     (40, 3.48))  # fmt: skip
"""Median weight at birth by completed weeks, both sexes: UK 1990 reference (secondary). For contradictions alone."""
PRETERM_SPREAD = (0.4, 2.0)
"""Of that median; beyond, weight and gestation contradict each other (common practice, no source)."""
TUBE_OFF_MM, ODD_TUBE_MM = 2.0, 1.0
"""Beyond an uncuffed tube by its rule what is refused, and beyond the rules what is asked about (this house's)."""
VERY_LIGHT_KG = 1.5
"""Very low birth weight, as WHO has it: an infant so light without a gestational age is taken for born preterm."""
BY_GROUP = {
    "newborn": ("healthy lungs", "preterm RDS"),
    "child": ("healthy lungs", "ARDS", "obstructive", "neuromuscular", "raised intracranial pressure"),
    "adult": ("healthy lungs", "ARDS", "obstructive", "neuromuscular", "raised intracranial pressure"),
}
NOT_HELD = {
    "ARDS": "Adult and paediatric definitions leave newborns out.",
    "preterm RDS": "It is the disease of lungs that lack surfactant at birth.",
}


def subject_of(request: Request, policy: Policy | None = None) -> Subject:
    """Whom the sheet is for.

    Raises
    ------
    CaseError
        Something can't be, contradicts something else, or is missing without which nothing can be prepared.
    """
    patient = request.patient
    group, reason = population(patient)
    if group is None:
        _refuse("[patient]", "no age is given", "age_years or age_days, or a gestational age")
    age = _age_years(request)
    interface = request.airway.interface or "endotracheal tube"
    if interface not in (*MASKS, *TUBES):
        _refuse("[airway], interface", f"is {interface!r}, for which no set-up of breaths is held",
                ", ".join((*TUBES, *MASKS)))  # fmt: skip
    lungs = request.condition or _unsaid(request, group)
    if lungs not in BY_GROUP[group]:
        _refuse("condition", f"is {lungs!r}, which is not held for this patient ({reason})",
                ", ".join(BY_GROUP[group]), NOT_HELD.get(lungs, ""))  # fmt: skip
    _check_swapped(request)
    if group == "adult":
        _check_adult(request)
    elif group == "child":
        _check_child(request, age)
    else:
        _check_newborn(request, lungs)
    own = policy.practice if policy else ()
    at_term = group == "newborn" and not _preterm(request)
    return Subject(group, reason, age, patient.sex, lungs, interface in MASKS, interface, own, at_term,
                   patient.weight_kg)  # fmt: skip


def _preterm(request: Request) -> bool:
    weeks, weight = request.patient.gestational_age_weeks, request.patient.weight_kg
    return weeks < TERM_WEEKS if weeks is not None else weight is None or weight < TERM_KG


def _unsaid(request: Request, group: Group) -> Lungs:
    """What is taken where no condition is stated: in the first four weeks after a preterm birth, RDS."""
    weeks, weight = request.patient.gestational_age_weeks, request.patient.weight_kg
    days = _age_days(request)
    young = days is None or days <= NEWBORN_UNTIL_DAYS
    early = weeks < TERM_WEEKS if weeks is not None else weight is not None and weight < VERY_LIGHT_KG
    return "preterm RDS" if group == "newborn" and early and young else "healthy lungs"


def questions(request: Request, subject: Subject) -> Iterator[str]:
    """What is possible and unlikely: asked about, never refused."""
    patient = request.patient
    if request.airway.interface is None:
        yield "The interface is not stated: taken for an endotracheal tube."
    if request.condition is None:
        yield f"No condition is stated: taken for {subject.lungs}{_because(request, subject)}. Is that so?"
    if subject.group == "newborn" and patient.gestational_age_weeks is None and _preterm(request):
        yield (
            f"An infant of {patient.weight_kg:g} kg, below the {TERM_KG:g} kg of low birth weight, and "
            "gestational_age_weeks is not given: taken for born preterm. After how many weeks, or is the weight wrong?"
        )
    yield from _odd_tube(request, subject)
    yield from _mask_and_tube(request, subject)
    if subject.mask and subject.lungs == "raised intracranial pressure":
        yield "A mask and raised intracranial pressure: is consciousness good enough to keep the airway?"
    if subject.group == "child" and patient.sex and subject.age_years is not None:
        for what, value, curve in (
            ("weight", patient.weight_kg, weight_for_age(patient.sex, subject.age_years)),
            ("height", patient.height_cm or patient.length_cm, height_for_age(patient.sex, subject.age_years)),
        ):
            z = 0.0 if value is None or curve is None else curve.z(value, restricted=what == "weight")
            if value is not None and curve is not None and abs(z) > QUESTION_Z:
                yield (
                    f"A {what} of {value:g} lies {abs(z):.1f} standard deviations "
                    f"{'above' if value > curve.median else 'below'} the median of that age: are both right?"
                )


def _because(request: Request, subject: Subject) -> str:
    """Why a condition that nobody stated is taken."""
    born = request.patient.gestational_age_weeks
    if subject.lungs == HEALTHY:
        return ""
    if born is not None:
        return f", since a birth at {born:g} weeks leaves lungs without surfactant"
    return f", since {request.patient.weight_kg:g} kg speak of an early birth, which leaves lungs without surfactant"


def _mask_and_tube(request: Request, subject: Subject) -> Iterator[str]:
    """A mask beside what only a tube has."""
    airway = request.airway
    size = "" if airway.tube_inner_diameter_mm is None else f"a tube of {airway.tube_inner_diameter_mm:g} mm"
    cuff = f"a cuff that is {airway.cuff}" if airway.cuff in ("inflated", "deflated") else ""
    if subject.mask and (size or cuff):
        tube = " and ".join(filter(None, (size, cuff)))
        yield f"The interface is a {subject.interface}, and {tube} is stated: which is it?"


def _odd_tube(request: Request, subject: Subject) -> Iterator[str]:
    """A tube that no rule comes near."""
    size, age = request.airway.tube_inner_diameter_mm, subject.age_years
    if subject.group == "adult" and subject.interface == TUBES[0] and size is not None:
        usual = Chooser(subject).need("adult_tube_mm")
        if not usual.low - ODD_TUBE_MM <= size <= usual.high + ODD_TUBE_MM:
            yield f"A tube of {size:g} mm in an adult, where {usual.low:g} to {usual.high:g} are usual: is it right?"
    if subject.group != "child" or subject.interface != TUBES[0] or size is None or age is None:
        return
    likely = likely_cuffed_mm(age), float(cole_uncuffed_mm(min(max(age, RULE_AGES[0]), RULE_AGES[1])))
    if not likely[0] - ODD_TUBE_MM < size < likely[1] + ODD_TUBE_MM:
        rules = f"{likely[0]:g} to {likely[1]:g}"
        yield f"A tube of {size:g} mm at {_age_words(age)}, where rules say {rules}: is it right?"


def _age_days(request: Request) -> float | None:
    years = _age_years(request)
    return None if years is None else years * DAYS_PER_YEAR


def _age_years(request: Request) -> float | None:
    patient = request.patient
    return patient.age_days / DAYS_PER_YEAR if patient.age_days is not None else patient.age_years


def _in_inches(height: float) -> str:
    """What a height would be in inches, where that may be an adult's."""
    in_cm = 2.54 * height
    return f"In inches it would be {in_cm:.0f} cm." if in_cm <= HEIGHTS_CM[1] else ""


def _check_swapped(request: Request) -> None:
    patient = request.patient
    height, weight = patient.height_cm or patient.length_cm, patient.weight_kg
    if height and weight and swapped(height, weight):
        _refuse("[patient]", f"{weight:g} kg at {height:g} cm can't both be right",
                "a weight and a height of the same person",
                f"Are they swapped? Then write weight_kg = {height:g} and height_cm = {weight:g}.")  # fmt: skip


def _check_adult(request: Request) -> None:
    patient = request.patient
    height, weight = patient.height_cm or patient.length_cm, patient.weight_kg
    if height is not None and height < HEIGHTS_CM[0]:
        _refuse("[patient], height_cm", f"is {height:g} in an adult, for whom no predicted weight is published",
                f"at least {HEIGHTS_CM[0]:g}", _in_inches(height))  # fmt: skip
    if weight is not None and not ADULT_KG[0] <= weight <= ADULT_KG[1]:
        _refuse("[patient], weight_kg", f"is {weight:g} in an adult", f"{ADULT_KG[0]:g} to {ADULT_KG[1]:g} kg",
                "Is the age in years, and the weight in kg?")  # fmt: skip
    if height and weight:
        index = weight / (height / 100.0) ** 2
        if not BODY_MASS_INDEX[0] <= index <= BODY_MASS_INDEX[1]:
            _refuse("[patient]", f"{weight:g} kg at {height:g} cm can't both be right",
                    f"a body mass index of {BODY_MASS_INDEX[0]:g} to {BODY_MASS_INDEX[1]:g}, "
                    f"not {index:.0f}")  # fmt: skip
    _check_tube(request, smallest=ADULT_TUBE_MM[0], largest=ADULT_TUBE_MM[1], whose="in an adult")


def _check_child(request: Request, age: float | None) -> None:
    patient = request.patient
    if age is None:
        return
    for sex in (patient.sex,) if patient.sex else ("female", "male"):
        curves = (
            ("weight_kg", patient.weight_kg, weight_for_age(sex, age), "kg"),
            ("height_cm", patient.height_cm, height_for_age(sex, age), "cm"),
            ("length_cm", patient.length_cm, height_for_age(sex, age), "cm"),
        )
        for key, value, curve, unit in curves:
            if value is not None and curve is not None and abs(curve.z(value, restricted=unit == "kg")) > FARTHEST_Z:
                _refuse(f"[patient], {key}", f"is {value:g} at {_age_words(age)}",
                        f"near {curve.median:.3g} {unit}, the median of that age",
                        "Is the age right, and the unit?")  # fmt: skip
    _check_index(request)
    _check_tube(request, largest=largest_tube_mm(age), smallest=3.0 if age < 2.0 else 3.5)


def _check_index(request: Request) -> None:
    """Weight against height, whatever the age."""
    patient = request.patient
    height, weight = patient.height_cm or patient.length_cm, patient.weight_kg
    if height and weight and not 7.0 <= weight / (height / 100.0) ** 2 <= 70.0:
        _refuse("[patient]", f"{weight:g} kg at {height:g} cm can't both be right",
                "a weight and a height of the same child")  # fmt: skip


def _check_newborn(request: Request, lungs: str) -> None:
    patient = request.patient
    weight, weeks = patient.weight_kg, patient.gestational_age_weeks
    if lungs == "preterm RDS" and weeks is not None and weeks >= TERM_WEEKS:
        _refuse("condition", f"is 'preterm RDS' at {weeks:g} weeks", f"a gestational age below {TERM_WEEKS:g} weeks")
    if weight is None:
        if weeks is None or weeks < TERM_WEEKS:
            born = "and the weeks at birth aren't given either: the infant may have been born preterm"
            if weeks is not None:
                born = f"the infant was born at {weeks:g} weeks"
            _refuse("[patient], weight_kg", f"is missing, {born}, and no free preterm standard is held to stand in",
                    "the weight, of today or at birth; for an infant born at term gestational_age_weeks, 37 or more: "
                    "the median of its age is taken then")  # fmt: skip
        return
    if not NEWBORN_KG[0] <= weight <= NEWBORN_KG[1]:
        _refuse("[patient], weight_kg", f"is {weight:g} in a newborn", f"{NEWBORN_KG[0]:g} to {NEWBORN_KG[1]:g} kg")
    if weeks is not None:
        _check_gestation(request, weight, weeks)
    _check_tube(request, largest=4.5, smallest=2.0)


def _check_gestation(request: Request, weight: float, weeks: float) -> None:
    """Weight against weeks since the mother's last period."""
    now = weeks + (request.patient.age_days or (request.patient.age_years or 0.0) * DAYS_PER_YEAR) / 7.0
    median = min(MEDIAN_PRETERM_KG, key=lambda row: abs(row[0] - now))[1]
    heaviest = PRETERM_SPREAD[1] * median
    if now > MEDIAN_PRETERM_KG[-1][0]:
        heaviest = NEWBORN_KG[1]
    if not PRETERM_SPREAD[0] * median <= weight <= heaviest:
        _refuse("[patient]", f"{weight:g} kg at {now:.0f} weeks since the last period can't both be right",
                f"near {median:g} kg", "Is the gestation in weeks, and the weight in kg?")  # fmt: skip


def largest_tube_mm(age_years: float) -> float:
    """The largest tube of a child that isn't refused: 2 mm more than an uncuffed one by age/4 + 4, up to 8.5."""
    return min(8.5, float(cole_uncuffed_mm(min(max(age_years, RULE_AGES[0]), RULE_AGES[1]))) + TUBE_OFF_MM)


def _check_tube(request: Request, *, largest: float, smallest: float, whose: str = "at this age") -> None:
    size = request.airway.tube_inner_diameter_mm
    if size is not None and not smallest <= size <= largest:
        _refuse("[airway], tube_inner_diameter_mm", f"is {size:g} {whose}", f"{smallest:g} to {largest:g} mm")


def _age_words(age_years: float) -> str:
    return f"{age_years:.3g} years" if age_years >= 2.0 else f"{age_years * 12.0:.0f} months"


def _refuse(where: str, problem: str, expected: str = "", remedy: str = "") -> NoReturn:
    raise CaseError(problem, where=where, expected=expected, remedy=remedy)
