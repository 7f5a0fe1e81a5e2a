"""Secretions or water in the circuit: flow rattles where it is fast."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.seen import Flags, Seen, Times
from tidebench.kernels import kernel
from tidebench.records import Finding

Indices = npt.NDArray[np.int64]

KIND = "secretions"
RULE = "roughness of flow that grows with flow"
VERSION = 2

FAST, SLOW = 0.5, 0.12  # of the breath's peak expiratory flow
TIMES = 3.0  # rougher where flow is fast
SHARE, MUCH = 0.02, 0.1  # of peak expiratory flow; from which on more says no more
PART = 0.3  # of the breaths
CLEAR_S, FEWEST = 0.1, 8  # from turn and end, samples of either
SMOOTH_S = 0.1
"""Above its frequencies air rattles, the lung does not; a parabola follows the bend of small lungs, which empty within
so short a time."""
ABOUT = About(
    seen="In three of ten breaths or more, expiratory flow strays from a parabola over a tenth of a second three "
    "times as much where it is fast as where it is slow, and by 2 % of its peak or more.",
    source="by mechanism: this house's; a saw-toothed flow is the usual sign (common practice)",
    behind="Secretions in the airway or tube, water in the tubing.",
    further="Auscultation, suction, water traps.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """One finding from the first to the last breath that rattles, where enough of them do."""
    rattling, size = rattles(seen)
    if not len(rattling) or rattling.mean() < PART:
        return []
    rows = seen.breaths.filter(rattling)
    share = float(np.median(size[rattling]))
    return [
        Finding(
            kind=KIND,
            breath=int(rows["breath"][0]),
            start_s=float(rows["start_s"][0]),
            end_s=float(rows["end_s"][-1]),
            confidence=graded(share - SHARE, MUCH - SHARE),
            evidence=f"In {rows.height} of {seen.breaths.height} breaths fast expiratory flow rattles by "
            f"{100 * share:.1f} % of its peak, slow flow does not.",
            rule=RULE,
            rule_version=VERSION,
            values=(("flow_roughness", share),),
        )
    ]


def rattles(seen: Seen) -> tuple[Flags, Times]:
    """Which breaths rattle, and by which share of peak expiratory flow, shape (n,)."""
    rate, flow = seen.recording.rate_hz, seen.recording["flow"]
    width = max(5, round(SMOOTH_S * rate))
    left = flow - np.convolve(flow, parabola(width // 2), "same")
    begins, ends = (np.nan_to_num(rate * times) for times in (seen.turn + CLEAR_S, seen.end - CLEAR_S))
    quick, quiet = roughness(flow, left, begins.round().astype(np.int64), ends.round().astype(np.int64))
    return (quick > TIMES * quiet) & (quick > SHARE), quick


def parabola(half: int) -> Times:
    """Weights with which a parabola is fitted to a sample and ``half`` samples on either side, shape (2·half + 1,).

    Savitzky and Golay, Anal Chem 1964;36:1627, in closed form.
    """
    i, m = np.arange(-half, half + 1), half
    weights = 3.0 * (3 * m * m + 3 * m - 1 - 5 * i * i) / ((2 * m - 1) * (2 * m + 1) * (2 * m + 3))
    return np.asarray(weights, np.float64)


@kernel
def roughness(flow: Times, left: Times, begins: Indices, ends: Indices) -> tuple[Times, Times]:
    """Root mean square of ``left`` where expiratory flow is fast and where slow, as shares of its peak; (n,) each.

    0 and infinity where either has too few samples.
    """
    fast, slow = np.zeros(len(begins)), np.full(len(begins), np.inf)
    for j in range(len(begins)):
        peak = 0.0
        for i in range(begins[j], ends[j]):
            peak = max(peak, -flow[i])
        sums, counts = np.zeros(2), np.zeros(2)
        for i in range(begins[j], ends[j]):
            part = 0 if -flow[i] > FAST * peak else 1 if abs(flow[i]) < SLOW * peak else 2
            if part < 2:
                sums[part] += left[i] * left[i]
                counts[part] += 1.0
        if peak > 0.0 and np.min(counts) >= FEWEST and np.isfinite(np.sum(sums)):
            fast[j], slow[j] = np.sqrt(sums[0] / counts[0]) / peak, np.sqrt(sums[1] / counts[1]) / peak
    return fast, slow
