"""What flow that never comes back tells: a leak, or a sensor that does not read zero at zero.

Over many breaths as much gas leaves a lung as enters it. What the sensor counts beyond that is lost on the way (a
leak, which follows the pressure: L·p^n, n from 0.5 for a hole to 1 for a slit) or was never there (an offset, which
follows nothing). Both are taken off within a window of breaths, so that drift is followed and trapped gas is not
mistaken for either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

NEIGHBOURS = 15  # breaths on either side: long against what one breath leaves behind, short against drift
STRAIGHT = 20  # points that it takes to tell drift from chance
MATERIAL = 0.015  # share of inhaled volume below which nobody can tell a leak from an offset, nor needs to
USUAL_EXPONENT = 0.7  # between a hole (0.5) and a slit (1): taken where nothing in the recording decides
AROUND = 3  # breaths that say where the lung rests
MOVED = 1.0  # cmH2O between the breaths before and those after: PEEP was moved, not an effort
SETTLING = 5  # breaths after it in which a lung may still take up or give back
EXPONENTS = (USUAL_EXPONENT, 0.5, 0.6, 0.85, 1.0)


@dataclass(frozen=True)
class Loss:
    """Flow to take off: offset + leak·max(p, 0)^exponent; per breath, L/s and L/s per cmH2O^exponent, shape (n,).

    ``across`` is the pressure p that drives the leak at every sample, cmH2O: at the airway opening for a mask, beyond
    the tube for a cuff.
    """

    offset: Samples
    leak: Samples
    exponent: float
    across: Samples

    @property
    def leaking(self) -> bool:
        """True where the loss follows the pressure."""
        return bool(np.any(self.leak > 0))


@kernel
def balance(
    p: Samples, f: Samples, start: Indices, end: Indices, dt: float, exponent: float
) -> tuple[Samples, Samples, Samples]:
    """Net volume (L), inhaled volume (L) and the integral of max(p, 0)^exponent of every breath, shape (n,) each."""
    n = len(start)
    net = np.zeros(n)
    inhaled = np.zeros(n)
    driven = np.zeros(n)
    for j in range(n):
        for i in range(start[j], end[j]):
            net[j] += f[i] * dt
            if f[i] > 0:
                inhaled[j] += f[i] * dt
            if p[i] > 0:
                driven[j] += dt if exponent == 0 else dt * p[i] ** exponent
    return net, inhaled, driven


def windowed(x: Samples) -> Samples:
    """Sum over each breath and its neighbours, shape (n,)."""
    total: Samples = np.concatenate([[0.0], np.cumsum(x)])
    index = np.arange(len(x))
    around: Samples = total[np.minimum(len(x), index + NEIGHBOURS + 1)] - total[np.maximum(0, index - NEIGHBOURS)]
    return around


@kernel
def end_pressures(p: Samples, start: Indices, end: Indices) -> Samples:
    """Mean pressure over the last twentieth of each breath, cmH2O, shape (n,)."""
    out = np.empty(len(start))
    for j in range(len(start)):
        out[j] = np.mean(p[end[j] - 1 - (end[j] - start[j]) // 20 : end[j]])
    return out


def moved(p: Samples, start: Indices, end: Indices) -> Mask:
    """Breaths at whose end the lung rests at another PEEP than before, and those after that may still settle.

    What they keep stays in the lung or has come from it, and says nothing of a loss. Breaths before and after end
    steadily, by half the change: without that a breath has ended early, or with effort, and PEEP is where it was.
    """
    n = len(start)
    out = np.zeros(n, bool)
    if n < 2 * AROUND:
        return out
    groups = np.lib.stride_tricks.sliding_window_view(end_pressures(p, start, end), AROUND)
    middle, unsteady = np.median(groups, axis=1), np.ptp(groups, axis=1)
    change = np.abs(middle[AROUND:] - middle[:-AROUND])
    steady = np.maximum(unsteady[AROUND:], unsteady[:-AROUND]) < 0.5 * change
    for k in np.flatnonzero(steady & (change > MOVED)):
        if change[k] == np.max(change[max(0, k - AROUND) : k + AROUND + 1]):
            out[k + AROUND - 1 : k + AROUND + 1 + SETTLING] = True
    return out


def net_volumes(p: Samples, f: Samples, start: Indices, end: Indices, dt: float) -> tuple[Samples, Samples]:
    """Net and inhaled volume of every breath, L, shape (n,) each; where PEEP was moved, the net that is usual."""
    net, inhaled, _ = balance(p, f, start, end, dt, 0.0)
    elsewhere = moved(p, start, end)
    if elsewhere.any() and not elsewhere.all():
        seconds = (end - start) * dt
        net[elsewhere] = np.median((net / seconds)[~elsewhere]) * seconds[elsewhere]
    return net, inhaled


@kernel
def local_slope(x: Samples, y: Samples, reach: int) -> Samples:
    """Slope of y on x in the middle between each point and the next, from a parabola through ``reach`` points on
    either side (a straight line through fewer than :data:`STRAIGHT`); shape (n − 1,).

    Fitting all points of a window, not taking the difference of its ends, averages over what a single breath leaves in
    the lung; the parabola follows drift.
    """
    n = len(x)
    out = np.zeros(n - 1)
    for j in range(n - 1):
        first = max(0, j - reach)
        last = min(n, j + reach + 2)
        m = last - first
        centre = 0.5 * (x[j] + x[j + 1])
        scale = max(1e-12, x[last - 1] - centre, centre - x[first])
        s = np.zeros(5)
        t = np.zeros(3)
        for i in range(first, last):
            u = (x[i] - centre) / scale
            power = 1.0
            for k in range(5):
                s[k] += power
                if k < 3:
                    t[k] += power * (y[i] - y[j])
                power *= u
        if m < STRAIGHT:
            spread = s[2] - s[1] * s[1] / s[0]
            out[j] = (t[1] - s[1] * t[0] / s[0]) / spread / scale if spread > 1e-12 else 0.0
            continue
        a = np.array([[s[0], s[1], s[2]], [s[1], s[2], s[3]], [s[2], s[3], s[4]]])
        out[j] = np.linalg.solve(a, t)[1] / scale
    return out


def as_offset(p: Samples, f: Samples, start: Indices, end: Indices, dt: float) -> tuple[Loss, bool]:
    """The loss, if all of it is an offset of the sensor; and whether it matters and is lost rather than gained."""
    net, inhaled = net_volumes(p, f, start, end, dt)
    slope = local_slope(ladder(np.asarray((end - start) * dt, np.float64)), ladder(net), NEIGHBOURS)
    return Loss(slope, np.zeros(len(start)), 1.0, p), bool(net.sum() > MATERIAL * inhaled.sum())


def ladder(x: Samples) -> Samples:
    """Running total at the start of every breath and at the end of the last, shape (n + 1,)."""
    return np.concatenate([[0.0], np.cumsum(x)])


def as_leak(p: Samples, f: Samples, start: Indices, end: Indices, dt: float, exponent: float, across: Samples) -> Loss:
    """The loss, if all of it is a leak with this exponent; negative leaks are not leaks and stay an offset."""
    net, driven = net_volumes(p, f, start, end, dt)[0], balance(across, f, start, end, dt, exponent)[2]
    leak = local_slope(ladder(driven), ladder(net), NEIGHBOURS)
    seconds = (end - start) * dt
    offset = np.where(leak < 0, leak * driven / seconds, 0.0)
    return Loss(offset, np.maximum(leak, 0.0), exponent, across)


@kernel
def settled_flows(f: Samples, turn: Indices, end: Indices, dt: float) -> Samples:
    """The flow towards which each expiration tends, L/s, shape (n,); NaN where it does not decay.

    A passive expiration obeys f = c − (V − c·t − V∞)/τ, so least squares of f on V and t gives τ and c, without
    waiting for the lung to be empty. From 30 to 90 % of expiration: after the valve, before the next effort.
    """
    n = len(turn)
    out = np.full(n, np.nan)
    for j in range(n):
        first = turn[j] + 3 * (end[j] - turn[j]) // 10
        m = turn[j] + 9 * (end[j] - turn[j]) // 10 - first
        if m < 8:
            continue
        volume = 0.0
        sv = st = sf = svv = stt = svt = svf = stf = 0.0
        for i in range(m):
            volume += f[first + i] * dt
            t = i * dt
            sv += volume
            st += t
            sf += f[first + i]
            svv += volume * volume
            stt += t * t
            svt += volume * t
            svf += volume * f[first + i]
            stf += t * f[first + i]
        svv -= sv * sv / m
        stt -= st * st / m
        svt -= sv * st / m
        svf -= sv * sf / m
        stf -= st * sf / m
        determinant = svv * stt - svt * svt
        if determinant <= 1e-12 * svv * stt:
            continue
        slope = (svf * stt - stf * svt) / determinant
        if slope < 0:
            out[j] = -(stf * svv - svf * svt) / determinant / slope
    return out


def looks_like_offset(
    p: Samples, f: Samples, start: Indices, end: Indices, dt: float, turn: Indices, resting_pressure: Samples
) -> bool:
    """True where the flow that is left at rest is nearer the mean loss than what a hole would leave there."""
    level, settled = float(np.nanmedian(resting_pressure)), settled_flows(f, turn, end, dt)
    if np.isfinite(settled).sum() < 0.5 * len(settled):
        return False
    net = balance(p, f, start, end, dt, 0.0)[0].sum()
    mean = net / ((end - start).sum() * dt)
    hole = 0.0 if level <= 0 else net / balance(p, f, start, end, dt, 0.5)[2].sum() * level**0.5
    return bool(np.nanmedian(settled) >= 0.5 * (mean + hole))


def from_rest(
    p: Samples,
    f: Samples,
    start: Indices,
    turn: Indices,
    end: Indices,
    dt: float,
    resting_pressure: Samples,
    across: Samples,
) -> Loss:
    """A leak, with the exponent that makes it account for the settled flow as well as for the net volume.

    When a lung is at rest, the flow that is left is the leak at PEEP. The exponent that fits is drawn halfway to the
    usual one, since the settled flow is known no better than exponents vary. Efforts within expiration can only raise
    it, so of all breaths the lower quartile counts.
    """
    level, settled = float(np.nanmedian(resting_pressure)), settled_flows(f, turn, end, dt)
    if level <= 0 or np.isfinite(settled).sum() < 0.5 * len(settled):
        return as_leak(p, f, start, end, dt, USUAL_EXPONENT, across)
    rest = float(np.nanquantile(settled, 0.25))
    net = balance(p, f, start, end, dt, 0.0)[0].sum()
    grid = np.linspace(0.5, 1.0, 11)
    at_rest = np.array(
        [net / balance(across, f, start, end, dt, exponent)[2].sum() * level**exponent for exponent in grid]
    )
    fitting = float(grid[np.argmin(np.abs(at_rest - rest))])
    return as_leak(p, f, start, end, dt, 0.5 * (fitting + USUAL_EXPONENT), across)
