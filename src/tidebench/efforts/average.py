"""The average breath of a lung: noise averages out of it, so that what the equation leaves of it is the equation's.

Breaths of one compartment repeat each other and the equation; breaths of parts that empty at different speeds, or of
airways that collapse, repeat each other alone. In a single breath the sensors' noise may hide that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tidebench.efforts.equation import EXPIRATION, FLOW, SQUARE, VOLUME
from tidebench.efforts.mechanics import LEAST_BREATHS, Lung, solve
from tidebench.efforts.stretch import Stretch, loss_flow, sums_with
from tidebench.inflations.leak import Loss

Mask = npt.NDArray[np.bool_]

IN_STEP = 2  # samples by which inflations of an average may differ in length
SHORTEST_SHARE = 0.9  # of the usual length: breaths are averaged over what the shortest of them has
MOST_BREATHS = 32  # of an excerpt: enough for noise to be small, few enough to be quick
BEYOND_CHANCE = 3.0  # standard errors of the product of two averages' residuals


def alike_members(stretch: Stretch, members: Mask) -> Mask:
    """Those of ``members`` (n,) that an average may be taken of.

    They have no hold, their inflation lasts as long as the median one, and their expiration hardly less.
    """
    inflated, length = stretch.turn - stretch.start, stretch.free - stretch.start
    among = members & (stretch.held >= stretch.turn)
    if not among.any():
        return among
    usual = np.median(inflated[among]), np.median(length[among])
    return np.asarray(among & (np.abs(inflated - usual[0]) <= IN_STEP) & (length >= SHORTEST_SHARE * usual[1]), bool)


def average_breath(stretch: Stretch, loss: Loss, alike: Mask) -> Stretch:
    """One breath whose pressure and flow, loss taken off, are the means over the breaths ``alike`` (n,)."""
    inflated, length = stretch.turn - stretch.start, stretch.free - stretch.start
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


@dataclass(frozen=True)
class Average:
    """The average of breaths that are alike, and half of what the odd ones have more than the even ones: its noise."""

    whole: Stretch
    apart: Stretch


def average_of(stretch: Stretch, loss: Loss, lung: Lung) -> Average | None:
    """A lung's average breath; None where too few are alike."""
    alike = alike_members(stretch, lung.members)
    if alike.sum() < 2 * LEAST_BREATHS:
        return None
    odd = alike & (np.cumsum(alike) % 2 == 1)
    apart = difference(average_breath(stretch, loss, odd), average_breath(stretch, loss, alike & ~odd))
    return Average(average_breath(stretch, loss, alike), apart)


def excerpt(stretch: Stretch, losses: Sequence[Loss], lung: Lung) -> tuple[Stretch, list[Loss]]:
    """Some of a lung's alike breaths, one after the other, spread over a stretch, and each loss as it is in them."""
    alike = np.flatnonzero(alike_members(stretch, lung.members))
    some = alike[np.linspace(0, len(alike) - 1, min(len(alike), MOST_BREATHS)).round().astype(np.int64)]
    samples = np.concatenate([np.arange(stretch.start[j], stretch.free[j]) for j in some])
    end = np.cumsum(stretch.free[some] - stretch.start[some])
    start = np.append(0, end[:-1])
    turn = start + stretch.turn[some] - stretch.start[some]
    few = replace(
        stretch, pressure=stretch.pressure[samples], flow=stretch.flow[samples], start=start, held=turn, turn=turn,
        free=end, end=end, size=stretch.size[some], drive=stretch.drive[some], timed=stretch.timed[some],
    )  # fmt: skip
    across = (few.pressure if loss.across is stretch.pressure else loss.across[samples] for loss in losses)
    return few, [
        Loss(loss.offset[some], loss.leak[some], loss.exponent, p) for loss, p in zip(losses, across, strict=True)
    ]


def misfit(average: Average | None, lung: Lung) -> float:
    """What the equation with all its terms leaves of a lung's average breath beyond noise, root mean square, cmH2O.

    Noise is different in one half of the breaths and in the other, what the equation leaves is the same: so it is the
    product of what is left of both averages, and noise their difference. 0 where it is within chance, where there is
    no average breath, or where the heart is loud: in step with the breaths it would stay in the average.
    """
    if average is None or lung.loud:
        return 0.0
    whole = average.whole
    nothing = Loss(np.zeros(1), np.zeros(1), 1.0, whole.pressure)
    sums = sums_with(whole, nothing, np.zeros(0), None)
    theta = solve(sums, sums.count > 0, [VOLUME, FLOW, SQUARE, EXPIRATION])
    if theta is None:
        return 0.0
    left = sums.smoothed_residual(theta)[0] ** 2
    noise = sums_with(average.apart, nothing, np.zeros(0), None).smoothed_residual(theta)[0] ** 2
    chance = BEYOND_CHANCE * noise / np.sqrt(max(1.0, sums.count[0] / sums.width))
    return float(np.sqrt(left - noise)) if left - noise > chance else 0.0


def difference(one: Stretch, other: Stretch) -> Stretch:
    """Half of what one average breath has more than another: the noise that is left in the average of both."""
    span = min(len(one.flow), len(other.flow))
    last = np.array([span])
    pressure, flow = (0.5 * (a[:span] - b[:span]) for a, b in ((one.pressure, other.pressure), (one.flow, other.flow)))
    return replace(one, pressure=pressure, flow=flow, free=last, end=last)
