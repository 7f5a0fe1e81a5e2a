"""The equation of motion, breath by breath, as sums from which every later question is small algebra.

    p(t) = P0 + E·V(t) + R·f(t) + K·f|f|(t) + D·min(f, 0)(t) + heart(t) − pmus(t)

p airway pressure, f flow and V volume with leak and offset removed, E elastance, R resistance, K the flow-squared part
(tube), D what expiratory resistance has more than inspiratory, heart a periodic pressure of the heartbeat.

Flow is noisy (sensor, secretions) and stands on the right-hand side, so plain least squares is biased. Flow smoothed
over a window serves as instrument for the flow itself (instrumental variables; Young, Recursive Estimation and
Time-Series Analysis, 1984, ch. 5): noise in one is not in the other, and the estimate is consistent. The same sums with
smoothed pressure and flow give the *smoothed residual*: what the equation leaves after noise has been averaged away.
It is the evidence for or against a term, a leak, an effort.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

VOLUME, FLOW, SQUARE, EXPIRATION = 0, 1, 2, 3  # columns; the heart's sines and cosines follow
HARMONICS = 3
LONGEST_EXPIRATION_S = 12.0  # later samples say nothing more of a breath


@kernel
def residuals(zz: Samples, zs: Samples, ss: Samples, count: Samples, theta: Samples) -> Samples:
    """Root mean square smoothed residual of each breath under one row of ``theta`` for all, or one for each."""
    n, k = zs.shape
    out = np.full(n, np.nan)
    for j in range(n):
        if count[j] == 0:
            continue
        row = theta[min(j, len(theta) - 1)]
        square = ss[j]
        for a in range(k):
            if row[a] == 0.0:
                continue
            square -= 2.0 * row[a] * zs[j, a]
            for b in range(k):
                square += row[a] * zz[j, a, b] * row[b]
        out[j] = np.sqrt(max(square, 0.0) / count[j])
    return out


@dataclass(frozen=True)
class Sums:
    """Sums over the quiet samples of each breath, columns demeaned within the breath; n breaths, k columns.

    ``zx`` (n, k, k) instruments by columns, ``zy`` (n, k) instruments by pressure, ``zz`` and ``zs`` the same with
    smoothed columns and pressure, ``ss`` (n,) smoothed pressure squared, ``count`` (n,) samples, ``mean_x`` (n, k) and
    ``mean_y`` (n,) the means taken off, ``rough`` (n, 3) sums of squared first differences of p, of p·f and of f.
    """

    zx: Samples
    zy: Samples
    zz: Samples
    zs: Samples
    ss: Samples
    count: Samples
    mean_x: Samples
    mean_y: Samples
    rough: Samples
    width: int

    def smoothed_residual(self, theta: Samples) -> Samples:
        """Root mean square of each breath's smoothed residual under ``theta`` (k,) or (n, k); NaN without samples."""
        found: Samples = residuals(self.zz, self.zs, self.ss, self.count, np.ascontiguousarray(np.atleast_2d(theta)))
        return found

    def noise_floor(self, resistance: float | Samples) -> Samples:
        """Smoothed residual that sensor noise alone would leave, from the roughness of p − R·f; shape (n,)."""
        pp, pf, ff = self.rough.T
        variance = (pp - 2 * resistance * pf + np.square(resistance) * ff) / (2 * np.maximum(self.count, 1))
        return np.asarray(np.sqrt(np.maximum(variance, 0) / self.width), np.float64)

    def intercept(self, theta: Samples) -> Samples:
        """P0 of each breath: the pressure left at V = 0 without flow, shape (n,)."""
        moved: Samples = np.einsum("nk,nk->n", np.broadcast_to(theta, self.mean_x.shape), self.mean_x)
        return self.mean_y - moved


@kernel
def quiet(
    f: Samples, first: int, held: int, turn: int, last: int, half: int, steep: float, mask: npt.NDArray[np.bool_]
) -> None:
    """Mark the samples of one breath that are half a window away from its edges and from steep flow, and not held."""
    n = last - first
    mask[:n] = True
    clear = half + 2
    for i in range(n):
        if i < clear or i >= n - half or abs(i - (turn - first)) < clear or held - first <= i < turn - first:
            mask[i] = False
    for i in range(1, n - 1):
        if abs(f[first + i + 1] - f[first + i - 1]) > steep:
            for k in range(max(0, i - clear), min(n, i + clear)):
                mask[k] = False


@kernel
def gather(  # noqa: PLR0912, PLR0915 - one pass over the samples
    p: Samples,
    f: Samples,
    start: Indices,
    held: Indices,
    turn: Indices,
    end: Indices,
    dt: float,
    offset: Samples,
    leak: Samples,
    exponent: float,
    heart: Samples,
    passed: Samples,
    steep: Samples,
    width: int,
    longest: int,
) -> tuple[Samples, Samples, Samples, Samples, Samples, Samples, Samples, Samples, Samples]:
    """The sums of :class:`Sums` for every breath, from its start to its end or to what comes first: the occlusion of an
    expiratory hold, given as the end, or ``longest`` samples of expiration. From ``held`` to the turn nothing is taken.

    ``heart`` is the phase of the heartbeat at every sample; ``passed`` the share of each of its harmonics that the
    smoothing lets through, empty where there is no heartbeat to fit.
    """
    n = len(start)
    harmonics = len(passed)
    k = 4 + 2 * harmonics
    zx = np.zeros((n, k, k))
    zy = np.zeros((n, k))
    zz = np.zeros((n, k, k))
    zs = np.zeros((n, k))
    ss = np.zeros(n)
    count = np.zeros(n)
    mean_x = np.zeros((n, k))
    mean_y = np.zeros(n)
    rough = np.zeros((n, 3))
    half = width // 2
    room = 0
    for j in range(n):
        room = max(room, min(end[j], turn[j] + longest) - start[j])
    mask = np.zeros(room + 1, np.bool_)
    flow = np.zeros(room + 1)
    sum_f = np.zeros(room + 2)
    sum_p = np.zeros(room + 2)
    x = np.zeros(k)
    z = np.zeros(k)
    mean_z = np.zeros(k)
    for j in range(n):
        first = start[j]
        last = min(end[j], turn[j] + longest)
        m = last - first
        if m < 2 * width:
            continue
        for i in range(m):
            lost = offset[j]
            if leak[j] > 0 and p[first + i] > 0:
                lost += leak[j] * p[first + i] ** exponent
            flow[i] = f[first + i] - lost
            sum_f[i + 1] = sum_f[i] + flow[i]
            sum_p[i + 1] = sum_p[i] + p[first + i]
        quiet(f, first, held[j], turn[j], last, half, steep[j], mask)
        volume = 0.0
        mean_s = 0.0
        mean_z[:] = 0.0
        before = False
        for i in range(m):
            if i > 0:
                volume += 0.5 * (flow[i] + flow[i - 1]) * dt
            if not mask[i]:
                before = False
                continue
            smooth_f = (sum_f[i + half + 1] - sum_f[i - half]) / width
            smooth_p = (sum_p[i + half + 1] - sum_p[i - half]) / width
            x[0] = volume
            x[1] = flow[i]
            x[2] = flow[i] * abs(flow[i])
            x[3] = min(flow[i], 0.0)
            z[0] = volume
            z[1] = smooth_f
            z[2] = smooth_f * abs(smooth_f)
            z[3] = min(smooth_f, 0.0)
            for h in range(harmonics):
                x[4 + 2 * h] = np.sin((h + 1) * heart[first + i])
                x[5 + 2 * h] = np.cos((h + 1) * heart[first + i])
                z[4 + 2 * h] = passed[h] * x[4 + 2 * h]
                z[5 + 2 * h] = passed[h] * x[5 + 2 * h]
            y = p[first + i]
            count[j] += 1
            mean_y[j] += y
            mean_s += smooth_p
            ss[j] += smooth_p * smooth_p
            for a in range(k):
                mean_x[j, a] += x[a]
                mean_z[a] += z[a]
                zy[j, a] += z[a] * y
                zs[j, a] += z[a] * smooth_p
                for b in range(k):
                    zx[j, a, b] += z[a] * x[b]
                    zz[j, a, b] += z[a] * z[b]
            if before:
                dp = y - p[first + i - 1]
                df = flow[i] - flow[i - 1]
                rough[j, 0] += dp * dp
                rough[j, 1] += dp * df
                rough[j, 2] += df * df
            before = True
        c = count[j]
        if c < width:
            count[j] = 0
            continue
        mean_y[j] /= c
        mean_s /= c
        for a in range(k):
            mean_x[j, a] /= c
            mean_z[a] /= c
        ss[j] -= c * mean_s * mean_s
        for a in range(k):
            zy[j, a] -= c * mean_z[a] * mean_y[j]
            zs[j, a] -= c * mean_z[a] * mean_s
            for b in range(k):
                zx[j, a, b] -= c * mean_z[a] * mean_x[j, b]
                zz[j, a, b] -= c * mean_z[a] * mean_z[b]
    return zx, zy, zz, zs, ss, count, mean_x, mean_y, rough
