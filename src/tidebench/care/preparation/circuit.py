"""Circuit check: leak and compliance of the closed breathing system, against the standard for its size."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tidebench.care.preparation.request import CircuitCheck, Request
from tidebench.care.preparation.sheet import Line, Section, Subject, Verdict, number, span, told, untold
from tidebench.care.preparation.ventilation import Start
from tidebench.case import case_from
from tidebench.errors import CaseError, OptionError, SignalError
from tidebench.formulas.breathing_system import (
    ClosedSystem,
    closed_system,
    compliance_by_volume_ml_cmh2o,
    decay_time_constant_s,
    leak_at_other_pressure,
    leak_by_decay_ml_min,
)
from tidebench.limits import Group, practice
from tidebench.limits.record import ADULT_FROM_YEARS
from tidebench.quantities import COMMON_PRACTICE

STANDARD: dict[Group, tuple[float, float]] = {"adult": (200.0, 50.0), "child": (100.0, 40.0), "newborn": (50.0, 20.0)}
"""Largest leak [mL/min] at a pressure [cmH2O], by the size of the circuit."""
SOURCE = "ISO 80601-2-12, breathing-system leak (adult in a secondary source, others from memory)"
SIZES_ML: tuple[tuple[float, Group], ...] = ((50.0, "newborn"), (300.0, "child"))
"""Tidal volume up to which a circuit counts as of that size (from memory)."""
ALIKE, DIFFER = 0.02, 0.2
"""Part of a pressure within which it is the same, and of a value beyond which two contradict each other."""
DECIDES = "The ventilator's own check of the breathing system decides; this one is a reference beside it."
LEAST_SECONDS = 3.0
MOST_SAMPLES = 2_000_000
TYPED = ("volume_ml", "pressure_cmh2o", "later_pressure_cmh2o", "seconds", "leak_ml_min", "compliance_ml_cmh2o")
"""What a recorded hold tells by itself."""
KEYS = {"after_cmh2o": "pressure_cmh2o", "end_cmh2o": "later_pressure_cmh2o"}
"""What the patient file calls the arguments of formulas."""


@dataclass(frozen=True, slots=True)
class Found:
    """Leak [mL/min] at a pressure, and compliance; None with the reason where one can't be told."""

    leak_ml_min: float | None
    at_cmh2o: float | None
    compliance_ml_cmh2o: float | None
    how: str
    reason: str = ""


def circuit_section(request: Request, subject: Subject, start: Start) -> Section:
    """Leak, compliance and the volume that stays in the tubing."""
    check = request.circuit_check
    size = _size(check, subject, start)
    limit, pressure = STANDARD[size]
    lines = [Line("circuit_size", "size of the circuit", size,
                  why="As stated." if check and check.size else "By tidal volume: up to 50 mL newborn, below 300 mL "
                  "child.")]  # fmt: skip
    if check is None:
        lines.append(untold("leak_ml_min", "leak", f"Not checked: close the patient's end, hold {pressure:g} cmH2O; "
                            f"at most {limit:g} mL/min may leak ({SOURCE})."))  # fmt: skip
        return Section("circuit", "Circuit check", (*lines, *_lost(request, None, start)), (DECIDES,))
    found = _found(request, check)
    lines += [_leak(found, limit, pressure), _compliance(found, subject, size)]
    lines += _lost(request, found.compliance_ml_cmh2o, start)
    return Section("circuit", "Circuit check", tuple(lines), (found.how, DECIDES) if found.how else (DECIDES,))


def _size(check: CircuitCheck | None, subject: Subject, start: Start) -> Group:
    if check is not None and check.size is not None:
        return check.size
    if start.volume_ml is None:
        return subject.group
    return next((size for most, size in SIZES_ML if start.volume_ml[1] <= most), "adult")


def _found(request: Request, check: CircuitCheck) -> Found:
    if check.file is not None:
        typed = [key for key in TYPED if getattr(check, key) is not None] + ["start_cmh2o"] * bool(check.start_cmh2o)
        if typed:
            raise CaseError(
                f"has a recorded hold and typed values of one ({', '.join(typed)})", where="[circuit_check]",
                expected="the file, or the values: both can't be the check",
            )  # fmt: skip
        return _recorded(request, check.file)
    try:
        return _typed(check)
    except OptionError as error:
        where = f"[circuit_check], {KEYS.get(error.where, error.where)}"
        raise CaseError(error.problem, where=where, expected=error.expected) from None


def _typed(check: CircuitCheck) -> Found:
    pressure, later, seconds = check.pressure_cmh2o, check.later_pressure_cmh2o, check.seconds
    compliance, how = _typed_compliance(check)
    if check.leak_ml_min is not None:
        if pressure is None:
            return Found(None, None, compliance, how, "the pressure of the stated leak is missing: pressure_cmh2o")
        if compliance is not None and later is not None and seconds is not None:
            fallen = leak_by_decay_ml_min(compliance, pressure, later, seconds, pressure)
            _agree("leak_ml_min", check.leak_ml_min, fallen, "mL/min", f"the fall to {later:g} cmH2O in {seconds:g} s")
        return Found(check.leak_ml_min, pressure, compliance, f"Leak as read at {pressure:g} cmH2O. {how}".strip())
    if pressure is None or later is None or seconds is None:
        lacking = "leak_ml_min, or later_pressure_cmh2o and seconds of a hold, with pressure_cmh2o"
        return Found(None, None, compliance, how, f"nothing tells it: {lacking}")
    if compliance is None:
        tau = (
            ""
            if later >= pressure
            else (f" (its time constant is {decay_time_constant_s(pressure, later, seconds):.1f} s)")
        )
        return Found(None, None, None, "", "a falling pressure alone tells only the ratio of leak and compliance"
                     f"{tau}: give volume_ml that was put in, or compliance_ml_cmh2o")  # fmt: skip
    middle = 0.5 * (pressure + later)
    leak = leak_by_decay_ml_min(compliance, pressure, later, seconds, middle)
    return Found(leak, middle, compliance, f"{how} Leak from the fall to {later:g} cmH2O in {seconds:g} s.".strip())


def _typed_compliance(check: CircuitCheck) -> tuple[float | None, str]:
    """As stated, else by the volume that was put in, and how; refused where both are there and differ."""
    stated, volume, pressure = check.compliance_ml_cmh2o, check.volume_ml, check.pressure_cmh2o
    if volume is None or pressure is None:
        return stated, "" if stated is None else "Compliance as stated."
    put_in = f"{volume:g} mL put in, {check.start_cmh2o:g} to {pressure:g} cmH2O"
    made = compliance_by_volume_ml_cmh2o(volume, check.start_cmh2o, pressure)
    if stated is None:
        return made, f"Compliance from {put_in}."
    _agree("compliance_ml_cmh2o", stated, made, "mL/cmH2O", put_in)
    return stated, "Compliance as stated."


def _agree(key: str, stated: float, made: float, unit: str, of: str) -> None:
    """Refuse a stated value beside what makes another."""
    if abs(stated - made) > DIFFER * max(stated, made):
        raise CaseError(
            f"is {stated:g} {unit}, and {of} make {number(made)}", where=f"[circuit_check], {key}",
            expected="one of the two, or values that agree within a fifth",
        )  # fmt: skip


def _recorded(request: Request, file: str) -> Found:
    from tidebench.readers import open_recording

    part = {"file": file, "flow_measured_at": "ventilator"}
    recording = open_recording(case_from({"recording": part}, folder=request.folder, name="[circuit_check]"))
    if "flow" not in recording or "airway_pressure" not in recording:
        raise SignalError("pressure and flow are both needed", where=file)
    if recording.gaps or not recording.duration_s >= LEAST_SECONDS or len(recording) > MOST_SAMPLES:
        raise SignalError(
            "this is no record of one hold", where=file,
            expected=f"at least {LEAST_SECONDS:g} s without gaps: a filling, then a hold",
        )  # fmt: skip
    try:
        seen = closed_system(recording["airway_pressure"], recording["flow"], 1.0 / recording.rate_hz)
    except OptionError as error:
        return Found(None, None, None, "", f"{error.problem}; needed: {error.expected}")
    return _from_hold(seen, recording.duration_s)


def _from_hold(seen: ClosedSystem, seconds: float) -> Found:
    middle = 0.5 * (seen.highest_cmh2o + seen.last_cmh2o)
    leak = max(0.0, seen.leak_ml_min(middle))
    if seen.compliance_ml_cmh2o <= 0.0:
        return Found(None, None, None, "", "flow and pressure of the record contradict each other: is flow positive "
                     "into the system?")  # fmt: skip
    how = (
        f"From a record of {seconds:.0f} s: {seen.volume_ml:.0f} mL flowed in, pressure rose to "
        f"{seen.highest_cmh2o:.1f} and ended at {seen.last_cmh2o:.1f} cmH2O; the fit leaves {seen.error_ml:.1f} mL "
        "unexplained. Flow is taken as measured at the ventilator."
    )
    return Found(leak, middle, seen.compliance_ml_cmh2o, how)


def _leak(found: Found, limit: float, pressure: float) -> Line:
    asked = f"at most {limit:g} mL/min at {pressure:g} cmH2O"
    if found.leak_ml_min is None or found.at_cmh2o is None:
        return untold("leak_ml_min", "leak", f"{found.reason[0].upper()}{found.reason[1:]}. The standard: {asked}.")
    low, high = leak_at_other_pressure(found.leak_ml_min, found.at_cmh2o, pressure)
    verdict: Verdict = "pass" if high <= limit else "fail" if low > limit else "not judged"
    why = f"The standard for this size: {asked}."
    if abs(found.at_cmh2o - pressure) > ALIKE * pressure:
        why += (
            f" Measured {number(found.leak_ml_min)} mL/min at {number(found.at_cmh2o)} cmH2O, carried to {pressure:g} "
            "between a laminar and an orifice-like leak."
        )
    if verdict == "not judged":
        why += f" The span lies on both sides: measure at {pressure:g} cmH2O."
    return Line("leak_ml_min", f"leak at {pressure:g} cmH2O", span(low, high, 0, "mL/min"), low, high, "mL/min", why,
                "consensus", SOURCE, verdict)  # fmt: skip


def _compliance(found: Found, subject: Subject, size: Group) -> Line:
    """Compliance beside what is usual of that size of circuit, whoever the patient is."""
    value = found.compliance_ml_cmh2o
    age = ADULT_FROM_YEARS if subject.age_years is None else subject.age_years
    usual = practice("circuit_compliance_ml_cmh2o", size, age, subject.lungs, subject.practice)
    assert usual is not None
    if value is None:
        return untold(
            "circuit_compliance_ml_cmh2o", "compliance", "A known volume is needed: volume_ml that was put in."
        )
    state = "within" if usual.low <= value <= usual.high else "below" if value < usual.low else "above"
    return told("circuit_compliance_ml_cmh2o", "compliance", value, value, "mL/cmH2O",
                f"{state.capitalize()} the usual {span(usual.low, usual.high)}; no standard's limit is held.",
                decimals=2, kind=usual.kind, source=usual.source)  # fmt: skip


def _lost(request: Request, compliance: float | None, start: Start) -> Iterator[Line]:
    """Volume that is squeezed into the tubing in each breath."""
    label = "volume left in the tubing, each breath"
    value = compliance if compliance is not None else request.circuit.compliance_ml_cmh2o
    stated = request.circuit_check.inflation_pressure_cmh2o if request.circuit_check else None
    pressure = (stated, stated) if stated is not None else start.above_peep_cmh2o
    if value is None or pressure is None:
        lacking = "compliance of the circuit" if value is None else "the pressure above PEEP"
        yield untold("lost_volume_ml", label, f"Not known: {lacking}.")
        return
    low, high = value * pressure[0], value * pressure[1]
    share = ""
    if start.volume_ml is not None:
        part = 100.0 * high / start.volume_ml[0]
        share = f" Up to {part:.0f} % of the smallest tidal volume."
    taken = (
        " The ventilator adds it, as stated." if request.circuit.volume_compensated
        else " Where the ventilator doesn't add it, the patient gets so much less."
    )  # fmt: skip
    yield told("lost_volume_ml", label, low, high, "mL", f"Compliance times {span(*pressure, 0)} cmH2O.{share}{taken}",
               decimals=1 if high < 50 else 0, kind="common practice", source=COMMON_PRACTICE)  # fmt: skip
