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

NEIGHBOURS = 8  # breaths on either side
MATERIAL = 0.015  # share of inhaled volume below which nobody can tell a leak from an offset, nor needs to
USUAL_EXPONENT = 0.7  # between a hole (0.5) and a slit (1): taken where nothing in the recording decides
EXPONENTS = (USUAL_EXPONENT, 0.5, 0.6, 0.85, 1.0)


@dataclass(frozen=True)
class Loss:
    """Flow to take off: offset + leak·max(p, 0)^exponent; per breath, L/s and L/s per cmH2O^exponent, shape (n,)."""

    offset: Samples
    leak: Samples
    exponent: float

    @property
    def leaking(self) -> bool:
        """True where the loss follows the pressure."""
        return bool(np.any(self.leak > 0))


@kernel
def balance(p: Samples, f: Samples, start: Indices, end: Indices, dt: float, exponent: float) -> tuple[Samples, Samples, Samples]:
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
    total = np.concatenate([[0.0], np.cumsum(x)])
    index = np.arange(len(x))
    return total[np.minimum(len(x), index + NEIGHBOURS + 1)] - total[np.maximum(0, index - NEIGHBOURS)]


def as_offset(p: Samples, f: Samples, start: Indices, end: Indices, dt: float) -> Loss:
    """The loss, if all of it is an offset of the sensor."""
    net, _, _ = balance(p, f, start, end, dt, 0.0)
    return Loss(windowed(net) / windowed((end - start) * dt), np.zeros(len(start)), 1.0)


def as_leak(p: Samples, f: Samples, start: Indices, end: Indices, dt: float, exponent: float) -> Loss:
    """The loss, if all of it is a leak with this exponent; negative leaks are not leaks and stay an offset."""
    net, _, driven = balance(p, f, start, end, dt, exponent)
    lost, drive = windowed(net), windowed(driven)
    leak = np.where(drive > 0, lost / np.where(drive > 0, drive, 1.0), 0.0)
    offset = np.where(leak < 0, lost / windowed((end - start) * dt), 0.0)
    return Loss(offset, np.maximum(leak, 0.0), exponent)


def material(p: Samples, f: Samples, start: Indices, end: Indices, dt: float) -> bool:
    """True where what is lost matters, and is lost rather than gained."""
    net, inhaled, _ = balance(p, f, start, end, dt, 0.0)
    return bool(net.sum() > MATERIAL * inhaled.sum())


@kernel
def settled_flow(f: Samples, turn: Indices, end: Indices, dt: float) -> Samples:
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
        det = svv * stt - svt * svt
        if det <= 1e-12 * svv * stt:
            continue
        slope = (svf * stt - stf * svt) / det
        if slope < 0:
            out[j] = -(stf * svv - svf * svt) / det / slope
    return out


def from_rest(
    p: Samples, f: Samples, start: Indices, turn: Indices, end: Indices, dt: float, resting_pressure: Samples
) -> Loss:
    """The loss, with the exponent that makes a leak account for the settled flow as well as for the net volume.

    When a lung is at rest, the flow that is left is the leak at PEEP. If it is about the mean loss, nothing follows
    the pressure and the loss is an offset. The exponent that fits is drawn halfway to the usual one, since the settled
    flow is known no better than exponents vary.
    """
    level, settled = float(np.median(resting_pressure)), settled_flow(f, turn, end, dt)
    usual = as_leak(p, f, start, end, dt, USUAL_EXPONENT)
    if level <= 0 or np.isfinite(settled).sum() < 0.5 * len(settled):
        return usual
    rest = float(np.nanmedian(settled))
    net = balance(p, f, start, end, dt, 0.0)[0].sum()

    def at_rest(exponent: float) -> float:
        return float(net / balance(p, f, start, end, dt, exponent)[2].sum() * level**exponent)

    if rest >= 0.5 * (net / ((end - start).sum() * dt) + at_rest(0.5)):
        return as_offset(p, f, start, end, dt)
    grid = np.linspace(0.5, 1.0, 11)
    fitting = float(grid[np.argmin(np.abs(np.array([at_rest(exponent) for exponent in grid]) - rest))])
    return as_leak(p, f, start, end, dt, 0.5 * (fitting + USUAL_EXPONENT))
