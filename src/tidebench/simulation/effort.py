"""Respiratory drive: when efforts begin, how large they are, and the muscle pressure at any instant.

An effort rises as ``1 − (1 − t/T)^bend`` to its peak, where neural inspiration ends, a straight ramp for 1 and a
parabola for 2, and falls exponentially: it is over when a quarter is left. Its peak and its time vary from one to the
next; drive follows PaCO2 and volume, waxes and wanes, or is locked to the ventilator's timed starts. Expiratory muscles
push after neural inspiration, where they do. Shapes are this house's choice; that peaks last and relaxation is
exponential is common practice, no source.
"""

from __future__ import annotations

import numpy as np

from tidebench.kernels import kernel, part
from tidebench.simulation.layout import Record, Samples

QUARTER = float(np.log(4.0))
LEAST_SIZE = 0.3  # cmH2O: a smaller effort moves nothing and is left out
MOST_DRIVE = 5.0  # times that of the parameters, at which drive is as good as full (invented, common practice)
MOST_SIZE = 124.0
"""cmH2O, which no effort exceeds: mean maximal inspiratory pressure of men, Black and Hyatt, Am Rev Respir Dis
1969;99:696 (from memory).
"""
FAST_S, SLOW_S, FAST_SHARE = 10.0, 120.0, 0.25
"""Time constants with which peripheral and central chemoreceptors follow PaCO2, and the share of the peripheral ones:
of the order of Bellville et al., J Appl Physiol 1979;46:843, and DeGoede et al., Respir Physiol 1981;43:271 (from
memory). Either is long against a breath, so that drive follows the mean of PaCO2.
"""
COUGH_S, COUGH_CMH2O = 0.35, 60.0  # an invented cough: expiratory pressure against a closed, then open glottis
PARABOLA = 2.0
FORGOTTEN = 10.0  # relaxing times after which nothing is left
NEVER = 1e18


@part
def one_effort(since: float, size: float, rising: float, falling: float, bend: float) -> float:
    """Muscle pressure of one effort, cmH2O, ``since`` seconds after its onset."""
    if since <= 0.0 or size <= 0.0:
        return 0.0
    if since < rising:
        s = since / rising
        return size * s * (2.0 - s) if bend == PARABOLA else size * (1.0 - (1.0 - s) ** bend)
    late = (since - rising) / falling
    return size * np.exp(-late) if late < FORGOTTEN else 0.0


@part
def muscle_pressure(e: Record, time: float) -> float:
    """Muscle pressure, cmH2O, inspiratory positive: the effort under way, what is left of the last, expiratory push."""
    now = one_effort(time - e.onset, e.size, e.rising, e.falling, e.bend)
    if e.previous_size > 0.0:
        before = one_effort(time - e.previous_onset, e.previous_size, e.previous_rising, e.previous_falling, e.bend)
        now = max(now, before)
    if e.expiratory > 0.0:
        s = (time - e.onset - e.rising - QUARTER * e.falling) / (2.0 * e.rising)
        if 0.0 < s < 1.0:
            now -= 4.0 * e.expiratory * s * (1.0 - s)
    if time < e.cough_at + COUGH_S and time > e.cough_at:
        s = (time - e.cough_at) / COUGH_S
        now -= COUGH_CMH2O * 4.0 * s * (1.0 - s)
    return now


@part
def drive(patient: Record, e: Record, time: float) -> float:
    """How strong the drive is, 1 being that of the parameters: felt PaCO2 above the set point, unloading, periodicity.

    Each weakens it to nothing at most.
    """
    felt = FAST_SHARE * e.felt_fast + (1.0 - FAST_SHARE) * e.felt_slow
    strength = max(0.0, 1.0 + patient.co2_gain * (felt - patient.co2_setpoint))
    if patient.unloaded_volume > 0.0:
        unloaded = max(0.0, e.last_tidal / patient.unloaded_volume - 1.0)
        strength *= max(0.0, 1.0 - patient.unloading * unloaded)
    if patient.periodic_depth > 0.0:
        strength *= 1.0 - patient.periodic_depth * 0.5 * (1.0 - np.cos(2.0 * np.pi * time / patient.periodic_cycle))
    return min(strength, MOST_DRIVE)


@part
def feel(e: Record, arterial_co2: float, seconds: float) -> None:
    """Let chemoreceptors follow PaCO2 (mmHg) over an interval."""
    e.felt_fast += (arterial_co2 - e.felt_fast) * seconds / (FAST_S + 0.5 * seconds)
    e.felt_slow += (arterial_co2 - e.felt_slow) * seconds / (SLOW_S + 0.5 * seconds)


@kernel
def normal(rng: np.random.Generator) -> float:
    """A draw from the standard normal distribution."""
    return rng.standard_normal()


@kernel
def varied(middle: float, cv: float, rng: np.random.Generator) -> float:
    """A value about its middle, normal with this coefficient of variation, kept within a third and three times."""
    if cv == 0.0:
        return middle
    return middle * min(max(1.0 + cv * normal(rng), 0.33), 3.0)


@kernel
def begin_effort(
    patient: Record, e: Record, time: float, size: float, entrained: float, rows: Samples, rng: np.random.Generator
) -> None:
    """Start an effort now and write its row: onset, top, over, size, entrained."""
    e.previous_onset, e.previous_size = e.onset, e.size
    e.previous_rising, e.previous_falling = e.rising, e.falling
    e.onset, e.size = time, min(size, MOST_SIZE)
    e.rising = max(0.05, varied(patient.effort_time, patient.effort_time_cv, rng))
    e.falling = patient.relaxing_time
    e.bend = patient.effort_bend
    e.expiratory = patient.expiratory_size
    k = int(e.count)
    if k < len(rows):
        rows[k, 0], rows[k, 1] = time, time + e.rising
        rows[k, 2] = time + e.rising + QUARTER * e.falling
        rows[k, 3], rows[k, 4] = e.size, entrained
        e.count += 1.0


@kernel
def breathe(patient: Record, e: Record, time: float, rows: Samples, rng: np.random.Generator) -> None:
    """Begin what efforts are due: the patient's own, by rate and drive, and those entrained by the ventilator."""
    if time >= e.entrained_at:
        begin_effort(patient, e, time, varied(patient.entrained_size, patient.effort_size_cv, rng), 1.0, rows, rng)
        e.entrained_at = NEVER
    if time < e.next_onset:
        return
    strength = drive(patient, e, time)
    size = varied(patient.effort_size * strength, patient.effort_size_cv, rng)
    if size >= LEAST_SIZE:
        begin_effort(patient, e, time, size, 0.0, rows, rng)
    quicker = min(max(np.sqrt(strength), 0.5), 2.0)
    e.next_onset = time + varied(60.0 / patient.effort_rate, patient.effort_rate_cv, rng) / quicker


@part
def repace(patient: Record, e: Record, time: float) -> None:
    """A rate that has changed shortens or stretches what is left of the interval to the next effort."""
    if patient.effort_rate <= 0.0:
        e.next_onset = NEVER
    elif e.paced <= 0.0:
        e.next_onset = time + 60.0 / patient.effort_rate
    else:
        e.next_onset = time + (e.next_onset - time) * e.paced / patient.effort_rate
    e.paced = patient.effort_rate


@part
def entrain(patient: Record, e: Record, time: float, rng: np.random.Generator) -> None:
    """A timed inflation has begun: let it call for an effort, every so many."""
    if patient.entrained_every <= 0.0:
        return
    e.timed_starts += 1.0
    if e.timed_starts % max(1.0, np.floor(patient.entrained_every)) == 0.0:
        later = patient.entrained_delay + patient.entrained_delay_sd * normal(rng)
        e.entrained_at = time + max(0.02, later)
