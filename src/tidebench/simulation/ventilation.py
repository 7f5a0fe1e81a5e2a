"""The ventilator: inflation types, ventilation patterns, triggers, cycling and valves, in the words of ISO 19223.

Generic physics of a blower, two valves and a clock. Inspiratory gas comes through a resistance until the highest flow;
the expiratory valve lets gas out through another; what they aim at follows the command with the valves' own time.
During expiration only base flow (and what compensates the leak) is on offer, so that an effort has to pull for more;
all of it is where a level is being built up, and where nothing assists the patient.
"""

from __future__ import annotations

import numpy as np

from tidebench.kernels import kernel, part
from tidebench.simulation.effort import QUARTER
from tidebench.simulation.layout import (
    ASSIST_CONTROL,
    BI_LEVEL,
    BY_FLOW,
    BY_PRESSURE,
    BY_TIME,
    CMV,
    CONSTANT,
    DECELERATING,
    DISCONNECTION,
    EXPIRATION,
    EXPIRATORY_HOLD,
    FROM_PATIENT,
    FROM_TIME,
    HELD,
    HIGH_LEVEL,
    IMV,
    INFLATION,
    INSPIRATORY_HOLD,
    NONE,
    OCCLUDED,
    OCCLUSION,
    OPEN,
    PAUSE,
    PRESSURE,
    SIMV,
    SPONTANEOUS,
    SPONTANEOUS_TIMED,
    SUPPORT,
    TARGETED_PRESSURE,
    TARGETED_SUPPORT,
    UNASSISTED,
    VOLUME,
    Record,
)

NEVER = 1e18
NOW = 1e-9  # s: times closer than this are the same
OPEN_RESISTANCE = 0.5  # cmH2O·s/L of an open connector
RELIEF_RESISTANCE = 1e-3  # cmH2O·s/L of what lets gas out at the pressure limit: next to none
GAIN = 0.8  # of the volume error that the next inflation makes good
FIRST_ABOVE = 10.0  # cmH2O of the first volume-targeted inflation
LEAST_ABOVE = 3.0
LONGEST_OCCLUSION_S, PULLED = 6.0, 1.0  # s without an effort; cmH2O that show one
EBBED = 0.05  # of peak inspiratory flow: what is left of expiration does not matter
REACHED = 0.5  # cmH2O below a level that is as good as reached
LONGEST_WAIT_S = 8.0  # for a calm that heartbeat, a leak or water may never let come
OPENS = 5.0  # time constants in which the expiratory valve has opened
CALM_S = 0.3  # without the criterion, after which gas that moved with a level, or back into the lung, has settled


@part
def volume_flow(machine: Record, v: Record, time: float) -> float:
    """Flow of a volume-controlled inflation at a time, L/s."""
    volume = machine.tidal_volume
    if machine.compensates_compliance > 0.0:
        volume += machine.circuit_compliance * max(0.0, v.end_pressure - v.base)
    share = (time - v.start) / machine.volume_time
    if machine.flow_shape == CONSTANT:
        return volume / machine.volume_time
    if machine.flow_shape == DECELERATING:
        return 2.0 * volume / machine.volume_time * max(0.0, 1.0 - share)
    return 0.5 * np.pi * volume / machine.volume_time * np.sin(np.pi * min(max(share, 0.0), 1.0))


@part
def commanded(machine: Record, v: Record, time: float) -> float:
    """Pressure that the valves are told to keep, cmH2O."""
    base = v.base
    if v.base > v.base_before and time < v.base_since + machine.rise:
        base = v.base_before + (v.base - v.base_before) * (time - v.base_since) / machine.rise
    if v.phase != INFLATION or v.kind == VOLUME:
        return base
    goal = v.command
    if time < v.start + machine.rise:
        return v.begun_at_pressure + (goal - v.begun_at_pressure) * (time - v.start) / machine.rise
    return goal


@part
def follow(machine: Record, v: Record, time: float, h: float) -> float:
    """Move what the valves aim at over one step; returns its middle."""
    before = v.target
    command = commanded(machine, v, time + 0.5 * h)
    if machine.valve_time == 0.0:
        v.target = command
        return command
    if h != v.lag_step or machine.valve_time != v.lag_time:
        v.lag_step, v.lag_time, v.lag_gone = h, machine.valve_time, 1.0 - np.exp(-h / machine.valve_time)
    v.target += (command - before) * v.lag_gone
    return 0.5 * (before + v.target)


@part
def flow_given(v: Record) -> bool:
    """True where flow is what it is whatever the pressure: volume control, and valves closed."""
    if v.phase == INFLATION:
        return v.kind == VOLUME
    return v.phase in (PAUSE, HELD, OCCLUDED)


@part
def relief_from(machine: Record, before: float) -> float:
    """Pressure in the middle of a step, ``before`` being that at its start, which ends it at the pressure limit."""
    return 0.5 * (before + machine.pressure_limit) if machine.circuit_compliance > 0.0 else machine.pressure_limit


@part
def source(
    machine: Record, v: Record, aim: float, time: float, before: float, pressure: float, leak: float
) -> tuple[float, float]:
    """What reaches the wye, as ``delivered − yielding·P``, for a pressure that is expected there after ``before``.

    What a given flow would push beyond the pressure limit is let out, in the step in which it would.
    """
    if flow_given(v):
        flow, top = (volume_flow(machine, v, time) if v.phase == INFLATION else 0.0), relief_from(machine, before)
        if v.phase == INFLATION and pressure > top:
            return flow + top / RELIEF_RESISTANCE, 1.0 / RELIEF_RESISTANCE
        return flow, 0.0
    if v.phase == OPEN:
        return -v.suction, 1.0 / OPEN_RESISTANCE
    if pressure > aim:
        easily = 1.0 / machine.valve_resistance
        return easily * aim, easily
    free = v.phase == INFLATION or machine.pattern == BI_LEVEL or v.armed == 0.0 or unanswered(machine, v, time)
    most = machine.highest_flow if free else machine.base_flow + machine.leak_compensation * leak
    easy = 1.0 / (machine.source_resistance if free else machine.valve_resistance)
    if easy * (aim - pressure) > most:
        return most, 0.0
    return easy * aim, easy


@part
def trigger_criterion(machine: Record, v: Record, flow: float, leak: float, pressure: float) -> float:
    """How far the trigger's criterion is met; positive once it is."""
    if machine.trigger_flow > 0.0:
        return flow - machine.leak_compensation * leak - machine.trigger_flow
    if machine.trigger_pressure > 0.0:
        return v.base - pressure - machine.trigger_pressure
    return -1.0


@part
def window(machine: Record) -> float:
    """How long before its clock synchronised intermittent ventilation answers an effort with a mandatory breath, s."""
    return machine.synchronising * 60.0 / machine.rate if machine.rate > 0.0 else 0.0


@part
def unanswered(machine: Record, v: Record, time: float) -> bool:
    """True where no trigger stands between an effort and its breath: on CPAP, between mandatory breaths."""
    if machine.support != NONE:
        return False
    if machine.pattern == SIMV:
        return time < v.due - window(machine)
    return machine.pattern in (IMV, SPONTANEOUS, SPONTANEOUS_TIMED)


@part
def draws(v: Record, e: Record, inward: float, time: float) -> float:
    """Flow into the lung, L/s, while an effort of this expiration is under way; else below zero."""
    waits = e.onset >= v.turn and time < e.onset + e.rising + QUARTER * e.falling
    return inward if waits else -1.0


@part
def watch_inflation(machine: Record, v: Record, e: Record, m: Record, time: float, h: float) -> None:
    """See whether an inflation's flow has fallen, or its pressure risen, to where it ends.

    An unassisted breath ends with the flow that its effort draws into the lung.
    """
    offered = m.flow - machine.leak_compensation * m.leak_flow
    v.peak_flow = max(v.peak_flow, m.flow)
    v.inhaled += h * max(0.0, offered)
    if m.wye > machine.pressure_limit:
        v.until = time
    if v.kind == UNASSISTED:
        if m.patient_flow <= 0.0 and time >= e.onset + e.rising:
            v.until = time
    elif v.kind in (SUPPORT, TARGETED_SUPPORT):
        left = offered - machine.cycling * v.peak_flow
        if time >= v.start + machine.shortest_inflation and v.peak_flow > 0.0:
            falling = v.criterion - left
            if left <= 0.0:
                v.until = min(v.until, time)
            elif falling > 0.0 and left < falling:
                v.until = min(v.until, time + h * left / falling)
        v.criterion = left


@part
def watch_expiration(machine: Record, v: Record, e: Record, m: Record, met: float, time: float, h: float) -> None:
    """See whether the trigger's criterion is met, or an effort draws an unassisted breath.

    A change of level, or the end of an open circuit, moves gas by itself: the trigger waits until pressure has got
    there and that flow has been gone for a while, or for eight seconds. An occlusion closes the airway as soon as gas
    hardly leaves any more, before an effort.
    """
    settled = time > v.base_since + machine.rise + machine.valve_time and m.wye > v.base - REACHED
    v.calm = v.calm + h if met < 0.0 and settled else 0.0
    if v.calm > CALM_S or time > v.base_since + LONGEST_WAIT_S:
        v.armed = 1.0
    ready = time >= v.turn + machine.refractory and v.armed > 0.0 and machine.pattern != CMV
    delay = machine.trigger_delay
    if unanswered(machine, v, time):
        met, ready, delay = draws(v, e, m.patient_flow, time), True, 0.0
    if ready and met > 0.0 and v.trigger_at >= NEVER:
        crossed = h * met / (met - v.criterion) if v.criterion < 0.0 else 0.0
        v.trigger_at = time - crossed + delay
    v.criterion = met
    if v.hold_kind == OCCLUSION and m.flow > -EBBED * v.peak_flow and time >= v.turn + machine.refractory:
        v.trigger_at = min(v.trigger_at, time)


@part
def still_inhaled(machine: Record, v: Record, volume: float) -> None:
    """Gas (L) that goes on from the circuit into the lung while the expiratory valve opens: compensated volume had it.

    Taken as if pressure at the end had been lower by as much as that gas had stretched the circuit.
    """
    if v.kind == VOLUME and machine.circuit_compliance > 0.0:
        v.end_pressure -= volume / machine.circuit_compliance


@part
def watch(machine: Record, v: Record, e: Record, m: Record, time: float, h: float) -> None:
    """See after a step what is going to happen.

    Crossings are put where the straight line through the last two values meets the limit, so that the next step ends
    there and not beyond. Where no trigger stands before a breath, what it hears still puts off the back-up.
    """
    met = trigger_criterion(machine, v, m.flow, m.leak_flow, m.wye)
    if v.phase == INFLATION:
        watch_inflation(machine, v, e, m, time, h)
    elif v.phase == EXPIRATION:
        watch_expiration(machine, v, e, m, met, time, h)
        if m.flow > 0.0 and m.wye > v.base and time < v.turn + OPENS * machine.valve_time:
            still_inhaled(machine, v, h * m.flow)
    elif v.phase == OCCLUDED and m.wye < v.pulled_below:
        v.until, v.pulled_below = min(v.until, time + v.hold_for), -np.inf
    if v.kind == UNASSISTED and met > 0.0:
        v.due = next_due(machine, v, time, 0.0)


@part
def spontaneous_kind(machine: Record) -> float:
    """Inflation type of what the patient begins outside mandatory breaths."""
    return UNASSISTED if machine.support == NONE else machine.support


@kernel
def next_due(machine: Record, v: Record, time: float, mandatory: float) -> float:
    """When the ventilator's own time begins the next inflation.

    Between mandatory inflations a clock runs on, which makes good what a spontaneous breath has delayed; after a hold
    or an open circuit it starts anew.
    """
    if machine.pattern in (SPONTANEOUS, BI_LEVEL):
        backed = machine.pattern == SPONTANEOUS and machine.backup_rate > 0.0
        return time + machine.apnoea_time if backed else NEVER
    if machine.rate <= 0.0:
        return NEVER
    period = 60.0 / machine.rate
    if machine.pattern in (IMV, SIMV):
        return (v.due if v.due > time - 0.5 * period else time) + period if mandatory > 0.0 else v.due
    return time + period


@kernel
def begin_inflation(machine: Record, v: Record, time: float, by: float, pressure: float) -> None:
    """Begin an inflation: which type, how long, how high."""
    pattern = machine.pattern
    kind, mandatory = machine.mandatory, 1.0
    if by == FROM_PATIENT and pattern != ASSIST_CONTROL:
        mandatory = 1.0 if pattern == SIMV and time >= v.due - window(machine) else 0.0
        kind = machine.mandatory if mandatory > 0.0 else spontaneous_kind(machine)
    elif pattern == SPONTANEOUS:
        kind = PRESSURE
    if kind != UNASSISTED:
        v.due = next_due(machine, v, time, mandatory)
    if pattern == SPONTANEOUS and by == FROM_TIME:
        v.due = time + 60.0 / machine.backup_rate
    v.phase, v.kind, v.start, v.triggered_by = INFLATION, kind, time, by
    v.mandatory_now = mandatory
    v.trigger_at, v.peak_flow, v.inhaled, v.criterion = NEVER, 0.0, 0.0, np.inf
    v.begun_at_pressure = pressure
    above = machine.support_above
    lasts = machine.longest_support
    if kind == VOLUME:
        lasts = machine.volume_time
    elif kind in (PRESSURE, TARGETED_PRESSURE):
        above = machine.backup_above if pattern == SPONTANEOUS else machine.control
        lasts = machine.control_time
    if kind in (TARGETED_PRESSURE, TARGETED_SUPPORT):
        above = v.adapted
    elif kind == UNASSISTED:
        above, lasts = 0.0, NEVER
    v.command = v.base + above
    v.until = time + lasts


@part
def adapt(machine: Record, v: Record) -> None:
    """Set the pressure of the next volume-targeted inflation from the volume of this one."""
    if v.inhaled <= 0.0:
        return
    per_litre = v.adapted / v.inhaled
    change = GAIN * (machine.tidal_volume - v.inhaled) * per_litre
    change = min(max(change, -machine.target_step), machine.target_step)
    v.adapted = min(max(v.adapted + change, LEAST_ABOVE), machine.pressure_limit - v.base - 5.0)


@part
def end_inflation(machine: Record, v: Record, time: float, pressure: float) -> bool:
    """Leave an inflation or a closed phase; True where expiration begins."""
    if v.phase == INFLATION:
        if v.kind in (TARGETED_PRESSURE, TARGETED_SUPPORT):
            adapt(machine, v)
        if v.kind == VOLUME and machine.pause > 0.0 and pressure <= machine.pressure_limit:
            v.phase, v.until = PAUSE, time + machine.pause
            return False
    if v.phase != HELD and v.hold_kind == INSPIRATORY_HOLD and v.kind != UNASSISTED:
        v.phase, v.until, v.hold_kind = HELD, time + v.hold_for, -1.0
        v.due += v.hold_for
        return False
    if v.phase != HELD:
        v.end_pressure = pressure
    v.phase, v.turn, v.until, v.criterion, v.calm = EXPIRATION, time, NEVER, -1.0, 0.0
    v.target = pressure
    return True


@part
def switch_level(machine: Record, v: Record, time: float) -> None:
    """Change between the two levels of a bi-level mode."""
    v.base_before, v.base_since = v.base, time
    v.armed, v.trigger_at = 0.0, NEVER
    v.high = 1.0 - v.high
    v.base = machine.pressure_high if v.high > 0.0 else machine.pressure_low
    v.level_until = time + (machine.time_high if v.high > 0.0 else machine.time_low)


BEGUN, TURNED, RAISED, LOWERED = 1, 2, 3, 4


@part
def close_airway(v: Record, time: float, pressure: float) -> None:
    """Close the airway in expiration: for a while, or until an effort has pulled on it for as long."""
    waits = v.hold_kind == OCCLUSION
    v.phase, v.hold_kind, v.trigger_at = OCCLUDED, -1.0, NEVER
    v.until = time + (max(v.hold_for, LONGEST_OCCLUSION_S) if waits else v.hold_for)
    v.pulled_below = pressure - PULLED if waits else -np.inf


@part
def reconnect(machine: Record, v: Record, time: float, pressure: float) -> int:
    """End an open circuit, or an expiratory hold: expiration goes on, or the ventilator's time begins an inflation."""
    opened = v.phase == OPEN
    if machine.pattern in (SPONTANEOUS, BI_LEVEL):
        v.due = next_due(machine, v, time, 0.0)
    elif opened:
        v.due = max(v.due, time)
    else:
        v.due = time
        begin_inflation(machine, v, time, FROM_TIME, pressure)
        return BEGUN
    if opened:
        v.armed, v.base_before, v.base_since = 0.0, v.base, time
    v.phase, v.until, v.turn, v.criterion, v.calm = EXPIRATION, NEVER, time, -1.0, 0.0
    return 0


@kernel
def decide(machine: Record, v: Record, time: float, pressure: float) -> int:
    """Do what is due now. Returns what a breath table must know: nothing (0), an inflation begun, its turn, a level."""
    now = time + NOW
    if v.phase in (OPEN, OCCLUDED):
        return reconnect(machine, v, time, pressure) if now >= v.until else 0
    if v.phase == INFLATION and machine.pattern == BI_LEVEL and now >= v.level_until:
        v.until = time
    if v.phase == INFLATION and v.kind == UNASSISTED and now >= v.due:
        begin_inflation(machine, v, time, FROM_TIME, pressure)
        return BEGUN
    if v.phase != EXPIRATION:
        if not (now >= v.until and end_inflation(machine, v, time, pressure)):
            return 0
        if machine.pattern != BI_LEVEL:
            return TURNED
    if machine.pattern == BI_LEVEL and now >= v.level_until:
        switch_level(machine, v, time)
        return RAISED if v.high > 0.0 else LOWERED
    asked, due = now >= v.trigger_at, now >= v.due
    if not (asked or due):
        return 0
    if v.hold_kind in (EXPIRATORY_HOLD, OCCLUSION):
        close_airway(v, time, pressure)
        return 0
    if machine.pattern == BI_LEVEL and machine.support == NONE:
        v.trigger_at = NEVER
        return 0
    begin_inflation(machine, v, time, FROM_PATIENT if asked else FROM_TIME, pressure)
    return 0 if machine.pattern == BI_LEVEL else BEGUN


@part
def next_event(v: Record) -> float:
    """The nearest time at which the ventilator will do something."""
    if v.phase != EXPIRATION:
        ends = min(v.until, v.level_until) if v.phase == INFLATION else v.until
        return min(ends, v.due) if v.phase == INFLATION and v.kind == UNASSISTED else ends
    return min(v.due, v.trigger_at, v.level_until)


@part
def open_circuit(v: Record, kind: float, time: float, lasts: float, suction: float) -> None:
    """Disconnect, or suck, for a while."""
    v.phase, v.until = OPEN, time + lasts
    v.suction = suction if kind != DISCONNECTION else 0.0


@part
def cycled_by(machine: Record, v: Record, time: float, pressure: float) -> int:
    """Why an inflation ended."""
    if pressure > machine.pressure_limit:
        return BY_PRESSURE
    flow_ends = v.kind in (SUPPORT, TARGETED_SUPPORT, UNASSISTED)
    ended = v.kind == UNASSISTED or time < v.start + machine.longest_support - NOW
    return BY_FLOW if flow_ends and ended else BY_TIME


@kernel
def begin(machine: Record, v: Record, time: float) -> None:
    """The ventilator at the start of a run, or after its mode was changed: expiring at its base pressure."""
    v.phase, v.kind, v.until, v.trigger_at, v.criterion, v.armed = EXPIRATION, NONE, NEVER, NEVER, -1.0, 1.0
    v.base_before, v.base_since = machine.peep, time - 1e3
    v.level_until = NEVER
    v.base = machine.peep
    if machine.pattern == BI_LEVEL:
        v.high, v.base = 0.0, machine.pressure_low
        v.level_until, v.kind = time + machine.time_low, HIGH_LEVEL
    v.target, v.turn = v.base, time
    v.adapted = machine.control if machine.control > 0.0 else FIRST_ABOVE
    timed = machine.pattern not in (SPONTANEOUS, BI_LEVEL) and machine.rate > 0.0
    v.due = time + 0.5 if timed else next_due(machine, v, time, 0.0)
    if machine.pattern == SPONTANEOUS_TIMED and machine.rate <= 0.0:
        v.due = NEVER
