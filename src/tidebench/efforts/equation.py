"""The equation of motion, breath by breath, as sums from which every later question is small algebra.

    p(t) = P0 + E·V(t) + R·f(t) + K·f|f|(t) + D·min(f, 0)(t) + heart(t) − pmus(t)

p airway pressure, f flow and V volume with leak and offset removed, E elastance, R resistance, K the flow-squared part
(tube), D what expiratory resistance has more than inspiratory, heart a periodic pressure of the heartbeat.

Flow is noisy (sensor, secretions) and stands on the right-hand side, so plain least squares is biased. Flow smoothed
over its neighbours serves as instrument for the flow itself (instrumental variables; Young, Recursive Estimation and
Time-Series Analysis, 1984, ch. 5): noise in one is not in the other, and the estimate is consistent. The sample itself
is left out of its instrument, (w·smoothed − own)/(w − 1) with w samples in the window: its share of noise there made
compliance up to 6 % too high. The same sums with
smoothed pressure and flow give the *smoothed residual*: what the equation leaves after noise has been averaged away.
It is the evidence for or against a term, a leak, an effort.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel, summing

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
    ``mean_y`` (n,) the means taken off, ``rough`` (n, 3) sums of squared differences of p, of p·f and of f between
    samples that lie ``apart`` from each other: from one to the next of which noise is another.
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
    apart: int = 1

    def smoothed_residual(self, theta: Samples) -> Samples:
        """Root mean square of each breath's smoothed residual under ``theta`` (k,) or (n, k); NaN without samples."""
        found: Samples = residuals(self.zz, self.zs, self.ss, self.count, np.ascontiguousarray(np.atleast_2d(theta)))
        return found

    def noise_floor(self, theta: Samples) -> Samples:
        """Smoothed residual that sensor noise alone would leave under ``theta`` (k,) or (n, k), shape (n,).

        From the roughness of p − R·f, with R all that the terms of flow take of pressure, as a line through zero. Of
        ``width`` samples that are smoothed together, every ``apart``-th has noise of its own.
        """
        pp, pf, ff = self.rough.T
        terms = np.broadcast_to(theta, self.zs.shape)[:, FLOW : EXPIRATION + 1]
        alone = np.maximum(self.zz[:, FLOW, FLOW], 1e-12)
        resistance = np.einsum("nk,nk->n", self.zz[:, FLOW, FLOW : EXPIRATION + 1], terms) / alone
        variance = (pp - 2 * resistance * pf + np.square(resistance) * ff) / (2 * np.maximum(self.count, 1))
        return np.asarray(np.sqrt(np.maximum(variance, 0) * self.apart / self.width), np.float64)

    def intercept(self, theta: Samples) -> Samples:
        """P0 of each breath: the pressure left at V = 0 without flow, shape (n,)."""
        moved: Samples = np.einsum("nk,nk->n", np.broadcast_to(theta, self.mean_x.shape), self.mean_x)
        return self.mean_y - moved


@summing
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


@summing
def fill_columns(  # one pass over the samples of a breath
    p: Samples,
    flow: Samples,
    phase: Samples,
    passed: Samples,
    mask: npt.NDArray[np.bool_],
    dt: float,
    width: int,
    x: Samples,
    z: Samples,
    rough: Samples,
    apart: int,
) -> None:
    """Columns of the equation, pressure and a constant 1 (``x``), and their instruments, smoothed pressure and 1
    (``z``), at the quiet samples of one breath, a row each; ``rough`` is added to, of samples ``apart`` and all quiet.
    """
    half = width // 2
    harmonics = len(passed)
    pressure, one = len(x) - 2, len(x) - 1
    volume = sum_f = sum_p = 0.0
    m = len(flow)
    for i in range(min(width, m)):
        sum_f += flow[i]
        sum_p += p[i]
    c = 0
    before, unbroken = -1, 0
    for i in range(m):
        if i > 0:
            volume += 0.5 * (flow[i] + flow[i - 1]) * dt
        if i > half and i + half < m:
            sum_f += flow[i + half] - flow[i - half - 1]
            sum_p += p[i + half] - p[i - half - 1]
        if not mask[i]:
            continue
        f, smooth = flow[i], sum_f / width
        x[0, c] = z[0, c] = volume
        x[1, c], z[1, c] = f, smooth
        x[2, c], z[2, c] = f * abs(f), smooth * abs(smooth)
        x[3, c], z[3, c] = min(f, 0.0), min(smooth, 0.0)
        sine, cosine = 0.0, 1.0
        if harmonics > 0:
            first_sine, first_cosine = np.sin(phase[i]), np.cos(phase[i])
        for h in range(harmonics):
            sine, cosine = sine * first_cosine + cosine * first_sine, cosine * first_cosine - sine * first_sine
            x[4 + 2 * h, c], z[4 + 2 * h, c] = sine, passed[h] * sine
            x[5 + 2 * h, c], z[5 + 2 * h, c] = cosine, passed[h] * cosine
        x[pressure, c], z[pressure, c] = p[i], sum_p / width
        x[one, c] = z[one, c] = 1.0
        unbroken = unbroken + 1 if before == i - 1 and c > 0 else 0
        if unbroken >= apart:
            dp, df = p[i] - p[i - apart], f - flow[i - apart]
            rough[0] += dp * dp
            rough[1] += dp * df
            rough[2] += df * df
        before = i
        c += 1


@summing
def products(a: Samples, b: Samples) -> Samples:
    """Sums of products of the rows of ``a`` with the rows of ``b``: ``a @ b.T``, which BLAS does slower for so few."""
    k, m = a.shape
    out = np.empty((k, k))
    for i in range(k):
        for j in range(k):
            total = 0.0
            for s in range(m):
                total += a[i, s] * b[j, s]
            out[i, j] = total
    return out


@kernel
def demeaned(sums: Samples) -> Samples:
    """Sums of products about the means, from raw sums whose last row and column belong to a constant 1."""
    k = len(sums) - 1
    out = np.empty((k, k))
    for i in range(k):
        for j in range(k):
            out[i, j] = sums[i, j] - sums[i, k] * sums[k, j] / sums[k, k]
    return out


@summing
def gather(
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
    across: Samples,
    heart: Samples,
    passed: Samples,
    steep: Samples,
    width: int,
    longest: int,
    apart: int,
) -> tuple[Samples, Samples, Samples, Samples, Samples, Samples, Samples, Samples, Samples]:
    """The sums of :class:`Sums` for every breath, from its start to its end or to what comes first: the occlusion of an
    expiratory hold, given as the end, or ``longest`` samples of expiration. From ``held`` to the turn nothing is taken.

    ``heart`` is the phase of the heartbeat at every sample; ``passed`` the share of each of its harmonics that the
    smoothing lets through, empty where there is no heartbeat to fit.
    """
    n, k = len(start), 5 + 2 * len(passed)
    room = 1
    for j in range(n):
        room = max(room, min(end[j], turn[j] + longest) - start[j])
    columns, smoothed = np.zeros((n, k, k)), np.zeros((n, k, k))
    mean, rough, count = np.zeros((n, k)), np.zeros((n, 3)), np.zeros(n)
    flow, mask = np.empty(room), np.empty(room, np.bool_)
    for j in range(n):
        first, last = start[j], min(end[j], turn[j] + longest)
        if last - first < 2 * width:
            continue
        for i in range(first, last):
            flow[i - first] = f[i] - offset[j]
            if leak[j] > 0 and across[i] > 0:
                flow[i - first] -= leak[j] * across[i] ** exponent
        quiet(f, first, held[j], turn[j], last, width // 2, steep[j], mask)
        c = int(np.sum(mask[: last - first]))
        if c < width:
            continue
        x, z = np.empty((k + 1, c)), np.empty((k + 1, c))
        phase = heart[first:last] if len(passed) else heart
        fill_columns(p[first:last], flow[: last - first], phase, passed, mask, dt, width, x, z, rough[j], apart)
        crossed = products(z if width == 1 else (width * z - x) / (width - 1), x)
        count[j] = c
        mean[j] = crossed[k, :k] / c
        columns[j] = demeaned(crossed)
        smoothed[j] = demeaned(products(z, z))
    y = k - 1
    return (
        columns[:, :y, :y].copy(), columns[:, :y, y].copy(), smoothed[:, :y, :y].copy(), smoothed[:, :y, y].copy(),
        smoothed[:, y, y].copy(), count, mean[:, :y].copy(), mean[:, y].copy(), rough,
    )  # fmt: skip
