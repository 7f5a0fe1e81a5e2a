"""Secretions or water in the circuit: flow rattles where it is fast."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from tidebench.findings.about import About
from tidebench.findings.seen import Flags, Seen, Times
from tidebench.kernels import kernel
from tidebench.records import Finding

Indices = npt.NDArray[np.int64]

KIND = "secretions"
RULE = "roughness of flow that grows with flow"
VERSION = 1

FAST, SLOW = 0.5, 0.12  # of the breath's peak expiratory flow
TIMES = 3.0  # rougher where flow is fast
SHARE = 0.02  # of peak expiratory flow
PART = 0.3  # of the breaths
CLEAR_S, FEWEST = 0.1, 8  # from turn and end, samples of either
SMOOTH_S = 0.1  # above its frequencies air rattles, the lung does not
ABOUT = About(
    seen="In three of ten breaths or more, expiratory flow strays from its mean over a tenth of a second three "
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
            confidence=0.7,
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
    width = max(3, round(SMOOTH_S * rate))
    left = flow - np.convolve(flow, np.full(width, 1 / width), "same")
    begins, ends = (np.nan_to_num(rate * times) for times in (seen.turn + CLEAR_S, seen.end - CLEAR_S))
    quick, quiet = roughness(flow, left, begins.round().astype(np.int64), ends.round().astype(np.int64))
    return (quick > TIMES * quiet) & (quick > SHARE), quick


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
