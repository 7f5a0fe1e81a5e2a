"""Secretions or water in the circuit: flow rattles where it is fast."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.seen import Flags, Seen, Times
from tidebench.records import Finding

KIND = "secretions"
RULE = "roughness of flow that grows with flow"
VERSION = 1

FAST, SLOW = 0.5, 0.12  # of the breath's peak expiratory flow
TIMES = 3.0  # rougher where flow is fast
SHARE = 0.02  # of peak expiratory flow
PART = 0.1  # of the breaths
CLEAR_S, FEWEST = 0.1, 8  # from turn and end, samples of either
SMOOTH_S = 0.1  # above its frequencies air rattles, the lung does not
ABOUT = About(
    seen="In a tenth of the breaths or more, expiratory flow is three times rougher from sample to sample "
    "where it is fast than where it is slow, and by 2 % of its peak or more.",
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
    ends = seen.breaths["end_s"].to_numpy()
    out, size = np.zeros(len(ends), bool), np.zeros(len(ends))
    for j, (turn, end) in enumerate(zip(seen.turn, ends, strict=True)):
        if not np.isfinite(turn):
            continue
        part = slice(round((turn + CLEAR_S) * rate), round((end - CLEAR_S) * rate))
        out_flow, rough = -flow[part], left[part]
        peak = float(np.max(out_flow, initial=0.0))
        fast, slow = out_flow > FAST * peak, np.abs(out_flow) < SLOW * peak
        if peak > 0 and min(fast.sum(), slow.sum()) >= FEWEST and np.isfinite(rough).all():
            quick, quiet = (float(np.sqrt(np.mean(np.square(rough[some])))) for some in (fast, slow))
            size[j] = quick / peak
            out[j] = quick > TIMES * quiet and size[j] > SHARE
    return out, size
