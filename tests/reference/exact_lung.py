"""One lung, one sensor, any inflation: stepped exactly, since between two samples everything is linear.

With pressure given, V → V∞ + (V − V∞)·e^(−h/RC) with V∞ = C·(p + pmus); with flow given, V is its integral. Nothing is
approximated but the muscle pressure, which is held over a step. So this stands beside :mod:`tests.reference.plain_lung`
(a circuit with its own compliance, by Runge and Kutta) as a model of another kind, for every way to inflate a lung.

Times are seconds, pressures cmH2O, volumes L above the lung's rest at zero pressure, flows L/s.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import repeat

import numpy as np
import numpy.typing as npt

from tidebench.recording import Recording

Samples = npt.NDArray[np.float64]
OfTime = Callable[[float], float]


@dataclass(frozen=True)
class Lung:
    """Compliance, resistance in and out (tube included), muscle pressure, and a leak L·p^n at the airway."""

    compliance: float
    resistance: float
    outward: float | None = None
    muscle: OfTime = lambda _: 0.0
    leak: float = 0.0
    exponent: float = 0.5


@dataclass(frozen=True)
class Breath:
    """One inflation and the expiration after it.

    ``flow`` gives L/s by the time since the start; without it the airway is held at ``above`` over PEEP. Pressure
    inflations end after ``inflation_s``, or when flow has fallen to the share ``cycling`` of its peak. The next breath
    comes ``period_s`` after this one's start, or when the patient draws more than ``trigger``. ``hold_s`` closes the
    airway before the next breath, which then comes that much later.
    """

    period_s: float
    inflation_s: float
    flow: OfTime | None = None
    above: float = 0.0
    pause_s: float = 0.0
    hold_s: float = 0.0
    cycling: float = 0.0
    trigger: float = math.inf


def square(volume: float, seconds: float) -> OfTime:
    """Constant flow that gives a volume."""
    return lambda _: volume / seconds


def falling(volume: float, seconds: float) -> OfTime:
    """Flow that falls in a straight line to nothing."""
    return lambda time: 2 * volume / seconds * max(0.0, 1 - time / seconds)


def half_sines(peak: float, lasts_s: float, every_s: float, first_s: float = 0.0, until_s: float = math.inf) -> OfTime:
    """Efforts as half sine waves, one every ``every_s`` from ``first_s`` on, none that begins after ``until_s``."""

    def pressure(time: float) -> float:
        since = (time - first_s) % every_s
        beginning = time - since
        within = time >= first_s and since < lasts_s and beginning < until_s
        return peak * math.sin(math.pi * since / lasts_s) if within else 0.0

    return pressure


@dataclass
class Truth:
    """What happened: per inflation start and turn (samples), recoil at the start, volume in; and the lung's volume."""

    rate_hz: float
    pressure: list[float] = field(default_factory=list)
    flow: list[float] = field(default_factory=list)
    volume: list[float] = field(default_factory=list)
    start: list[int] = field(default_factory=list)
    turn: list[int] = field(default_factory=list)
    compliance: float = 0.0

    @property
    def start_s(self) -> Samples:
        """Starts in seconds."""
        return np.array(self.start) / self.rate_hz

    @property
    def turn_s(self) -> Samples:
        """Turns in seconds."""
        return np.array(self.turn) / self.rate_hz

    @property
    def vti_ml(self) -> Samples:
        """Volume at the turn less volume at the start."""
        volume = np.array(self.volume)
        return np.asarray(1000 * (volume[self.turn] - volume[self.start[: len(self.turn)]]), np.float64)

    @property
    def total_peep(self) -> Samples:
        """Elastic recoil at each start."""
        return np.asarray(np.array(self.volume)[self.start] / self.compliance, np.float64)

    def recording(self, noise: float = 0.0, offset: OfTime = lambda _: 0.0, pressure_noise: float = 0.0) -> Recording:
        """The signals as sensors give them: white noise on flow (L/s) and pressure, and what flow reads at zero."""
        draw = np.random.default_rng(7)
        n = len(self.flow)
        drift = np.array([offset(i / self.rate_hz) for i in range(n)])
        flow = np.array(self.flow) + drift + noise * draw.standard_normal(n)
        pressure = np.array(self.pressure) + pressure_noise * draw.standard_normal(n)
        return Recording(self.rate_hz, {"airway_pressure": pressure, "flow": flow})


@dataclass
class _Bench:
    """The state between two steps."""

    lung: Lung
    peep: float
    h: float
    time: float = 0.0
    volume: float = 0.0

    def hold(self, pressure: float) -> tuple[float, float]:
        """Airway held at a pressure: what is read now, and a step onwards."""
        goal = self.lung.compliance * (pressure + self.lung.muscle(self.time))
        outward = self.lung.resistance if self.lung.outward is None else self.lung.outward
        tau = self.lung.compliance * (self.lung.resistance if goal > self.volume else outward)
        flow = (goal - self.volume) / tau
        self.volume = goal + (self.volume - goal) * math.exp(-self.h / tau)
        self.time += self.h
        return pressure, flow + self.lung.leak * max(0.0, pressure) ** self.lung.exponent

    def drive(self, flow: float, following: float) -> tuple[float, float]:
        """Flow imposed: what is read now, and a step onwards (mean of this flow and the following)."""
        pressure = self.volume / self.lung.compliance + self.lung.resistance * flow - self.lung.muscle(self.time)
        self.volume += 0.5 * (flow + following) * self.h
        self.time += self.h
        return pressure, flow


def ventilate(
    lung: Lung, breaths: Breath | Iterable[Breath], seconds: float, *, peep: float = 5.0, rate_hz: float = 100.0
) -> Truth:
    """Ventilate a lung that rests on PEEP, from 1.2 s on; sensors give the mean since their last sample."""
    fine = max(4, round(1000 / rate_hz))
    bench = _Bench(lung, peep, 1 / (rate_hz * fine), volume=lung.compliance * peep)
    truth = Truth(rate_hz, compliance=lung.compliance)
    schedule = repeat(breaths) if isinstance(breaths, Breath) else breaths
    before, pressures, flows = bench.volume, peep, 0.0
    for k, (pressure, flow, inflating, after) in enumerate(
        _course(bench, iter(schedule), round(seconds * rate_hz) * fine, fine)
    ):
        if k % fine == 0:
            if inflating and len(truth.start) == len(truth.turn):
                truth.start.append(k // fine)
            elif not inflating and len(truth.turn) < len(truth.start):
                truth.turn.append(k // fine)
            truth.pressure.append(pressures)
            truth.flow.append(flows)
            truth.volume.append(before)
            pressures = flows = 0.0
        pressures += pressure / fine
        flows += flow / fine
        before = after
    return truth


def _course(
    bench: _Bench, breaths: Iterator[Breath], steps: int, fine: int
) -> Iterator[tuple[float, float, bool, float]]:
    """Reading, inflating or not, and volume after, for every step; phases change on samples only."""
    done = 0
    for _ in range(round(1.2 / (bench.h * fine)) * fine):
        yield *bench.hold(bench.peep), False, bench.volume
        done += 1
    while done < steps:
        for reading in _breath(bench, next(breaths), fine):
            yield *reading, bench.volume
            done += 1
            if done >= steps:
                return


def _breath(bench: _Bench, breath: Breath, fine: int) -> Iterator[tuple[float, float, bool]]:
    """One breath: inflation, pause, expiration, hold."""
    h = bench.h

    def whole(seconds: float) -> int:
        return round(seconds / (h * fine)) * fine

    inflation = whole(breath.inflation_s)
    peak, k, flow = 0.0, 0, math.inf
    while k < inflation and (k % fine or k == 0 or flow > breath.cycling * peak):
        if breath.flow is not None:
            reading = bench.drive(breath.flow(k * h), breath.flow((k + 1) * h))
        else:
            reading = bench.hold(bench.peep + breath.above)
        flow = reading[1]
        peak = max(peak, flow)
        yield *reading, True
        k += 1
    for _ in range(whole(breath.pause_s)):
        yield *bench.drive(0.0, 0.0), True
        k += 1
    period, least = whole(breath.period_s), k + whole(0.25)
    flow = 0.0
    while k < period and (k % fine or k < least or flow < breath.trigger):
        reading = bench.hold(bench.peep)
        flow = reading[1]
        yield *reading, False
        k += 1
    for _ in range(whole(breath.hold_s)):
        yield *bench.drive(0.0, 0.0), False


def with_holds(breath: Breath, *, inspiratory: int, expiratory: int, seconds: float = 3.0) -> Iterator[Breath]:
    """The same breath again and again, but for one held in inspiration and one in expiration."""
    count = 0
    while True:
        if count == inspiratory:
            yield replace(breath, pause_s=breath.pause_s + seconds, period_s=breath.period_s + seconds)
        else:
            yield replace(breath, hold_s=seconds) if count == expiratory else breath
        count += 1
