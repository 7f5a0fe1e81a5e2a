"""Tube size and depth with the rule named, or what a mask needs."""

from __future__ import annotations

from collections.abc import Iterator

from tidebench.care.preparation.request import Request
from tidebench.care.preparation.sheet import Line, Section, Subject, number, span, told, untold
from tidebench.formulas.airway_size import (
    ADULT_ORAL_DEPTH_CM,
    RULE_AGES,
    TOO_DEEP_BELOW_KG,
    cole_uncuffed_mm,
    khine_cuffed_mm,
    motoyama_cuffed_mm,
    nasal_depth_by_age_cm,
    nasal_tragus_depth_cm,
    newborn_tube_mm,
    oral_depth_by_age_cm,
    oral_depth_by_tube_cm,
    tochen_depth_cm,
)
from tidebench.limits import practice
from tidebench.quantities import COMMON_PRACTICE

AT_HAND = "Half a size smaller and half a size larger lie ready."
CONFIRM = (
    "No rule of depth replaces looking: CO2 in every breath, both sides moving and heard, then a chest film, and the "
    "mark at the teeth or lips written down."
)
BORDERLINE = ((1.0, 1.2), (2.0, 2.2))
COLE, MOTOYAMA = "Cole 1957", "Motoyama 1990; Duracher, Paediatr Anaesth 2008;18:113"
TOCHEN = "Tochen, J Pediatr 1979;95:1050"
TAUGHT = "as taught (from memory)"
PROGRAMME = "newborn resuscitation programme (edition from memory)"


def airway_section(request: Request, subject: Subject, weight_kg: float | None) -> Section:
    """Tube or mask."""
    if subject.mask:
        return _mask(subject)
    if subject.interface == "tracheostomy tube":
        return _tracheostomy(request)
    lines = [*_size(request, subject, weight_kg), *_depth(request, subject, weight_kg), _cuff(request, subject)]
    return Section("airway", "Tube", tuple(lines), tuple(_notes(subject, weight_kg)))


def _mask(subject: Subject) -> Section:
    lines = [Line("interface", "interface", subject.interface, why="As stated.")]
    notes = [
        "A mask that fits without being pulled tight: two sizes lie ready, skin is protected and looked at each round.",
        "A leak is expected: exhaled volume is doubtful and is read with the leak beside it.",
        "A mask leaves the airway open to the stomach: who can't cough, swallow or wake needs a tube instead.",
        "When it is to be judged (an hour is usual) and what would end the trial is agreed on before it begins.",
    ]
    if subject.interface == "helmet":
        notes.append("In a helmet high fresh gas flow washes out CO2; its inner volume makes volumes unreadable.")
    return Section("airway", "Mask", tuple(lines), tuple(notes))


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
        yield _newborn_size(weight_kg)
    else:
        yield from _child_sizes(subject.age_years or 0.0)
    stated = request.airway.tube_inner_diameter_mm
    if stated is not None:
        yield told("stated_tube_mm", "tube that lies or is planned", stated, stated, "mm", "As stated.")


def _adult_size(subject: Subject) -> Line:
    record = practice("adult_tube_mm", "adult", own=subject.practice)
    assert record is not None
    low, high = record.low, record.high
    if subject.sex is not None:
        low, high = (low, min(low + 0.5, high)) if subject.sex == "female" else (max(high - 0.5, low), high)
    return told("tube_mm", "tube, inner diameter", low, high, "mm", f"{record.text} {AT_HAND}", kind=record.kind,
                source=record.source)  # fmt: skip


def _newborn_size(weight_kg: float | None) -> Line:
    if weight_kg is None:
        return untold("tube_mm", "tube, inner diameter, uncuffed", "the weight is not known")
    size = newborn_tube_mm(min(weight_kg, 5.0))
    why = f"By weight: 2.5 below 1 kg, 3.0 below 2 kg, 3.5 from there on. {AT_HAND}"
    if any(low <= weight_kg < high for low, high in BORDERLINE):
        why += (
            f" Just above a step {number(size - 0.5)} mm went with fewer severe desaturations (registry of 7293 "
            "intubations, 2024)."
        )
    return told("tube_mm", "tube, inner diameter, uncuffed", size, size, "mm", why, kind="consensus", source=PROGRAMME)


def _child_sizes(age: float) -> Iterator[Line]:
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
    cuffed, khine, uncuffed = (_half(rule(age)) for rule in (motoyama_cuffed_mm, khine_cuffed_mm, cole_uncuffed_mm))
    if age < 2.0:
        yield told("tube_mm", "tube, inner diameter, cuffed", 3.5, 3.5, "mm", f"1 to 2 years. {AT_HAND}",
                   kind="common practice", source=TAUGHT)  # fmt: skip
    else:
        yield told("tube_mm", "tube, inner diameter, cuffed", cuffed, cuffed, "mm", f"age/4 + 3.5. {AT_HAND}",
                   kind="common practice", source=MOTOYAMA)  # fmt: skip
        yield told("khine_tube_mm", "cuffed, by another rule", khine, khine, "mm",
                   "age/4 + 3: about half a size too small in 72 % (Duracher 2008).", kind="common practice",
                   source="Khine, Anesthesiology 1997;86:627")  # fmt: skip
    yield told("uncuffed_tube_mm", "or uncuffed", uncuffed, uncuffed, "mm", "age/4 + 4.", kind="common practice",
               source=COLE)  # fmt: skip


def _half(millimetres: float) -> float:
    """To the half millimetre that tubes come in; half way, the smaller one."""
    return -(-(2.0 * millimetres - 0.5) // 1) / 2.0


def _depth(request: Request, subject: Subject, weight_kg: float | None) -> Iterator[Line]:
    route = request.tube.route
    place = "at the lips" if route == "oral" else "at the nostril"
    if subject.group == "adult":
        yield _adult_depth(subject, route)
    elif subject.group == "newborn":
        yield from _newborn_depths(request, weight_kg, place)
    else:
        yield from _child_depths(request, subject.age_years or 0.0, place)


def _adult_depth(subject: Subject, route: str) -> Line:
    if route == "nasal":
        return untold("tube_depth_cm", "depth at the nostril", "no rule for adults is held; seen with the scope")
    if subject.sex is None:
        return untold("tube_depth_cm", "depth at the teeth", "21 cm for women, 23 cm for men; no sex is given")
    depth = ADULT_ORAL_DEPTH_CM[subject.sex]
    return told("tube_depth_cm", "depth at the teeth", depth, depth, "cm", "21 for women, 23 for men.",
                kind="common practice", source="Owen & Cheney 1987 (from memory)")  # fmt: skip


def _newborn_depths(request: Request, weight_kg: float | None, place: str) -> Iterator[Line]:
    route = request.tube.route
    if weight_kg is not None:
        depth = tochen_depth_cm(min(weight_kg, 5.0), route)
        why = f"weight + {6 if route == 'oral' else 7}."
        if weight_kg < TOO_DEEP_BELOW_KG:
            why += " Below 0.75 kg this was found too deep: measure from nose to tragus instead."
        yield told("tube_depth_cm", f"depth {place}", depth, depth, "cm", why, kind="common practice", source=TOCHEN)
    yield from _by_tragus(request, place)


def _by_tragus(request: Request, place: str) -> Iterator[Line]:
    distance = request.tube.nasal_tragus_cm
    if distance is not None:
        depth = nasal_tragus_depth_cm(distance, request.tube.route)
        yield told("tragus_depth_cm", f"depth {place}, by nose to tragus", depth, depth, "cm",
                   f"distance + {1 if request.tube.route == 'oral' else 2}.", kind="common practice",
                   source="Shukla 1997")  # fmt: skip


def _child_depths(request: Request, age: float, place: str) -> Iterator[Line]:
    nasal = request.tube.route == "nasal"
    if 2.0 <= age <= RULE_AGES[1]:
        depth = nasal_depth_by_age_cm(age) if nasal else oral_depth_by_age_cm(age)
        rule, source = ("age/2 + 15.", TAUGHT) if nasal else ("age/2 + 12.", "as taught; tested in 300 children")
        yield told("tube_depth_cm", f"depth {place}", depth, depth, "cm", rule, kind="common practice", source=source)
    size = request.airway.tube_inner_diameter_mm or _likely_size(age)
    if not nasal and size <= 7.0:
        deep = oral_depth_by_tube_cm(size)
        yield told("tube_times_three_cm", f"depth {place}, by the tube", deep, deep, "cm", f"3 × {number(size)} mm.",
                   kind="common practice", source=TAUGHT)  # fmt: skip


def _likely_size(age: float) -> float:
    if age < 1.0:
        return 3.0
    if age < 2.0:
        return 3.5
    return _half(motoyama_cuffed_mm(min(age, RULE_AGES[1])))


def _cuff(request: Request, subject: Subject) -> Line:
    if request.airway.cuff == "none" or (subject.group == "newborn" and request.airway.cuff is None):
        return Line("cuff_pressure_cmh2o", "cuff", "none", why="A leak around the tube is expected and is measured.")
    return Line("cuff_pressure_cmh2o", "cuff pressure", span(20, 30, 0, "cmH2O"), 20, 30, "cmH2O",
                "Below, secretions pass; above, the trachea suffers. Measured, not felt.", "common practice",
                COMMON_PRACTICE)  # fmt: skip


def _notes(subject: Subject, weight_kg: float | None) -> Iterator[str]:
    yield CONFIRM
    if subject.group == "newborn" and weight_kg is not None and weight_kg > 5.0:
        yield "Above 5 kg the newborn rules end: the values are those at 5 kg."
