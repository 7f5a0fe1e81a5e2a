"""PEEP and FiO2 at the start: the published tables, in ARDS alone, and what is usual elsewhere."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from tidebench.care.preparation.request import Request
from tidebench.care.preparation.sheet import Line, Subject, Table, number, of_practice, span, told
from tidebench.limits import HIGHER_PEEP, LOWER_PEEP, Policy, Practice
from tidebench.limits.practice import ITEMS
from tidebench.limits.record import age_in_days
from tidebench.limits.starts import Pair

if TYPE_CHECKING:
    from tidebench.care.preparation.ventilation import Chooser

ARDS_NETWORK = "ARDS Network, N Engl J Med 2000;342:1301"
HIGHER = "ARDS Network, N Engl J Med 2004;351:327 (the pair 0.4 and 16 from memory: a copy prints 15)"
PALICC = "PALICC-2, Pediatr Crit Care Med 2023;24:143 (from memory)"
NO_TABLE = "FiO2 and PEEP tables are made for ARDS, and not used here."

Span = tuple[float, float]


def peep_at(rows: Iterable[Pair], fio2: float) -> tuple[float, Span]:
    """The row's FiO2, at or next above the one that is needed, and its lowest and highest PEEP [cmH2O]."""
    table = tuple(rows)
    row = min((oxygen for oxygen, _ in table if oxygen >= fio2 - 1e-9), default=max(oxygen for oxygen, _ in table))
    peeps = [peep for oxygen, peep in table if oxygen == row]
    return row, (min(peeps), max(peeps))


def oxygen_lines(
    request: Request, subject: Subject, look: Chooser, policy: Policy | None
) -> tuple[list[Line], Span, Span]:
    """Lines of PEEP and FiO2, and both as spans."""
    needed = request.lungs.fio2
    fio2 = (look.get("mask_fio2") if subject.mask else None) or look.need("fio2")
    oxygen = _at_birth(request, fio2) or of_practice(fio2, label=subject.by_interface(ITEMS[fio2.item].label))
    if needed is not None:
        oxygen = told("fio2", "FiO2 at the start", needed, needed, "", "As stated: what is needed now.", decimals=2)
    spans = (oxygen.low or 0.21, oxygen.high or 1.0)
    if subject.lungs != "ARDS":
        record = look.need("peep_cmh2o")
        return [of_practice(record, decimals=0, why=NO_TABLE), oxygen], (record.low, record.high), spans
    rows, title, kind, source = _table(subject, policy)
    if needed is None:
        lowest = rows[0][1]
        why = f"The {title} from its first row, up with the FiO2 that is needed."
        line = told("peep_cmh2o", "PEEP at the start, at least", lowest, lowest, "cmH2O", why, decimals=0, kind=kind,
                    source=source)  # fmt: skip
        return [line, oxygen], (lowest, lowest), spans
    row, peep = peep_at(rows, needed)
    why = f"The {title} at FiO2 {number(row, 2)}, for {number(needed, 2)} needed."
    line = told("peep_cmh2o", "PEEP at the start", *peep, "cmH2O", why, decimals=0, kind=kind, source=source)
    return [line, oxygen], peep, spans


def _at_birth(request: Request, record: Practice) -> Line | None:
    """FiO2 at birth by gestational age, as the guideline of the record has it; None later, and of a house's own."""
    weeks, days = request.patient.gestational_age_weeks, age_in_days(request.patient) or 0.0
    if record.group != "newborn" or record.kind == "house policy" or weeks is None or days >= 1.0:
        return None
    low, high = (0.30, 0.30) if weeks < 28 else (0.21, 0.30) if weeks < 32 else (0.21, 0.21)
    return told("fio2", "FiO2 at the start", low, high, "", f"At birth, {weeks:g} weeks. {record.text}", decimals=2,
                kind=record.kind, source=record.source)  # fmt: skip


def peep_tables(subject: Subject, policy: Policy | None) -> tuple[Table, ...]:
    """The tables that hold: the house's alone, or the published ones; none where there is no ARDS."""
    if subject.lungs != "ARDS":
        return ()
    rows, title, _, source = _table(subject, policy)
    tables = [_as_table(rows, title, source)]
    if policy is None or subject.group not in policy.peep_tables:
        tables.append(_as_table(HIGHER_PEEP, "higher PEEP table", HIGHER))
    return tuple(tables[:1] if subject.group == "child" else tables)


def _table(subject: Subject, policy: Policy | None) -> tuple[tuple[Pair, ...], str, str, str]:
    if policy is not None and subject.group in policy.peep_tables:
        return policy.peep_tables[subject.group], "house's PEEP table", "house policy", policy.name
    if subject.group == "child":
        return LOWER_PEEP, "lower PEEP table, as a floor", "consensus", f"{PALICC}; {ARDS_NETWORK}"
    return LOWER_PEEP, "lower PEEP table", "trial target", ARDS_NETWORK


def _as_table(rows: tuple[Pair, ...], title: str, source: str) -> Table:
    """One column for each FiO2, with the span of its PEEP below."""
    oxygen = dict.fromkeys(fio2 for fio2, _ in rows)
    peeps = [[peep for fio2, peep in rows if fio2 == row] for row in oxygen]
    heads = ("FiO2", *(f"{row:.2f}" if round(row, 1) != row else f"{row:.1f}" for row in oxygen))
    return Table(f"{title[0].upper()}{title[1:]}", heads, (("PEEP, cmH2O", *(span(min(p), max(p), 0) for p in peeps)),),
                 source)  # fmt: skip
