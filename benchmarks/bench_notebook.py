"""The line's stages beside a notebook's, one at a time, on one stretch: same input, same output, same process.

    python benchmarks/bench_notebook.py [MINUTES]

Prints microseconds a breath (median of five, in turn, warm, one thread), their ratio, and how far the outputs differ;
ends with an error where they differ by more than the tolerance named.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks import notebook_peer as notebook
from benchmarks.day import RATE_HZ, Samples, day
from tidebench.efforts.equation import EXPIRATION, FLOW, SQUARE, VOLUME
from tidebench.efforts.mechanics import own_elastance, solve
from tidebench.efforts.stretch import Stretch, loss_flow, sums_with
from tidebench.inflations import leak
from tidebench.inflations.holds import find_still
from tidebench.inflations.levels import HOP_S, find_levels
from tidebench.inflations.phases import detect
from tidebench.inflations.rest import quiet_stretch
from tidebench.measures.plans import plan_for
from tidebench.measures.stress import stress_indices
from tidebench.measures.stretch import LONGEST_QUIET_S, STOPPING_S, Measured, measure
from tidebench.measures.sweep import COLUMNS, sweep, usual_lag

DT = 1.0 / RATE_HZ
HOLE = 0.02, 0.6  # L/s per cmH2O^exponent, exponent: the leak of the leaky stretch
Output = dict[str, npt.NDArray[np.float64]]
TOLERANCES: dict[str, tuple[float, float]] = {  # absolute, relative: the stage's own precision, far below a sensor's
    "start": (1, 0),  # samples
    "turn": (1, 0),
    "peep level": (0.1, 0),  # cmH2O: the line's percentiles come from a histogram
    "theta": (0, 1e-6),
    "stress index": (1e-4, 0),
}
USUAL = (1e-9, 1e-6)
ALIKE = 0.995  # of the breaths


@dataclass(frozen=True)
class Stage:
    """One stage, ours and the notebook's, each from nothing to its output."""

    name: str
    ours: Callable[[], Output]
    peer: Callable[[], Output]


@dataclass(frozen=True)
class Comparison:
    """Microseconds a breath, and of each output the greatest difference and the share of breaths within tolerance."""

    name: str
    ours: float
    peer: float
    differences: dict[str, tuple[float, float]]

    @property
    def agrees(self) -> bool:
        """True where every output does, on nearly every breath."""
        return all(share >= ALIKE for _, share in self.differences.values())


def agreement(ours: Output, peer: Output) -> dict[str, tuple[float, float]]:
    """Of each output the greatest difference, and the share within tolerance; missing agrees with missing only."""
    found = {}
    for name, mine in ours.items():
        theirs = peer[name]
        if mine.shape != theirs.shape:
            found[name] = (np.inf, 0.0)
            continue
        absolute, relative = TOLERANCES.get(name, USUAL)
        alike = np.isclose(mine, theirs, rtol=relative, atol=absolute, equal_nan=True)
        found[name] = (float(np.nanmax(np.abs(mine - theirs), initial=0.0)), float(alike.mean()))
    return found


def compared(stage: Stage, breaths: int, rounds: int = 5) -> Comparison:
    """Both ways in turn, warm."""
    differences = agreement(stage.ours(), stage.peer())
    taken: dict[str, list[float]] = {"ours": [], "peer": []}
    for _ in range(rounds):
        for way in ("peer", "ours"):
            begin = time.perf_counter()
            getattr(stage, way)()
            taken[way].append(1e6 * (time.perf_counter() - begin) / breaths)
    return Comparison(stage.name, statistics.median(taken["ours"]), statistics.median(taken["peer"]), differences)


def inflations(p: Samples, f: Samples) -> Output:
    """Ours: levels, starts and turns."""
    levels = find_levels(p, f, RATE_HZ)
    start, turn = detect(p, f, RATE_HZ, levels, np.zeros(len(levels.flow), bool))
    return {"start": start.astype(float), "turn": turn.astype(float), "peep level": levels.baseline}


def volumes_and_pressures(stretch: Stretch) -> Output:
    """Ours: offset, pauses and holds, rest, lag, then one pass over the samples."""
    p, f, start, turn, end, size, drive = arrays(stretch)
    loss, _ = leak.as_offset(p, f, start, end, DT)
    unknown = np.full(len(start), np.nan)
    still = find_still(p, f, RATE_HZ, start, turn, end, size, drive, loss.offset, np.zeros(len(start)), unknown)
    first, last, _ = quiet_stretch(p, f, start, turn, end, size, drive, round(LONGEST_QUIET_S * RATE_HZ))
    lag, lost = usual_lag(f, turn, end, DT), loss_flow(stretch, loss)
    table = sweep(p, f, lost, loss.offset, start, still.pause, turn, end, first, last, DT, lag, False)
    return dict(zip(COLUMNS, table.T, strict=True))


def arrays(stretch: Stretch) -> tuple[Any, ...]:
    """What a stage is given of a stretch."""
    return (
        stretch.pressure, stretch.flow, stretch.start, stretch.turn, stretch.end, stretch.size, stretch.drive,
    )  # fmt: skip


def fits(stretch: Stretch, losses: Sequence[leak.Loss]) -> list[notebook.Fit]:
    """Ours: sums once for each loss, then a fit with flow squared and one with expiratory resistance besides."""
    found = []
    for loss in losses:
        sums = sums_with(stretch, loss, np.zeros(0), None)
        for columns in ((VOLUME, FLOW, SQUARE), (VOLUME, FLOW, SQUARE, EXPIRATION)):
            theta = solve(sums, sums.count > 0, columns)
            if theta is None:
                raise ArithmeticError("the equation of motion is singular on the synthetic day")
            found.append(
                notebook.Fit(
                    theta,
                    own_elastance(sums, theta),
                    sums.intercept(theta),
                    sums.smoothed_residual(theta),
                    sums.noise_floor(theta),
                )
            )
    return found


def told(found: Sequence[notebook.Fit]) -> Output:
    """Fits as one output."""
    names = {"theta": "theta", "elastance": "elastance", "P0": "intercept", "residual": "residual", "floor": "floor"}
    return {name: np.concatenate([getattr(fit, field) for fit in found]) for name, field in names.items()}


def equation(name: str, stretch: Stretch, leaks: bool) -> Stage:
    """The equation of motion, with the loss as an offset or as a leak with each of the exponents."""
    p, f, start, turn, end, _, drive = arrays(stretch)

    def ours() -> Output:
        if leaks:
            return told(fits(stretch, [leak.as_leak(p, f, start, end, DT, exponent, p) for exponent in leak.EXPONENTS]))
        return told(fits(stretch, [leak.as_offset(p, f, start, end, DT)[0]]))

    def peer() -> Output:
        losses = [notebook.as_offset(f, start, end, DT)]
        if leaks:
            losses = [notebook.as_leak(p, f, start, end, DT, exponent) for exponent in leak.EXPONENTS]
        return told(notebook.equation_of_motion(p, f, RATE_HZ, start, turn, end, drive, losses))

    return Stage(name, ours, peer)


def measured(p: Samples, f: Samples) -> Measured:
    """The whole of a stretch: where the stages take their input."""
    found = measure(p, f, RATE_HZ, lambda start: plan_for((), start / RATE_HZ))
    if found is None:
        raise ArithmeticError("the synthetic day holds no breath")
    return found


def stages(p: Samples, f: Samples) -> tuple[list[Stage], int]:
    """The stages over a stretch of pressure (cmH2O) and flow (L/s), and its number of breaths."""
    whole = measured(p, f)
    stretch, pause = whole.stretch, whole.still.pause
    leaky = measured(p, f + HOLE[0] * np.maximum(p, 0) ** HOLE[1]).stretch
    stop = np.where(pause < stretch.turn, pause - round(STOPPING_S * RATE_HZ), stretch.turn)
    wanted = (whole.columns["constant_flow"] == 1) & (whole.explained.passive == 1)

    def peer_inflations() -> Output:
        start, turn, levels = notebook.inflations(p, f, RATE_HZ)
        hop = round(HOP_S * RATE_HZ)
        return {"start": start.astype(float), "turn": turn.astype(float), "peep level": levels.baseline[::hop]}

    def peer_volumes() -> Output:
        p, f, *bounds = arrays(stretch)
        return dict(zip(COLUMNS, notebook.volumes_and_pressures(p, f, RATE_HZ, *bounds).T, strict=True))

    def peer_stress() -> Output:
        found = np.full(len(pause), np.nan)
        found[wanted] = notebook.stress_indices(stretch.pressure, RATE_HZ, stretch.start[wanted], stop[wanted])
        return {"stress index": found}

    return [
        Stage("inflations: start, turn, levels", lambda: inflations(p, f), peer_inflations),
        Stage("volumes, pressures, flows, time constant, work", lambda: volumes_and_pressures(stretch), peer_volumes),
        equation("equation of motion", stretch, False),
        equation(f"equation of motion, {len(leak.EXPONENTS)} leak exponents", leaky, True),
        Stage(
            "stress index",
            lambda: {"stress index": stress_indices(stretch.pressure, stretch.start, stop, DT, wanted)},
            peer_stress,
        ),
    ], len(pause)


def tell(found: Sequence[Comparison]) -> None:
    """Print the table."""
    print(f"{'stage':50} {'ours':>8} {'notebook':>9} {'ratio':>6}  agreement")
    for row in found:
        worst = min(row.differences, key=lambda name: row.differences[name][1])
        greatest, share = row.differences[worst]
        words = f"{100 * share:.1f} % within tolerance" + ("" if share == 1 else f" ({worst}: up to {greatest:.2g})")
        print(f"{row.name:50} {row.ours:8.1f} {row.peer:9.1f} {row.peer / row.ours:6.1f}  {words}")
    ours, peer = (sum(getattr(row, way) for row in found) for way in ("ours", "peer"))
    print(f"{'together':50} {ours:8.1f} {peer:9.1f} {peer / ours:6.1f}")


def main() -> None:
    """Compare on that many minutes of the synthetic day."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 15.0
    work, breaths = stages(*day(minutes / 60))
    found = [compared(stage, breaths) for stage in work]
    print(f"{minutes:g} min at {RATE_HZ} Hz, {breaths} breaths; µs a breath")
    tell(found)
    if not all(row.agrees for row in found):
        raise SystemExit("the two ways do not agree")


if __name__ == "__main__":
    main()
