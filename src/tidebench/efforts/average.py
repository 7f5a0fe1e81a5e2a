"""The average breath of a lung: noise averages out of it, so that what the equation leaves of it is the equation's.

Breaths of one compartment repeat each other and the equation; breaths of parts that empty at different speeds, or of
airways that collapse, repeat each other alone. In a single breath the sensors' noise may hide that.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from tidebench.efforts.equation import EXPIRATION, FLOW, SQUARE, VOLUME, Sums
from tidebench.efforts.mechanics import LEAST_BREATHS, Lung, solve
from tidebench.efforts.stretch import Stretch, loss_flow, sums_with
from tidebench.inflations.leak import Loss

Mask = npt.NDArray[np.bool_]

IN_STEP = 2  # samples by which inflations of an average may differ in length
SHORTEST_SHARE = 0.9  # of the usual length: breaths are averaged over what the shortest of them has
BEYOND_NOISE = 1.5  # times what noise leaves of the average, which is known to a fifth


def average_breath(stretch: Stretch, loss: Loss, members: Mask) -> Stretch | None:
    """One breath whose pressure and flow, loss taken off, are the means over ``members`` (n,) that are alike.

    Alike are those without a hold, whose inflation lasts as long as the median one; None where too few are.
    """
    inflated, length = stretch.turn - stretch.start, stretch.free - stretch.start
    among = members & (stretch.held >= stretch.turn)
    if not among.any():
        return None
    alike = among & (np.abs(inflated - np.median(inflated[among])) <= IN_STEP)
    alike &= length >= SHORTEST_SHARE * np.median(length[among])
    if alike.sum() < LEAST_BREATHS:
        return None
    span, turn = int(length[alike].min()), round(float(np.median(inflated[alike])))
    samples = stretch.start[alike][:, None] + np.arange(span)
    flow = stretch.flow - loss_flow(stretch, loss)
    only = np.flatnonzero(alike)[:1]
    first, last = np.zeros(1, np.int64), np.array([span])
    return replace(
        stretch,
        pressure=stretch.pressure[samples].mean(axis=0),
        flow=flow[samples].mean(axis=0),
        start=first,
        held=np.array([turn]),
        turn=np.array([turn]),
        free=last,
        end=last,
        size=stretch.size[only],
        drive=stretch.drive[only],
        timed=stretch.timed[only],
    )


def misfit(stretch: Stretch, loss: Loss, lung: Lung) -> float:
    """What the equation with all its terms leaves of a lung's average breath beyond noise, root mean square, cmH2O.

    0 where that is within noise, or too few breaths are alike for an average.
    """
    breath = average_breath(stretch, loss, lung.members)
    if breath is None:
        return 0.0
    sums = sums_with(breath, Loss(np.zeros(1), np.zeros(1), 1.0), np.zeros(0), None)
    theta = solve(sums, sums.count > 0, [VOLUME, FLOW, SQUARE, EXPIRATION])
    if theta is None:
        return 0.0
    left, noise = float(sums.smoothed_residual(theta)[0]), noise_of(sums, breath, theta)
    return float(np.sqrt(left**2 - noise**2)) if left > BEYOND_NOISE * noise else 0.0


def noise_of(sums: Sums, breath: Stretch, theta: npt.NDArray[np.float64]) -> float:
    """Smoothed residual that the sensors' noise leaves of one breath: flow's weighs more where resistance is higher."""
    inward, outward = (float(sums.noise_floor(r)[0]) for r in (theta[FLOW], theta[FLOW] + theta[EXPIRATION]))
    share = float(breath.turn[0] / breath.end[0])
    return float(np.sqrt(share * inward**2 + (1 - share) * outward**2))
