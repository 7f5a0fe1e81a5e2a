"""Breaths that repeat: a lung without effort does the same again, even one that no single compartment describes.

An effort varies in size and time from breath to breath; a passive lung on a ventilator that keeps time doesn't, and
where its mechanics change they go on changing the same way. So what the equation of motion leaves of one breath is
compared with what it leaves of the breath before, under one fit to both: their difference is noise where the lung is
passive, whatever shape that remainder has. A run of such breaths that no lung explains is a lung of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tidebench.efforts.equation import Sums, demeaned, fill_columns, quiet
from tidebench.efforts.mechanics import FLOORS, LEAST_BREATHS, UNSEEN, Lung, as_lung, likeliest
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

LONGEST_RUN = 15  # breaths that share a lung: over more, drifting mechanics would not be the same


@kernel
def compared(
    p: Samples,
    f: Samples,
    start: Indices,
    held: Indices,
    turn: Indices,
    end: Indices,
    dt: float,
    heart: Samples,
    passed: Samples,
    steep: Samples,
    width: int,
    longest: int,
    theta: Samples,
    wanted: Mask,
) -> tuple[Samples, Samples]:
    """How far the remainders of each breath and the one before are apart, cmH2O, shape (n,) each; NaN if not wanted.

    The first is the root mean square of their difference under one ``theta`` (n, k) for both, means taken off; the
    second what is left of it when the mechanics of the two may differ. Only samples count that are quiet in both.
    """
    n, k = len(start), theta.shape[1]
    apart, unlike = np.full(n, np.nan), np.full(n, np.nan)
    for j in range(1, n):
        if not wanted[j]:
            continue
        here = min(end[j], turn[j] + longest) - start[j]
        m = min(here, min(end[j - 1], turn[j - 1] + longest) - start[j - 1])
        if m < 2 * width:
            continue
        mask, other = np.empty(m, np.bool_), np.empty(m, np.bool_)
        quiet(f, start[j], held[j], turn[j], start[j] + m, width // 2, steep[j], mask)
        quiet(f, start[j - 1], held[j - 1], turn[j - 1], start[j - 1] + m, width // 2, steep[j - 1], other)
        mask &= other
        c = int(np.sum(mask))
        if c < 2 * width:
            continue
        x, z, before = np.empty((k + 2, c)), np.empty((k + 2, c)), np.empty((k + 2, c))
        rough = np.zeros(3)
        for b, into in ((j - 1, before), (j, z)):
            phase = heart[start[b] : start[b] + m] if len(passed) else heart
            fill_columns(
                p[start[b] : start[b] + m],
                f[start[b] : start[b] + m],
                phase,
                passed,
                mask,
                dt,
                width,
                x,
                into,
                rough,
                1,
            )
        for i in range(c):
            difference = z[k, i] - before[k, i]
            for a in range(k):
                difference -= theta[j, a] * (z[a, i] - before[a, i])
            z[k, i] = difference
        sums = demeaned(np.dot(z, z.T))
        apart[j] = np.sqrt(max(float(sums[k, k]), 0.0) / c)
        left = sums[:4, :4].copy()
        for a in range(4):
            left[a, a] *= 1.0 + 1e-9
            left[a, a] += 1e-12
        explained = np.dot(np.linalg.solve(left, sums[:4, k].copy()), sums[:4, k].copy())
        unlike[j] = np.sqrt(max(float(sums[k, k]) - explained, 0.0) / c)
    return apart, unlike


def fitted_to_pairs(sums: Sums) -> Samples:
    """Least squares over each breath and the one before it, shape (n, k)."""
    left, right = sums.zz.copy(), sums.zs.copy()
    left[1:] += sums.zz[:-1]
    right[1:] += sums.zs[:-1]
    return np.asarray(np.einsum("nij,nj->ni", np.linalg.pinv(left, rcond=1e-9, hermitian=True), right), np.float64)


@dataclass(frozen=True)
class Differences:
    """What :func:`compared` gives, and the difference that noise may make; shape (n,) each, cmH2O."""

    apart: Samples
    unlike: Samples
    allowed: Samples

    @property
    def repeats(self) -> Mask:
        """True where a breath does what the one before did."""
        return self.apart <= self.allowed

    @property
    def changed(self) -> Mask:
        """True where all that a breath does otherwise than the one before is what other mechanics would do."""
        return self.unlike <= self.allowed


def allowed_difference(sums: Sums, theta: Samples) -> Samples:
    """The difference between two passive breaths that noise, or a muscle pressure that is no effort, may make."""
    return np.maximum(FLOORS * sums.noise_floor(theta), UNSEEN)


def runs(repeats: Mask, among: Mask) -> list[Indices]:
    """Indices of the breaths of each run ``among`` those given in which each does what the one before did.

    Runs of fewer than :data:`LEAST_BREATHS` are chance; long ones are cut into pieces of at most
    :data:`LONGEST_RUN`, all alike in length.
    """
    chained = among & np.concatenate([[False], among[:-1]]) & repeats
    found: list[Indices] = []
    for run in np.split(np.arange(len(among)), np.flatnonzero(~chained)):
        members = run[among[run]]
        if len(members) >= LEAST_BREATHS:
            found += np.array_split(members, math.ceil(len(members) / LONGEST_RUN))
    return found


def lung_of(sums: Sums, run: Indices, heart: bool) -> Lung | None:
    """The lung of a run of breaths that repeat, one compartment or not; None where none that can be is near."""
    members = np.zeros(len(sums.count), bool)
    members[run] = True
    found = likeliest(sums, members, heart)
    return as_lung(sums, replace(found, members=members)) if found else None
