"""Published rules beside those by mechanism: what they look at stands in the evidence, as values of its own.

They catch other breaths. Thille, Intensive Care Med 2006;32:1515: an ineffective effort is a fall of airway pressure of
0.5 cmH2O or more with a change of flow; a double trigger has an expiration below half the mean inspiratory time; a
cycle is short below half, prolonged above twice that mean; an auto-trigger has no fall of pressure before it. Chen,
Crit Care Med 2008;36:455: an ineffective effort deflects pressure by more than 0.45 cmH2O, flow by more than 5.45
L/min.
"""

from __future__ import annotations

import numpy as np

from tidebench.findings.seen import Seen, Times

Values = tuple[tuple[str, float], ...]

THILLE_PRESSURE, CHEN_PRESSURE, CHEN_FLOW = 0.5, 0.45, 5.45  # cmH2O, cmH2O, L/min
BEFORE_S = 0.3  # in which pressure falls before a triggered cycle
STEADY_S = 0.05


def inspiratory_share(seen: Seen) -> Times:
    """Inspiratory time of each cycle over the mean of all, shape (n,)."""
    lasts = seen.turn - seen.start
    return np.asarray(lasts / np.mean(lasts), np.float64) if len(lasts) else lasts


def expiratory_share(seen: Seen) -> Times:
    """Time from the turn before to each start over the mean inspiratory time, shape (n,); infinite for the first."""
    if not len(seen.start):
        return seen.start
    pause = np.concatenate([[np.inf], seen.start[1:] - seen.turn[:-1]])
    return np.asarray(pause / np.mean(seen.turn - seen.start), np.float64)


def fall_before(seen: Seen, at: int) -> float:
    """How far airway pressure falls in the time before a cycle, cmH2O; NaN where nothing was recorded."""
    rate, pressure = seen.recording.rate_hz, seen.recording["airway_pressure"]
    start, steady = round(seen.start[at] * rate), max(1, round(STEADY_S * rate))
    part = pressure[max(0, start - round(BEFORE_S * rate)) : start + 1]
    return float(np.median(part[:steady]) - np.min(part)) if len(part) > steady else float("nan")


def deflections(seen: Seen, k: int) -> Values:
    """How far an effort bends pressure down and flow up from what they were at its onset, cmH2O and L/min."""
    rate = seen.recording.rate_hz
    first, last = round(seen.onset[k] * rate), round(seen.over[k] * rate) + 1
    steady = max(1, round(STEADY_S * rate))
    begin = max(0, first - steady)
    pressure, flow = (seen.recording[name][begin:last] for name in ("airway_pressure", "flow"))
    if len(pressure) <= steady:
        return ()
    return (
        ("pressure_deflection_cmh2o", float(np.median(pressure[:steady]) - np.min(pressure))),
        ("flow_deflection_l_min", 60 * float(np.max(flow) - np.median(flow[:steady]))),
    )


def signs(values: Values) -> str:
    """What Thille's and Chen's rules make of an effort with these deflections, in words; empty where none are known."""
    known = dict(values)
    if not known:
        return ""
    pressure, flow = known["pressure_deflection_cmh2o"], known["flow_deflection_l_min"]
    thille = pressure >= THILLE_PRESSURE and flow > 0
    chen = pressure > CHEN_PRESSURE and flow > CHEN_FLOW
    return f" Thille's sign is {'there' if thille else 'missing'}, Chen's {'there' if chen else 'missing'}."
