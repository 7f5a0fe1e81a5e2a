"""Where ventilation starts: volumes, rate, times, pressures, oxygen, trigger, rise, cycling, each with its reason."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from tidebench.care.preparation.oxygenation import oxygen_lines, peep_tables
from tidebench.care.preparation.request import Request
from tidebench.care.preparation.sheet import Line, Section, Subject, number, of_limit, of_practice, span, told, untold
from tidebench.formulas.mechanics import emptied_fraction
from tidebench.limits import Limit, Policy, conditions_of, limits_for, practice
from tidebench.limits.practice import ITEMS, Practice

ML_PER_L = 1000.0
FULL_TIME_CONSTANTS = 3.0
"""Time constants after which 95 % of a volume has gone in, or out."""
TRIAL_AIM_ML_KG = 6.0
MIDDLE_KG = 65.0
"""Predicted weight of the adult whom ranges of compliance are taught for: between a woman of 165 and a man of 175 cm
(common practice, no source)."""
PRESSURES = ("plateau_pressure_cmh2o", "driving_pressure_cmh2o", "mechanical_power_j_min")


@dataclass(frozen=True, slots=True)
class Start:
    """What the rest of the sheet needs of the start: spans, in display units; None where it can't be told."""

    volume_ml: tuple[float, float] | None
    rate_per_min: tuple[float, float] | None
    peep_cmh2o: tuple[float, float]
    above_peep_cmh2o: tuple[float, float] | None
    fio2: tuple[float, float]
    target_ml: tuple[float, float] | None = None

    @property
    def minute_volume_l_min(self) -> tuple[float, float] | None:
        """Smallest volume at the lowest rate to largest at the highest."""
        if self.volume_ml is None or self.rate_per_min is None:
            return None
        low, high = (v * f / ML_PER_L for v, f in zip(self.volume_ml, self.rate_per_min, strict=True))
        return low, high


class Chooser:
    """Looks practice up for one subject."""

    def __init__(self, subject: Subject) -> None:
        self.subject = subject

    def get(self, item: str) -> Practice | None:
        """The record that holds, or None."""
        who = self.subject
        return practice(item, who.group, who.age_years, who.lungs, who.practice, who.weight_kg)

    def need(self, item: str) -> Practice:
        """The record that holds, of an item that every group has."""
        record = self.get(item)
        assert record is not None, item
        return record


def start_of(
    request: Request, subject: Subject, weight_kg: float | None, policy: Policy | None
) -> tuple[Start, Section]:
    """Where ventilation starts, and the section that says it."""
    look = Chooser(subject)
    if subject.mask:
        return _by_mask(request, subject, look, policy)
    volume, lines = _volumes(look, weight_kg)
    compliance, compliance_line = _compliance(request, look, weight_kg)
    above = None
    if volume and compliance:
        above = volume[0] / compliance[1], volume[1] / compliance[0]
    rate_line = of_practice(look.need("rate_per_min"), decimals=0)
    rate = _pair(rate_line)
    lines += [rate_line, *_minute_volume(look, volume, rate, weight_kg), *_times(request, look, rate)]
    oxygen, peep, fio2 = oxygen_lines(request, subject, look, policy)
    limits = limits_of(request, subject, policy)
    room = pressure_room(limits, peep)
    lines += [*oxygen, compliance_line, _expected(above, room, compliance, weight_kg)]
    lines += [*_synchrony(look), *_targets(look)]
    lines += [of_limit(limit) for limit in limits if limit.key in PRESSURES]
    aimed = next((_pair(line) for line in lines if line.key == "tidal_volume_aim_ml"), volume)
    start = Start(volume, rate, peep, above, fio2, aimed)
    return start, Section("start", "Where ventilation starts", tuple(lines), tuple(_notes(subject)),
                          peep_tables(subject, policy))  # fmt: skip


def limits_of(request: Request, subject: Subject, policy: Policy | None) -> tuple[Limit, ...]:
    """Published limits, or a house's, under the condition that is stated."""
    said = conditions_of(request.patient, subject.lungs)
    return limits_for(request.patient, conditions=said, policy=policy)


def _pair(line: Line) -> tuple[float, float]:
    assert line.low is not None
    assert line.high is not None
    return line.low, line.high


def _volumes(look: Chooser, weight_kg: float | None) -> tuple[tuple[float, float] | None, list[Line]]:
    record = look.need("tidal_volume_ml_kg")
    per_kg = of_practice(record, decimals=1)
    if weight_kg is None:
        why = "The weight for volumes is not known."
        return None, [per_kg, untold("tidal_volume_ml", "tidal volume in mL", why)]
    low, high = record.low * weight_kg, record.high * weight_kg
    decimals = 1 if high < 50 else 0
    lines = [per_kg, told("tidal_volume_ml", "tidal volume in mL", low, high, "mL",
                          f"For {number(weight_kg, 2)} kg.", decimals=decimals)]  # fmt: skip
    if look.subject.group == "adult" and record.kind == "trial target":
        aim = TRIAL_AIM_ML_KG * weight_kg
        lines.append(told("tidal_volume_aim_ml", "tidal volume aimed at", aim, aim, "mL", "6 mL/kg, the trial's aim.",
                          decimals=0, kind=record.kind, source=record.source))  # fmt: skip
    return (low, high), lines


def _minute_volume(
    look: Chooser, volume: tuple[float, float] | None, rate: tuple[float, float], weight_kg: float | None
) -> Iterator[Line]:
    if volume is None or weight_kg is None:
        return
    low, high = (v * f / ML_PER_L for v, f in zip(volume, rate, strict=True))
    decimals = 2 if high < 3 else 1
    why = "Smallest volume at the lowest rate to largest at the highest."
    record = look.get("minute_volume_ml_kg_min")
    if record is not None:
        least, most = record.low * weight_kg / ML_PER_L, record.high * weight_kg / ML_PER_L
        why += (
            f" {span(record.low, record.high, 0)} mL/kg/min is {span(least, most, decimals)} L/min, reached at "
            f"{span(ML_PER_L * least / volume[1], ML_PER_L * most / volume[0], 0)} /min."
        )
    yield told("minute_volume_l_min", "minute volume", low, high, "L/min", why, decimals=decimals,
               kind=record.kind if record else "", source=record.source if record else "")  # fmt: skip


def _times(request: Request, look: Chooser, rate: tuple[float, float]) -> Iterator[Line]:
    tau_line = _time_constant(request, look)
    tau = _pair(tau_line)
    yield tau_line
    record = look.need("inspiratory_time_s")
    least, most = (
        100.0 * emptied_fraction(time, constant) for time, constant in ((record.low, tau[1]), (record.high, tau[0]))
    )
    full = span(FULL_TIME_CONSTANTS * tau[0], FULL_TIME_CONSTANTS * tau[1], 2)
    yield of_practice(
        record,
        why=f"Three time constants, {full} s, give 95 % of the volume that a pressure can give; this gives "
        f"{span(least, most, 0)} %.{_longest(record.high, rate[1])}",
    )
    parts = look.get("expiratory_parts")
    if parts is not None:
        yield Line("ie_ratio", "I:E", f"1:{span(parts.low, parts.high, 1).replace(' to ', ' to 1:')}", parts.low,
                   parts.high, "", parts.text, parts.kind, parts.source)  # fmt: skip
    slow, fast = (60.0 / (record.low + FULL_TIME_CONSTANTS * constant) for constant in (tau[1], tau[0]))
    yield told("rate_without_trapping_per_min", "rate that leaves time to breathe out, up to", slow, fast, "/min",
               f"Above it a breath of {number(record.low, 2)} s leaves less than three time constants, the slowest to "
               "the fastest expected, and gas may stay behind: an expiratory hold shows it.", decimals=0)  # fmt: skip


def _longest(inspiration_s: float, rate_per_min: float) -> str:
    """What to know where the longest inspiration leaves too little time at the highest rate."""
    half = 30.0 / rate_per_min
    if inspiration_s <= half:
        return ""
    return f" At {rate_per_min:g} /min at most {half:.2f} s, so that expiration is not the shorter part."


def _time_constant(request: Request, look: Chooser) -> Line:
    known = request.lungs
    if known.compliance_ml_cmh2o and known.resistance_cmh2o_s_l:
        tau = known.compliance_ml_cmh2o / ML_PER_L * known.resistance_cmh2o_s_l
        return told("time_constant_s", "time constant", tau, tau, "s", "Compliance times resistance, as stated.",
                    decimals=2)  # fmt: skip
    return of_practice(look.need("time_constant_s"), why="Measured ones take its place once there are any.")


def _compliance(request: Request, look: Chooser, weight_kg: float | None) -> tuple[tuple[float, float] | None, Line]:
    stated = request.lungs.compliance_ml_cmh2o
    if stated is not None:
        line = told("compliance_ml_cmh2o", "compliance", stated, stated, "mL/cmH2O", "As stated.", decimals=2)
        return (stated, stated), line
    record = look.get("compliance_ml_cmh2o")
    if record is not None:
        return _of_an_adult(record, weight_kg)
    per_kg = look.need("compliance_ml_cmh2o_kg")
    if weight_kg is None:
        return None, of_practice(per_kg)
    low, high = per_kg.low * weight_kg, per_kg.high * weight_kg
    why = f"{span(per_kg.low, per_kg.high, 1)} mL/cmH2O/kg. {per_kg.text}".strip()
    line = told("compliance_ml_cmh2o", "compliance expected", low, high, "mL/cmH2O", why, kind=per_kg.kind,
                source=per_kg.source)  # fmt: skip
    return (low, high), line


def _of_an_adult(record: Practice, weight_kg: float | None) -> tuple[tuple[float, float], Line]:
    """The range of a middle-sized adult by this one's size; a house's own range stands as it is."""
    if record.kind == "house policy":
        return (record.low, record.high), of_practice(record, decimals=0)
    middle = f"Of an adult of {number(MIDDLE_KG)} kg predicted weight"
    if weight_kg is None:
        why = f"{middle}; this one's is not known."
        return (record.low, record.high), of_practice(record, decimals=0, why=why)
    low, high = (end * weight_kg / MIDDLE_KG for end in (record.low, record.high))
    why = (
        f"{middle} {span(record.low, record.high, 0)}, scaled by predicted weight (common practice, no source): lungs "
        f"grow with height. {record.text}"
    ).strip()
    return (low, high), told("compliance_ml_cmh2o", "compliance expected", low, high, "mL/cmH2O", why, decimals=0,
                             kind=record.kind, source=record.source)  # fmt: skip


def pressure_room(limits: Iterable[Limit], peep: tuple[float, float]) -> tuple[float, str] | None:
    """The most pressure above PEEP that driving and plateau pressure may reach [cmH2O], and which of them says so."""
    bounds = {limit.key: limit for limit in limits}
    driving, plateau = bounds.get("driving_pressure_cmh2o"), bounds.get("plateau_pressure_cmh2o")
    rooms = []
    if driving is not None and driving.high is not None:
        rooms.append((driving.high, f"driving pressure {driving.bound} ({driving.kind}, {driving.source})"))
    if plateau is not None and plateau.high is not None:
        rooms.append((plateau.high - peep[0], f"plateau {plateau.bound} ({plateau.kind}, {plateau.source})"))
    return min(rooms, default=None)


def _expected(
    above: tuple[float, float] | None,
    room: tuple[float, str] | None,
    compliance: tuple[float, float] | None,
    weight_kg: float | None,
) -> Line:
    label = "pressure above PEEP expected at rest"
    if above is None or compliance is None:
        return untold("pressure_above_peep_cmh2o", label, "Volume or compliance is not known.")
    why = "Tidal volume over compliance: where pressure control starts, and what a hold should show."
    if room is not None and weight_kg is not None and above[1] > room[0]:
        most = max(room[0], 0.0)
        low, high = most * compliance[0], most * compliance[1]
        volumes = span(low, high, 0 if high >= 50 else 1, "mL")
        per_kg = span(low / weight_kg, high / weight_kg, 1, "mL/kg")
        why += f" Beyond what is held for it, {room[1]}: within that {volumes} go in, {per_kg}, by this compliance."
        if above[0] > room[0]:
            why += " Even the smallest volume is beyond it."
    return told("pressure_above_peep_cmh2o", label, *above, "cmH2O", why, decimals=0)


def _synchrony(look: Chooser) -> Iterator[Line]:
    for item, decimals in (("trigger_flow_l_min", 1), ("trigger_pressure_cmh2o", 1), ("rise_s", 2)):
        record = look.get(item)
        if record is not None:
            yield of_practice(record, decimals=decimals)
    yield of_practice(look.need("cycling_percent"), decimals=0, label="cycling of supported breaths, of peak flow")


def saturation(look: Chooser) -> str:
    """The item that says which saturation is aimed at."""
    return "spo2_at_term" if look.subject.at_term else "spo2"


def _targets(look: Chooser) -> Iterator[Line]:
    yield replace(of_practice(look.need(saturation(look)), decimals=2), key="spo2")
    ph = look.get("ph")
    for item, decimals in (("pao2_mmhg", 0), ("paco2_mmhg", 0), ("ph", 2)):
        record = look.get(item)
        if record is not None and not (item == "paco2_mmhg" and ph is not None and record.lungs is None):
            yield of_practice(record, decimals=decimals)


def _by_mask(request: Request, subject: Subject, look: Chooser, policy: Policy | None) -> tuple[Start, Section]:
    """Support by mask: no volume is set, so none is promised."""

    def line(record: Practice, decimals: int) -> Line:
        return of_practice(record, decimals=decimals, label=subject.by_interface(ITEMS[record.item].label))

    peep = look.need("mask_peep_cmh2o")
    lines = [line(peep, 0)]
    support, rate = look.get("mask_support_cmh2o"), look.get("mask_rate_per_min")
    lines += [line(record, 0) for record in (support, rate) if record is not None]
    oxygen, _, fio2 = oxygen_lines(request, subject, look, policy)
    lines += [one for one in oxygen if one.key != "peep_cmh2o"]
    if subject.group != "newborn":  # a continuous pressure has neither
        lines += [one for one in _synchrony(look) if one.key in ("trigger_flow_l_min", "rise_s")]
    for item, decimals in (("mask_cycling_percent", 0), ("mask_longest_inspiration_s", 1)):
        record = look.get(item)
        if record is not None:
            lines.append(line(record, decimals))
    lines += _targets(look)
    notes = ["No tidal volume is promised: with a leak the exhaled volume is what can be had, and is doubtful."]
    if subject.group == "newborn":
        notes.append("For newborns by mask or prongs a continuous pressure alone is prepared here.")
    start = Start(
        None,
        (rate.low, rate.high) if rate else None,
        (peep.low, peep.high),
        (support.low, support.high) if support else None,
        fio2,
    )
    return start, Section("start", "Where support starts", tuple(lines), tuple(notes))


def _notes(subject: Subject) -> Iterator[str]:
    yield "Starting points. The first breaths, a hold and the first gas decide what follows."
    if subject.group == "newborn":
        yield "Volume-targeted from the start, with the flow sensor at the wye."
