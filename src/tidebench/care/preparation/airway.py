"""Tube size and depth with the rule named, or what a mask needs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from tidebench.care.preparation.request import Request
from tidebench.care.preparation.sheet import Line, Section, Subject, number, of_limit, span, told, untold
from tidebench.care.preparation.ventilation import Chooser, limits_of
from tidebench.formulas.airway_size import (
    RULE_AGES,
    TOO_DEEP_BELOW_KG,
    half_mm,
    infant_oral_depth_cm,
    khine_cuffed_mm,
    likely_cuffed_mm,
    nasal_tragus_depth_cm,
    oral_depth_by_tube_cm,
)
from tidebench.limits import Kind, Policy
from tidebench.limits.practice import Practice
from tidebench.quantities import COMMON_PRACTICE

AT_HAND = "Half a size smaller and half a size larger lie ready."
HARM = "Below, secretions pass; above, the trachea suffers."
CONFIRM = (
    "No rule of depth replaces looking: CO2 in every breath, both sides moving and heard, then a chest film, and the "
    "mark at the teeth or lips written down."
)
BORDERLINE = ((1.0, 1.2), (2.0, 2.2))
RULES_OF_DEPTH = (2.0, RULE_AGES[1])
"""Years over which depth goes by age."""
NASAL_MORE_CM = 3.0
JOINED = "this house's join of both rules"
TOO_DEEP = "found too deep below 0.75 kg: measure from nose to tragus"
HOUSE: Kind = "house policy"
TAUGHT = "as taught (from memory)"


def airway_section(request: Request, subject: Subject, weight_kg: float | None, policy: Policy | None) -> Section:
    """Tube or mask."""
    if subject.mask:
        return _mask(subject)
    if subject.interface == "tracheostomy tube":
        return _tracheostomy(request)
    lines = [*_size(request, subject, weight_kg), *_depth(request, subject, weight_kg), _cuff(request, subject, policy)]
    return Section("airway", "Tube", tuple(lines), tuple(_notes(subject, weight_kg)))


FITS = {
    "helmet": "A helmet whose collar fits the neck without strangling it: two sizes lie ready, armpits and neck are "
    "looked at each round.",
    "nasal prongs": "Prongs that fill the nostrils without pressing them white: two sizes lie ready, nose and septum "
    "are looked at each round.",
}
MASK_FITS = (
    "A mask that fits without being pulled tight: two sizes lie ready, skin is protected and looked at each round."
)
TITLES = {"helmet": "Helmet", "nasal prongs": "Prongs"}


def _mask(subject: Subject) -> Section:
    lines = [Line("interface", "interface", subject.interface, why="As stated.")]
    notes = [
        FITS.get(subject.interface, MASK_FITS),
        "A leak is expected: exhaled volume is doubtful and is read with the leak beside it.",
        "The airway stays open to the stomach: who can't cough, swallow or wake needs a tube instead.",
        "When it is to be judged (an hour is usual) and what would end the trial is agreed on before it begins.",
    ]
    if subject.interface == "helmet":
        notes.append("In a helmet high fresh gas flow washes out CO2; its inner volume makes volumes unreadable.")
    return Section("airway", TITLES.get(subject.interface, "Mask"), tuple(lines), tuple(notes))


def _tracheostomy(request: Request) -> Section:
    size = request.airway.tube_inner_diameter_mm
    line = untold("tube_mm", "tube, inner diameter", "not given; it is read off the flange")
    if size is not None:
        line = told("tube_mm", "tube, inner diameter", size, size, "mm", "As stated.")
    notes = (
        "A spare tube of the same size and one smaller, and what opens the stoma, lie at the bed.",
        "In a stoma younger than about a week a lost tube is not put back blindly: ventilate by face, call for help "
        "(common practice, no source).",
    )
    return Section("airway", "Tracheostomy tube", (line,), notes)


def _size(request: Request, subject: Subject, weight_kg: float | None) -> Iterator[Line]:
    if subject.group == "adult":
        yield _adult_size(subject)
    elif subject.group == "newborn":
        yield _newborn_size(subject, weight_kg)
    else:
        yield from _child_sizes(subject)
    stated = request.airway.tube_inner_diameter_mm
    if stated is not None:
        yield told("stated_tube_mm", "tube that lies or is planned", stated, stated, "mm", "As stated.")


def _adult_size(subject: Subject) -> Line:
    record = Chooser(subject).need("adult_tube_mm")
    low, high = record.low, record.high
    if subject.sex is not None:
        low, high = (low, min(low + 0.5, high)) if subject.sex == "female" else (max(high - 0.5, low), high)
    return told("tube_mm", "tube, inner diameter", low, high, "mm", f"{record.text} {AT_HAND}", kind=record.kind,
                source=record.source)  # fmt: skip


def _newborn_size(subject: Subject, weight_kg: float | None) -> Line:
    if weight_kg is None:
        return untold("tube_mm", "tube, inner diameter, uncuffed", "the weight is not known")
    record = Chooser(replace(subject, weight_kg=weight_kg)).need("newborn_tube_mm")
    rule = "By weight: 2.5 below 1 kg, 3.0 below 2 kg, 3.5 from there on."
    why = f"{record.text or 'As the house says.' if record.kind == HOUSE else rule} {AT_HAND}"
    if any(low <= weight_kg < high for low, high in BORDERLINE):
        why += (
            f" Just above a step {number(record.low - 0.5)} mm went with fewer severe desaturations (registry of 7293 "
            "intubations, 2024)."
        )
    return told("tube_mm", "tube, inner diameter, uncuffed", record.low, record.high, "mm", why, kind=record.kind,
                source=record.source)  # fmt: skip


def _child_sizes(subject: Subject) -> Iterator[Line]:
    age = subject.age_years or 0.0
    if age > RULE_AGES[1]:
        yield told("tube_mm", "tube, inner diameter, cuffed", 6.5, 7.5, "mm",
                   f"By the size of the adolescent: the rules by age end at 14 years. {AT_HAND}",
                   kind="common practice", source=COMMON_PRACTICE)  # fmt: skip
        return
    if age < 1.0:
        yield told("tube_mm", "tube, inner diameter, cuffed", 3.0, 3.0, "mm", f"From 3 kg to 1 year. {AT_HAND}",
                   kind="common practice", source=TAUGHT)  # fmt: skip
        yield told("uncuffed_tube_mm", "or uncuffed", 3.5, 4.0, "mm", "3.5 to about 6 months, then 4.0.",
                   kind="common practice", source=TAUGHT)  # fmt: skip
        return
    look = Chooser(subject)
    if age < 2.0:
        yield told("tube_mm", "tube, inner diameter, cuffed", 3.5, 3.5, "mm", f"1 to 2 years. {AT_HAND}",
                   kind="common practice", source=TAUGHT)  # fmt: skip
    else:
        yield _over_age(look.need("cuffed_tube_over_age_mm"), age, "tube_mm", "tube, inner diameter, cuffed", AT_HAND)
        khine = half_mm(float(khine_cuffed_mm(age)))
        yield told("khine_tube_mm", "cuffed, by another rule", khine, khine, "mm",
                   "age/4 + 3: about half a size too small in 72 % (Duracher 2008).", kind="common practice",
                   source="Khine, Anesthesiology 1997;86:627")  # fmt: skip
    yield _over_age(look.need("uncuffed_tube_over_age_mm"), age, "uncuffed_tube_mm", "or uncuffed")


def _over_age(record: Practice, age: float, key: str, label: str, further: str = "") -> Line:
    """A size by a quarter of the age and what a record adds to it."""
    low, high = (half_mm(age / 4.0 + end) for end in (record.low, record.high))
    why = f"age/4 + {span(record.low, record.high)}. {further}".strip()
    return told(key, label, low, high, "mm", why, kind=record.kind, source=record.source)


def _depth(request: Request, subject: Subject, weight_kg: float | None) -> Iterator[Line]:
    route = request.tube.route
    place = "at the lips" if route == "oral" else "at the nostril"
    if subject.group == "adult":
        yield _adult_depth(subject, route)
    elif subject.group == "newborn":
        yield from _newborn_depths(request, subject, weight_kg, place)
    else:
        yield from _child_depths(request, subject, place)


def _adult_depth(subject: Subject, route: str) -> Line:
    if route == "nasal":
        return untold("tube_depth_cm", "depth at the nostril", "no rule for adults is held; seen with the scope")
    record = Chooser(subject).need("adult_tube_depth_cm")
    if subject.sex is None:
        why = f"{record.low:g} cm for women, {record.high:g} cm for men; no sex is given"
        return untold("tube_depth_cm", "depth at the teeth", why)
    depth = record.low if subject.sex == "female" else record.high
    return told("tube_depth_cm", "depth at the teeth", depth, depth, "cm", record.text, kind=record.kind,
                source=record.source)  # fmt: skip


def _newborn_depths(request: Request, subject: Subject, weight_kg: float | None, place: str) -> Iterator[Line]:
    if weight_kg is not None:
        record, nasal = Chooser(subject).need("tube_depth_over_weight_cm"), request.tube.route == "nasal"
        low, high = (min(weight_kg, 5.0) + end + nasal for end in (record.low, record.high))
        why = f"weight + {span(record.low + nasal, record.high + nasal)}."
        line = told("tube_depth_cm", f"depth {place}", low, high, "cm", f"{why} {record.text}".strip(),
                    kind=record.kind, source=record.source)  # fmt: skip
        yield replace(line, value=f"{line.value}, {TOO_DEEP}") if weight_kg < TOO_DEEP_BELOW_KG else line
    yield from _by_tragus(request, place)


def _by_tragus(request: Request, place: str) -> Iterator[Line]:
    distance = request.tube.nasal_tragus_cm
    if distance is not None:
        depth = nasal_tragus_depth_cm(distance, request.tube.route)
        yield told("tragus_depth_cm", f"depth {place}, by nose to tragus", depth, depth, "cm",
                   f"distance + {1 if request.tube.route == 'oral' else 2}.", kind="common practice",
                   source="Shukla 1997")  # fmt: skip


def _child_depths(request: Request, subject: Subject, place: str) -> Iterator[Line]:
    nasal, age = request.tube.route == "nasal", subject.age_years or 0.0
    if age < RULES_OF_DEPTH[0]:
        yield _infant_depth(request, subject, age, place)
        return
    if age <= RULES_OF_DEPTH[1]:
        record = Chooser(subject).need("tube_depth_over_age_cm")
        more = NASAL_MORE_CM if nasal else 0.0
        low, high = (age / 2.0 + end + more for end in (record.low, record.high))
        yield told("tube_depth_cm", f"depth {place}", low, high, "cm",
                   f"age/2 + {span(record.low + more, record.high + more)}.", kind=record.kind,
                   source=TAUGHT if nasal and record.kind != HOUSE else record.source)  # fmt: skip
    size = request.airway.tube_inner_diameter_mm or likely_cuffed_mm(age)
    if not nasal and size <= 7.0:
        deep = oral_depth_by_tube_cm(size)
        yield told("tube_times_three_cm", f"depth {place}, by the tube", deep, deep, "cm", f"3 × {number(size)} mm.",
                   kind="common practice", source=TAUGHT)  # fmt: skip


def _infant_depth(request: Request, subject: Subject, age: float, place: str) -> Line:
    """From 4 weeks to 2 years: the deeper of the newborn's rule by weight and a line to the child's rule by age."""
    look, weight = Chooser(subject), request.patient.weight_kg
    by_weight, by_age = look.need("tube_depth_over_weight_cm"), look.need("tube_depth_over_age_cm")
    oral = [
        infant_oral_depth_cm(age, weight, over, RULES_OF_DEPTH[0] / 2.0 + child)
        for over, child in ((by_weight.low, by_age.low), (by_weight.high, by_age.high))
    ]
    more = 0.0
    if request.tube.route == "nasal":
        more = 1.0 + (NASAL_MORE_CM - 1.0) * age / RULES_OF_DEPTH[0]
    own = HOUSE in (by_weight.kind, by_age.kind)
    return told("tube_depth_cm", f"depth {place}", oral[0] + more, oral[1] + more, "cm",
                "Never less than a newborn's, and never past a two-year-old's: the deeper of weight + "
                f"{span(by_weight.low, by_weight.high)} up to 5 kg ({by_weight.source}) and a line from 10 cm at 4 "
                f"weeks to age/2 + {span(by_age.low, by_age.high)} at 2 years ({by_age.source}). No rule between them "
                "is held.", kind=HOUSE if own else "common practice", source=JOINED)  # fmt: skip


def _cuff(request: Request, subject: Subject, policy: Policy | None) -> Line:
    if request.airway.cuff == "none" or (subject.group == "newborn" and request.airway.cuff is None):
        return Line("cuff_pressure_cmh2o", "cuff", "none", why="A leak around the tube is expected and is measured.")
    limit = next((one for one in limits_of(request, subject, policy) if one.key == "cuff_pressure_cmh2o"), None)
    if limit is None:
        return untold("cuff_pressure_cmh2o", "cuff pressure", f"No limit is held for this group. {HARM}")
    return replace(of_limit(limit), label="cuff pressure", why=f"{limit.text or HARM} Measured, not felt.")


def _notes(subject: Subject, weight_kg: float | None) -> Iterator[str]:
    yield CONFIRM
    if subject.group == "newborn" and weight_kg is not None and weight_kg > 5.0:
        yield "Above 5 kg the newborn rules end: the values are those at 5 kg."
