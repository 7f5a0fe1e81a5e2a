"""Flow starvation: the patient pulls harder than a set flow fills the lung."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.efforts.edges import delayed
from tidebench.findings.about import About
from tidebench.findings.breaths import at_breath
from tidebench.findings.grades import graded
from tidebench.findings.secretions import parabola
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "flow-starvation"
RULE = "pressure falls while set flow goes on"
VERSION = 3

FALL = 1.5  # cmH2O
FLOWS = 0.85  # of the highest flow: less of it asks for less pressure, also without a patient
SETTLED_S, SMOOTH_S = 0.12, 0.05
RATTLES = 5.0  # times what water in the tubing and noise make of pressure
ENDING_S = 0.08  # before flow ends: where channels are apart, pressure falls earlier
GREY = 3.0  # cmH2O over which confidence rises
ABOUT = About(
    seen="In a volume-controlled inflation airway pressure falls by 1.5 cmH2O or more below what it had "
    "reached, and by five times what it rattles, while flow stays near its highest. A passive lung that fills can only "
    "raise it.",
    source="by mechanism, this house's; a scooped pressure is the usual sign (common practice)",
    behind="High drive, a low set flow or a small set volume.",
    further="Peak flow, flow pattern, volume, cause of the drive.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every volume-controlled inflation, not passive, within which pressure falls."""
    rate, pressure = seen.recording.rate_hz, seen.recording["airway_pressure"]
    late = seen.known.column("delay")
    flow = delayed(seen.recording["flow"], float(np.median(late)) if len(late) else 0.0, 1 / rate)
    active = (seen.breaths["delivery"] == "volume-control") & ~seen.breaths["passive"].fill_null(value=False)
    active &= seen.breaths["expiration_s"].is_not_null()
    width, spare = max(1, round(SMOOTH_S * rate)), round(ENDING_S * rate)
    found = []
    for at in np.flatnonzero(active.fill_null(value=False).to_numpy()).tolist():
        first, last = round((seen.start[at] + SETTLED_S) * rate), round(seen.turn[at] * rate)
        flowing = np.flatnonzero(flow[first:last] > FLOWS * np.max(flow[first:last], initial=0.0))
        inside = pressure[first : max(first, first + flowing[-1] + 1 - spare)] if len(flowing) else pressure[:0]
        if len(inside) <= 2 * width or not np.isfinite(inside).all():
            continue
        smooth = np.convolve(inside, np.full(width, 1 / width), "valid")
        fall = float(np.max(np.maximum.accumulate(smooth) - smooth))
        half = max(1, width)
        rattle = inside - np.convolve(inside, parabola(half), "same")
        rough = float(np.sqrt(np.mean(rattle[half:-half] ** 2)))
        if fall >= max(FALL, RATTLES * rough):
            words = f"Pressure falls by {quantity('pressure_fall_cmh2o').text(fall)} while the set flow goes on."
            sure = graded(fall - FALL, GREY)
            found.append(at_breath(KIND, (RULE, VERSION), seen, at, sure, words, ("pressure_fall_cmh2o", fall)))
    return found
