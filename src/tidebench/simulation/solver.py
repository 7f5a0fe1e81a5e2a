"""Time stepped forward: patient, ventilator, effort and gases together, in one compiled loop.

Steps are at most ``step_s`` long and end on every sample, change of parameters, start, turn, cycling and effort, so
that nothing switches within one. Long runs are taken in stretches, and only what was asked for is kept.
"""

from __future__ import annotations

import numpy as np

from tidebench.kernels import kernel, part
from tidebench.simulation import gases as gas
from tidebench.simulation.effort import breathe, entrain, feel, muscle_pressure, normal, repace
from tidebench.simulation.layout import (
    BI_LEVEL,
    BY_TIME,
    COUGH,
    DISCONNECTION,
    EXPIRATION,
    FROM_TIME,
    HELD,
    HIGH_LEVEL,
    OCCLUDED,
    OPEN,
    PAUSE,
    RESTART,
    SUCTION,
    Record,
    Samples,
)
from tidebench.simulation.mechanics import CLOSED_BELOW, NEAR_CLOSURE, move, reopen, rest_pressures, solve_step
from tidebench.simulation.ventilation import (
    BEGUN,
    LOWERED,
    NEVER,
    NOW,
    RAISED,
    TURNED,
    begin,
    cycled_by,
    decide,
    follow,
    next_event,
    open_circuit,
    source,
    watch,
)

DONE, NOT_A_NUMBER, PRESSURE_RUNAWAY, VOLUME_RUNAWAY, TOO_MANY_ROWS = range(5)
"""Why a stretch stopped."""

GAS_INTERVAL_S = 0.1
LONGEST_UNMIXED_S = 0.0105  # where samples are further apart; a breath's ends must not cancel
STILL_PERFUSED = 0.5  # of their blood flow reaches closed units, whose vessels narrow (common practice, no source)
HIGHEST_SHUNT = 0.8
LAST_HALF_SECOND = 0.5
HIGHEST_VOLUME, HIGHEST_PRESSURE = 20.0, 500.0  # L, cmH2O: beyond them something has run away
SECRETION_HZ = 12.0
SUCTION_FLOW = 0.3  # L/s through a catheter
GUESSES = 4


@part
def oscillate(patient: Record, m: Record, time: float, dt: float, rng: np.random.Generator) -> None:
    """Heartbeat and wet noise at the end of the coming sample, cmH2O and a share of what flow does."""
    m.heart_before, m.wet_before = m.heart_after, m.wet_after
    if patient.heart_amplitude > 0.0:
        angle = 2.0 * np.pi * patient.heart_rate / 60.0 * (time + dt)
        m.heart_after = patient.heart_amplitude * (np.sin(angle) + 0.4 * np.sin(2.0 * angle + 0.7))
    if patient.secretions > 0.0 or patient.condensate > 0.0:
        keep = np.exp(-2.0 * np.pi * SECRETION_HZ * dt)
        m.wet_after = keep * m.wet_after + np.sqrt(1.0 - keep * keep) * normal(rng)


@part
def left_to_exhale(patient: Record, m: Record) -> float:
    """How far muscles still empty the lung: not at all where airways close."""
    rest = patient.residual_volume
    return min(max((CLOSED_BELOW * rest + m.volume) / (NEAR_CLOSURE * rest), 0.0), 1.0)


@part
def mix_moved(patient: Record, machine: Record, m: Record, g: Record) -> None:
    """Hand what has moved since to the gases."""
    gas.mix(patient, machine, g, m.moved)
    m.moved = m.unmixed = 0.0


@part
def one_step(
    patient: Record,
    machine: Record,
    lung: Record,
    units: Record,
    m: Record,
    v: Record,
    e: Record,
    g: Record,
    time: float,
    h: float,
    share: float,
) -> None:
    """Advance everything by ``h``; ``share`` is where in the sample the middle of the step lies."""
    m.muscle = muscle_pressure(e, time + 0.5 * h)
    if m.muscle < 0.0:
        m.muscle *= left_to_exhale(patient, m)
    heart = m.heart_before + share * (m.heart_after - m.heart_before)
    wet = min(max(m.wet_before + share * (m.wet_after - m.wet_before), -1.0), 1.0)
    drive = m.muscle - heart - patient.pleural_pressure - patient.secretions * wet * abs(m.flow)
    aim = follow(machine, v, time, h)
    expected, flow, guessed = m.wye, m.flow, -1.0
    for _ in range(GUESSES):
        delivered, yielding = source(machine, v, aim, time + 0.5 * h, m.wye, expected, m.leak_flow)
        if yielding == guessed:
            break
        delivered += patient.condensate * wet * abs(flow)
        expected = solve_step(patient, lung, units, m, h, drive, machine.circuit_compliance, delivered, yielding)
        guessed = yielding
    move(patient, units, m, h, machine.circuit_compliance)
    m.moved += h * m.patient_flow
    m.unmixed += h
    if m.unmixed > LONGEST_UNMIXED_S:
        mix_moved(patient, machine, m, g)
    watch(machine, v, e, m, time + h, h)


@part
def note_step(row: Record, v: Record, m: Record, time: float, h: float) -> None:
    """What a step adds to the breath that it belongs to; an inflation that something cut short has turned."""
    if np.isnan(row.turn) and v.phase in (EXPIRATION, OPEN) and row.kind != HIGH_LEVEL:
        row.turn, row.cycled_by = time, BY_TIME
    row.peak_pressure = max(row.peak_pressure, m.wye)
    row.muscle_peak = max(row.muscle_peak, m.muscle)
    row.muscle_least = min(row.muscle_least, m.muscle)
    row.pressure_area += h * m.wye_middle
    if m.flow > 0.0:
        row.inhaled_at_wye += h * m.flow
        row.work += h * m.wye_middle * m.flow
    else:
        row.exhaled_at_wye -= h * m.flow
    row.muscle_work += h * max(0.0, m.muscle) * max(0.0, m.patient_flow)
    rising = v.high > 0.0 if row.kind == HIGH_LEVEL else m.volume > row.volume_turn
    if rising:
        row.volume_turn = row.volume_least = m.volume
    row.volume_least = min(row.volume_least, m.volume)


@part
def note_closed(row: Record, v: Record, m: Record, time: float, h: float) -> None:
    """Pressure over the last half second of a pause or hold; when the airway was closed or open."""
    if v.phase not in (PAUSE, HELD, OCCLUDED, OPEN):
        return
    if v.phase != PAUSE:
        if np.isnan(row.away_from):
            row.away_from = time
        row.away_until = time + h
    if v.phase == OPEN:
        return
    if time + h > v.until - LAST_HALF_SECOND:
        row.held_area += h * m.wye_middle
        row.held_time += h
    if time + h >= v.until - NOW and row.held_time > 0.0:
        mean = row.held_area / row.held_time
        if v.phase == OCCLUDED:
            row.hold_pressure = mean
        elif v.phase == HELD:
            row.plateau = mean
        row.held_area = row.held_time = 0.0


@part
def note_sample(row: Record, m: Record, g: Record, dt: float) -> None:
    """What is only looked at once a sample."""
    row.sampled += dt
    row.arterial_co2 += dt * g.arterial_co2
    row.arterial_o2 += dt * g.arterial_o2
    row.saturation += dt * g.arterial_saturation
    row.ph += dt * g.ph
    row.alveolar_area += dt * m.alveolar
    row.alveolar_high = max(row.alveolar_high, m.alveolar)
    row.pleural_low = min(row.pleural_low, m.pleural)
    row.pleural_high = max(row.pleural_high, m.pleural)


@part
def close_row(row: Record, g: Record, time: float) -> None:
    """End a breath: its end, and means of its gases."""
    row.end = time
    row.arterial_co2 /= row.sampled
    row.arterial_o2 /= row.sampled
    row.saturation /= row.sampled
    row.ph /= row.sampled
    row.end_tidal_co2 = g.highest_co2 if g.highest_co2 > 0.0 else np.nan
    g.highest_co2 = 0.0


@part
def open_row(row: Record, v: Record, m: Record, time: float, kind: float) -> None:
    """Begin a breath."""
    row.start, row.turn, row.end = time, np.nan, np.nan
    row.kind, row.triggered_by, row.mandatory = kind, v.triggered_by, v.mandatory_now
    row.volume_start = row.volume_turn = row.volume_least = m.volume
    row.peak_pressure, row.total_peep = m.wye, m.recoil
    row.plateau = row.hold_pressure = row.away_from = row.away_until = np.nan
    row.muscle_peak = row.muscle_least = m.muscle
    row.pleural_low, row.pleural_high, row.alveolar_high = np.inf, -np.inf, -np.inf


@part
def carry_out(
    machine: Record, v: Record, e: Record, block: Samples, slopes: Samples, change: Samples, time: float
) -> None:
    """One row of the protocol: time, what (0 a parameter, 1 a manoeuvre), which, value, duration."""
    if change[1] == 0.0:
        k = int(change[2])
        if change[4] <= 0.0:
            block[k] = change[3]
            slopes[k, 1] = -1.0
        else:
            slopes[k, 0] = (change[3] - block[k]) / change[4]
            slopes[k, 1] = time + change[4]
            slopes[k, 2] = change[3]
        return
    kind = change[2]
    if kind in (DISCONNECTION, SUCTION):
        open_circuit(v, kind, time, change[4], SUCTION_FLOW)
    elif kind == COUGH:
        e.cough_at = time
    elif kind == RESTART:
        begin(machine, v, time)
    else:
        v.hold_kind, v.hold_for = kind, change[4]


@part
def ramp(block: Samples, slopes: Samples, moving: Samples, time: float, dt: float) -> None:
    """Parameters on their way to a new value move on by one sample."""
    for n in range(len(moving)):
        k = int(moving[n])
        if slopes[k, 1] > 0.0:
            block[k] += slopes[k, 0] * dt
            if time + dt >= slopes[k, 1] - NOW:
                block[k], slopes[k, 1] = slopes[k, 2], -1.0


@part
def resettle(machine: Record, v: Record, time: float, pattern: float, peep: float) -> None:
    """A changed pattern starts the ventilator anew; a changed PEEP moves its base, and gas that moves with it triggers
    nothing.
    """
    if machine.pattern != pattern:
        begin(machine, v, time)
    elif machine.peep != peep and pattern != BI_LEVEL:
        v.base_before, v.base_since, v.base = v.base, time, machine.peep
        v.armed, v.trigger_at = 0.0, NEVER


@part
def channels_now(co2: float, g: Record, m: Record, wanted: Samples, out: Samples, at: int) -> None:
    """Write the channels that are wanted, one sample of each; see :data:`CHANNELS`."""
    told = (
        m.wye, m.flow, m.pleural, co2, m.muscle, m.alveolar, m.pleural, m.volume, m.carina, g.arterial_co2,
        g.arterial_o2, g.arterial_saturation, g.ph, m.recoil,
    )  # fmt: skip
    for n in range(len(wanted)):
        out[n, at] = told[int(wanted[n])]


@part
def protocol_due(
    machine: Record,
    v: Record,
    e: Record,
    block: Samples,
    slopes: Samples,
    changes: Samples,
    done: int,
    time: float,
) -> int:
    """Carry out the rows of the protocol that are due; returns how many are done."""
    pattern, peep = machine.pattern, machine.peep
    while done < len(changes) and changes[done, 0] <= time + NOW:
        carry_out(machine, v, e, block, slopes, changes[done], time)
        done += 1
    resettle(machine, v, time, pattern, peep)
    return done


@kernel
def act(
    patient: Record,
    machine: Record,
    lung: Record,
    units: Record,
    m: Record,
    v: Record,
    e: Record,
    g: Record,
    rows: Record,
    count: int,
    time: float,
    rng: np.random.Generator,
) -> int:
    """Let the ventilator do what is due, and keep the table of breaths; returns the number of breaths begun."""
    happened = decide(machine, v, time, m.wye)
    if happened in (TURNED, LOWERED):
        if count > 0:
            rows[count - 1].turn = time
            rows[count - 1].cycled_by = cycled_by(machine, v, time, m.wye)
        return count
    if happened not in (BEGUN, RAISED):
        return count
    if happened == RAISED:
        v.triggered_by, v.mandatory_now = FROM_TIME, 1.0
    if v.triggered_by == FROM_TIME:
        entrain(patient, e, time, rng)
    if count > 0:
        if np.isnan(rows[count - 1].turn):
            rows[count - 1].turn, rows[count - 1].cycled_by = time, BY_TIME
        close_row(rows[count - 1], g, time)
        e.last_tidal = rows[count - 1].volume_turn - rows[count - 1].volume_start
    if count < len(rows):
        rest_pressures(patient, lung, units, m, m.muscle)
        open_row(rows[count], v, m, time, HIGH_LEVEL if happened == RAISED else v.kind)
    return count + 1


@part
def next_stop(v: Record, e: Record, changes: Samples, done: int, time: float, until: float, step_s: float) -> float:
    """How far the next step goes: no further than a step, the sample's end, or the next thing that is due."""
    ends = min(next_event(v), e.next_onset, e.entrained_at)
    if done < len(changes):
        ends = min(ends, changes[done, 0])
    h = min(step_s, until - time)
    return min(h, ends - time) if ends > time + NOW else h


@part
def shunted(patient: Record, units: Record) -> float:
    """Share of blood that meets no gas: the patient's own, and what still flows through units that are closed."""
    closed = 0.0
    for i in range(len(units)):
        closed += (1.0 - units[i].opened) / len(units)
    return min(HIGHEST_SHUNT, patient.shunt + (1.0 - patient.shunt) * STILL_PERFUSED * closed)


@part
def between_samples(
    patient: Record,
    lung: Record,
    units: Record,
    m: Record,
    e: Record,
    g: Record,
    block: Samples,
    slopes: Samples,
    moving: Samples,
    sample: int,
    dt: float,
    rng: np.random.Generator,
) -> None:
    """What changes slowly enough to be looked at once a sample: heartbeat, open units, ramps, gases."""
    time, every = sample * dt, max(1, round(GAS_INTERVAL_S / dt))
    oscillate(patient, m, time, dt, rng)
    reopen(lung, units, dt)
    ramp(block, slopes, moving, time, dt)
    if patient.effort_rate != e.paced:
        repace(patient, e, time)
    if sample % every == 0:
        gas.exchange(patient, g, shunted(patient, units), every * dt)
        feel(e, g.arterial_co2, every * dt)


@kernel
def run(
    block: Samples,
    patient: Record,
    machine: Record,
    lung: Record,
    units: Record,
    m: Record,
    v: Record,
    e: Record,
    g: Record,
    slopes: Samples,
    moving: Samples,
    changes: Samples,
    done: int,
    first: int,
    last: int,
    dt: float,
    step_s: float,
    wanted: Samples,
    out: Samples,
    rows: Record,
    count: int,
    efforts: Samples,
    rng: np.random.Generator,
) -> tuple[int, int, int, float]:
    """Simulate samples ``first`` to ``last``; returns why it stopped, breaths begun, changes done, and the time."""
    for sample in range(first, last):
        time, until = sample * dt, (sample + 1) * dt
        rest_pressures(patient, lung, units, m, m.muscle - m.heart_after)
        mix_moved(patient, machine, m, g)
        co2 = gas.mouth_tension(patient, g, m.flow)
        g.highest_co2 = max(g.highest_co2, co2)
        channels_now(co2, g, m, wanted, out, sample - first)
        if count > 0:
            note_sample(rows[count - 1], m, g, dt)
        between_samples(patient, lung, units, m, e, g, block, slopes, moving, sample, dt, rng)
        while time < until - NOW:
            if done < len(changes) and changes[done, 0] <= time + NOW:
                done = protocol_due(machine, v, e, block, slopes, changes, done, time)
            if time >= min(e.next_onset, e.entrained_at):
                breathe(patient, e, time, efforts, rng)
            if next_event(v) <= time + NOW:
                count = act(patient, machine, lung, units, m, v, e, g, rows, count, time, rng)
                if count > len(rows):
                    return TOO_MANY_ROWS, len(rows), done, time
            h = next_stop(v, e, changes, done, time, until, step_s)
            one_step(patient, machine, lung, units, m, v, e, g, time, h, (time + 0.5 * h - sample * dt) / dt)
            if count > 0:
                note_step(rows[count - 1], v, m, time, h)
                note_closed(rows[count - 1], v, m, time, h)
            time += h
            if abs(m.wye) > HIGHEST_PRESSURE:
                return PRESSURE_RUNAWAY, count, done, time
            if abs(m.volume) > HIGHEST_VOLUME:
                return VOLUME_RUNAWAY, count, done, time
        if not np.isfinite(m.wye + m.volume + g.co2 + g.o2):
            return NOT_A_NUMBER, count, done, time
    return DONE, count, done, last * dt
