"""The shipped case: an invented patient on the plain model, and the script that writes it.

    python -m tests.reference.demo_case src/tidebench/demo

Nobody stands behind this case. A woman with stiff lungs on volume control, passive at first. PEEP goes from 8 to 12, to
16 and back to 12 cmH2O; compliance follows (29, 33, 30, 32 mL/cmH2O). Then a hold at the end of an inspiration and one
at the end of an expiration, and from 4:00 on she breathes: most efforts bring a breath, the short ones early in
expiration bring none.

Only sums, products and square roots are taken on the way, so that every machine writes the same bytes.
"""

from __future__ import annotations

import sys
from bisect import bisect_right
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tests.reference.plain_lung import Machine, OfTime, Patient, Sample, breathe

END_S = 330.0
RATE_HZ, STEPS_A_SAMPLE = 100, 10
SEED = 20
PRESSURE_NOISE, FLOW_NOISE = 0.08, 0.25  # cmH2O, L/min, standard deviation

PEEP = {0.0: 8.0, 71.0: 12.0, 141.0: 16.0, 206.0: 12.0}  # cmH2O from a time on, all in expiration
COMPLIANCE = {0.0: 0.029, 71.0: 0.033, 141.0: 0.030, 206.0: 0.032}  # L/cmH2O
AIRWAY_RESISTANCE, TUBE_RESISTANCE, TUBE_QUADRATIC = 4.5, 1.5, 6.5
HOLDS = {"pause": (221.0, 3.0), "expiration": (231.0, 4.0)}  # phase it follows: from when on, how long, s
EFFORTS_FROM_S = 240.0


class Effort(NamedTuple):
    """One inspiratory effort: a smooth rise of ``rise_s`` to its peak, then relaxation as a parabola."""

    onset_s: float
    peak: float
    rise_s: float
    relaxation_s: float

    def pressure(self, time: float) -> float:
        """Muscle pressure, cmH2O."""
        rise = (time - self.onset_s) / self.rise_s
        if rise < 1:
            return self.peak * rise * rise * (3 - 2 * rise) if rise > 0 else 0.0
        left = 1 - (time - self.onset_s - self.rise_s) / self.relaxation_s
        return self.peak * left * left if left > 0 else 0.0


def efforts() -> tuple[Effort, ...]:
    """Her efforts, about 27 a minute and a little uneven; every sixth has a short one on its heels."""
    return tuple(_rhythm())


def _rhythm() -> Iterator[Effort]:
    draw = np.random.default_rng(SEED)
    onset, count = EFFORTS_FROM_S, 0
    while onset < END_S - 1:
        yield Effort(round(onset, 3), round(draw.uniform(4.5, 7.5), 2), 0.55, 0.35)
        count += 1
        if count % 6 == 0:
            yield Effort(round(onset + 1.15, 3), 3.2, 0.3, 0.25)
        onset += draw.uniform(2.0, 2.45)


def stepwise(values: dict[float, float]) -> OfTime:
    """A value that holds from each of its times on."""
    starts, levels = list(values), list(values.values())
    return lambda time: levels[bisect_right(starts, time) - 1]


def muscle() -> OfTime:
    """Muscle pressure over the whole case."""
    all_efforts = efforts()
    onsets = [effort.onset_s for effort in all_efforts]

    def pressure(time: float) -> float:
        latest = bisect_right(onsets, time) - 1
        return all_efforts[latest].pressure(time) if latest >= 0 else 0.0

    return pressure


PATIENT = Patient(
    compliance=stepwise(COMPLIANCE),
    resistance=AIRWAY_RESISTANCE + TUBE_RESISTANCE,
    quadratic=TUBE_QUADRATIC,
    muscle=muscle(),
)
# 410 mL in 0.615 s at 40 L/min, 24 a minute.
MACHINE = Machine(
    peep=stepwise(PEEP),
    flow=40 / 60,
    inflation_s=0.615,
    pause_s=0.2,
    expiration_s=1.685,
    trigger=4 / 60,
    holds=HOLDS,
)


def truth() -> list[Sample]:
    """Every step of the case, before the sensors."""
    return list(breathe(PATIENT, MACHINE, END_S))


def signals() -> str:
    """The recording as it is shipped: time, pressure and flow at the wye, as two noisy sensors see them."""
    noise = np.random.default_rng(SEED).standard_normal((round(END_S * RATE_HZ), 2))
    lines = ["time [s],airway pressure [cmH2O],flow [L/min]"]
    for sample, (on_pressure, on_flow) in zip(truth()[::STEPS_A_SAMPLE], noise.tolist(), strict=True):
        pressure = sample.pressure + PRESSURE_NOISE * on_pressure
        lines.append(f"{sample.time:.2f},{pressure:.2f},{sample.flow * 60 + FLOW_NOISE * on_flow:.1f}")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    (Path(sys.argv[1]) / "signals.csv").write_text(signals(), encoding="utf-8", newline="\n")
