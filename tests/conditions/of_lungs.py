"""The truth of kinds that rest on lung, airway and limits."""

from __future__ import annotations

import numpy as np

from tests.conditions.patients import SECONDS
from tests.conditions.told import Span, Told, Truth, Values, joined
from tidebench.formulas.stress_index import fit_stress_index
from tidebench.simulation import layout


def intrinsic_peep(told: Told) -> Truth:
    """True recoil at the start of the breath is 2 cmH2O or more above set PEEP."""
    trapped = told.breaths["total_peep_cmh2o"].to_numpy() - told.peep
    return told.flagged(trapped >= 2.0, trapped / 2.0, shortest=5)


def incomplete_expiration(told: Told) -> Truth:
    """The lung's own flow over 50 ms is a tenth or more of its peak in this expiration: just before the next inflation
    by time, before the effort that begins the next one, or, where a heartbeat does, 0.1 s before it.
    """
    flow = told.rate * np.gradient(told.done.channels["lung_volume"])
    onset = np.append(told.done.efforts["onset_s"].to_numpy(), np.inf)[np.append(told.effort_of[1:], -1)]
    by_patient = np.append(told.breaths["patient_triggered"].to_numpy()[1:] == 1, [False])
    share = np.zeros(told.breaths.height)
    width, early = max(2, round(0.05 * told.rate)), round(0.1 * told.rate)
    for k, (_, turn, end) in enumerate(told.edges.tolist()):
        last = min(end, round(onset[k] * told.rate)) if np.isfinite(onset[k]) else end - (early if by_patient[k] else 0)
        out = -flow[turn : max(turn + width, last)]
        if len(out) > width and out.max() > 0:
            share[k] = out[-width:].mean() / out.max()
    return told.flagged(share >= 0.1, share / 0.1, shortest=5)


def expiratory_flow_limitation(told: Told) -> Truth:
    """A lung whose flow is limited; its true total PEEP, trapped by 2 cmH2O or more at the lower level, follows a
    change of PEEP by less than half.
    """
    parts = told.scenario.lung.compartments
    total, start = told.breaths["total_peep_cmh2o"].to_numpy(), told.breaths["start_s"].to_numpy()
    spans = []
    for before, after in zip(told.scenario.settings, told.scenario.settings[1:], strict=False):
        at, low, high = after.at_s, before.peep_cmh2o or 0.0, after.peep_cmh2o or 0.0
        k = int(np.searchsorted(start, at))
        if not 5 <= k <= len(start) - 10 or abs(high - low) < 1.5:
            continue
        was, became = np.median(total[k - 5 : k]), np.median(total[-5:])
        trapped = was - low if high > low else became - high
        followed = (became - was) / (high - low)
        if any(part.limiting_resistance_cmh2o_s_l for part in parts) and trapped >= 2 and followed < 0.5:
            spans.append(Span(at - 2, at + 2, min(float(trapped) / 2, 0.5 / max(followed, 0.1))))
    return Truth(spans, spans)


def secretions(told: Told) -> Truth:
    """Wet airways or water in the circuit, however little; owed in relation to a third of the airways' resistance, or
    a condensate of 0.3 (this house's choice: what rattles by about 2 % of peak flow).
    """
    scenario, spans = told.scenario, []
    resistance = scenario.lung.compartments[0].resistance_cmh2o_s_l
    amount = max(scenario.lung.secretions / resistance / 0.33, scenario.ventilator.condensate / 0.3)
    if amount > 0:
        spans.append(Span(0.0, SECONDS, amount))
    ends = next((event.at_s for event in scenario.events if event.kind == "relief"), SECONDS)
    for event in scenario.events:
        if event.kind == "secretions":
            size = 4 * event.size * max(1.0, resistance / 8) / resistance / 0.33
            spans.append(Span(event.at_s, max(ends, event.at_s + 1), size))
    return Truth(spans, spans)


def stress(told: Told) -> Values:
    """Stress index of true alveolar pressure while flow is constant, passive breaths; NaN elsewhere."""
    out = np.full(told.breaths.height, np.nan)
    kinds = told.raw["kind"].to_numpy()
    channels = (told.parts(name, inflation=True) for name in ("alveolar_pressure", "flow"))
    for k, (pressure, flow) in enumerate(zip(*channels, strict=True)):
        even = np.flatnonzero(flow > 0.9 * flow.max(initial=0.0)) if len(flow) else np.zeros(0, np.int64)
        if not told.passive[k] or kinds[k] != layout.VOLUME or len(even) < 14:
            continue
        inside = np.arange(even[0] + round(0.15 * len(even)), even[-1] - round(0.05 * len(even)))
        if len(inside) >= 8:
            out[k] = fit_stress_index((inside + 1) / told.rate, pressure[inside]).index
    return out


def overdistension(told: Told) -> Truth:
    """The stress index of true alveolar pressure exceeds 1.1: the lung itself, not airway or sensor, bends it."""
    index = stress(told)
    return told.flagged(index > 1.1, 1 + (index - 1.1) / 0.1, shortest=5)


def recruitment(told: Told) -> Truth:
    """The stress index of true alveolar pressure is below 0.9."""
    index = stress(told)
    return told.flagged(index < 0.9, 1 + (0.9 - index) / 0.1, shortest=5)


def beyond_limit(told: Told) -> Truth:
    """The true value lies beyond the limit: exhaled volume per kg; alveolar pressure at the end of inflation, and above
    true total PEEP; the ventilator's work times rate. Pressures and power of passive breaths, plateaus with a pause.
    """
    rows, passive = told.breaths, told.passive
    seconds = (rows["end_s"] - rows["start_s"]).to_numpy()
    plateau = np.array([x[-1] if len(x) else np.nan for x in told.parts("alveolar_pressure", inflation=True)])
    paused = np.array([(told.scenario.setting_at(at).pause_s or 0.0) > 0 for at in rows["start_s"]]) & passive
    per_kg = rows["vte_ml"].to_numpy() / (told.weight_kg or np.nan)
    values = {
        "vt_per_pbw_ml_kg": (per_kg, np.ones(len(passive), bool)),
        "vt_per_weight_ml_kg": (per_kg, np.ones(len(passive), bool)),
        "plateau_pressure_cmh2o": (plateau, paused),
        "driving_pressure_cmh2o": (plateau - rows["total_peep_cmh2o"].to_numpy(), paused),
        "mechanical_power_j_min": (60 * rows["work_j"].to_numpy() / seconds, passive),
    }
    return joined(*(
        told.flagged((values[limit.key][0] > limit.high) & values[limit.key][1], values[limit.key][0] / limit.high,
                     limit.key, shortest=5)
        for limit in told.limits
        if limit.key in values and limit.high is not None
    ))  # fmt: skip
