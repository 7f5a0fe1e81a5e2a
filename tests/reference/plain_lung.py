"""One lung behind one tube on one circuit, in plain Python: the second opinion on anything more elaborate.

::

    source ──┬──────── wye ── tube and airways ── lung
             │          │       R·V' + K·V'|V'|      recoil, compliance C
           valve    compliance of the circuit        muscle pressure
             │
            PEEP

Two states, the lung's recoil and the pressure at the wye, both cmH2O, stepped by Runge and Kutta's fourth order. Times
are seconds, flows L/s towards the patient, compliances L/cmH2O, resistances cmH2O·s/L. What switches, switches on a
step, so that no step straddles two regimes. A breath is flow, pause and expiration, begun by time or by the patient.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

OfTime = Callable[[float], float]


@dataclass(frozen=True)
class Patient:
    """A lung, its airways with the tube, and its muscles (inspiratory effort positive)."""

    compliance: OfTime
    resistance: float
    quadratic: float = 0.0
    muscle: OfTime = lambda _: 0.0

    def flow(self, difference: float) -> float:
        """Flow that a pressure difference drives: the root of R·V' + K·V'|V'| = difference."""
        if self.quadratic == 0.0:
            return difference / self.resistance
        root = math.sqrt(self.resistance**2 + 4 * self.quadratic * abs(difference))
        return math.copysign((root - self.resistance) / (2 * self.quadratic), difference)


@dataclass(frozen=True)
class Machine:
    """Volume control with a pause. A hold lengthens the first pause, or the first expiration, to end after its time."""

    peep: OfTime
    flow: float
    inflation_s: float
    pause_s: float
    expiration_s: float
    trigger: float = math.inf
    refractory_s: float = 0.25
    valve_resistance: float = 3.0
    circuit_compliance: float = 0.0015
    holds: dict[str, tuple[float, float]] = field(default_factory=dict)  # phase it lengthens -> (after, duration)


class Sample(NamedTuple):
    """The truth at one instant, before the step that begins there."""

    time: float
    pressure: float
    flow: float
    recoil: float
    phase: str


def breathe(patient: Patient, machine: Machine, end_s: float, dt: float = 0.001) -> Iterator[Sample]:
    """Yield a sample for each step of ``dt`` from 0 to ``end_s``, beginning at rest on PEEP with an expiration."""
    lasts = {"inflation": machine.inflation_s, "pause": machine.pause_s, "expiration": machine.expiration_s}
    lasts |= {f"{phase} hold": duration for phase, (_, duration) in machine.holds.items()}
    after = {"inflation": "pause", "pause": "expiration", "expiration": "inflation"}
    holds = {phase: start for phase, (start, _) in machine.holds.items()}
    recoil = pressure = machine.peep(0.0)
    phase, held = "expiration", 0
    for step in range(round(end_s / dt)):
        time = step * dt
        flow = patient.flow(pressure + patient.muscle(time) - recoil)
        triggered = phase == "expiration" and held * dt >= machine.refractory_s and flow > machine.trigger
        if triggered or held == round(lasts[phase] / dt):
            due = not triggered and holds.get(phase, math.inf) <= time
            if due:
                del holds[phase]
            phase, held = f"{phase} hold" if due else after[phase.removesuffix(" hold")], 0
        yield Sample(time, pressure, flow, recoil, phase)
        recoil, pressure = _step(patient, machine, phase, time, dt, (recoil, pressure))
        held += 1


def _step(
    patient: Patient, machine: Machine, phase: str, time: float, dt: float, state: tuple[float, float]
) -> tuple[float, float]:
    source = machine.flow if phase == "inflation" else 0.0
    conductance = 1 / machine.valve_resistance if phase == "expiration" else 0.0
    peep, compliance = machine.peep(time), patient.compliance(time)

    def slope(after: float, recoil: float, pressure: float) -> tuple[float, float]:
        flow = patient.flow(pressure + patient.muscle(time + after) - recoil)
        leaving = conductance * (pressure - peep)
        return flow / compliance, (source - leaving - flow) / machine.circuit_compliance

    recoil, pressure = state
    a, b = slope(0.0, recoil, pressure)
    c, d = slope(dt / 2, recoil + a * dt / 2, pressure + b * dt / 2)
    e, f = slope(dt / 2, recoil + c * dt / 2, pressure + d * dt / 2)
    g, h = slope(dt, recoil + e * dt, pressure + f * dt)
    return recoil + dt / 6 * (a + 2 * c + 2 * e + g), pressure + dt / 6 * (b + 2 * d + 2 * f + h)
