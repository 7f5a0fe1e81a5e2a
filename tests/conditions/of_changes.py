"""The truth of leaks, of changes, and of an open airway."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

import numpy as np

from tests.conditions.told import AROUND, Span, Told, Truth, Values
from tidebench.simulation.protocol import EventKind


def lost_volume(told: Told) -> tuple[Values, Values]:
    """Gas that passes the wye and never comes back, and what is inhaled, L per breath; disconnections left out."""
    net = np.array([x.sum() for x in told.parts("flow")]) / told.rate
    inhaled = np.array([np.maximum(x, 0).sum() for x in told.parts("flow")]) / told.rate
    kept = np.array([x[-1] - x[0] if len(x) else 0.0 for x in told.parts("lung_volume")])
    away = told.raw["away_from"].to_numpy() < told.raw["away_until"].to_numpy()
    return np.where(away, 0.0, net - kept), np.where(away, 0.0, inhaled)


def rolled(values: Values, width: int) -> Values:
    """Sums over so many breaths about each."""
    return np.convolve(values, np.ones(width), "same")


def leak(told: Told) -> Truth:
    """True flow through leaks takes a tenth or more of what is inhaled, over nine breaths."""
    lost, inhaled = (rolled(values, 9) for values in lost_volume(told))
    share = np.divide(lost, inhaled, out=np.zeros(len(lost)), where=inhaled > 0)
    return told.flagged(share >= 0.1, share / 0.1, shortest=5)


def leak_change(told: Told) -> Truth:
    """Of the inhaled volume the true loss over ten breaths differs by a fifth from that over the ten before, where a
    cuff begins to leak or is mended.
    """
    lost, inhaled = lost_volume(told)
    found = []
    for k in near_events(told, 10, 10, ("cuff leak", "relief")):
        before, after = (ratio(lost[part], inhaled[part]) for part in (slice(k - 10, k), slice(k, k + 10)))
        if abs(after - before) >= 0.2:
            found.append((k, abs(after - before) / 0.2))
    return changes(told, found)


def ratio(a: Values, b: Values) -> float:
    """Sum over sum; 0 of nothing."""
    return float(a.sum() / b.sum()) if b.sum() > 0 else 0.0


def true_mechanics(told: Told) -> tuple[Values, Values]:
    """Compliance (L/cmH2O) and resistance (cmH2O·s/L) of each breath from true volume, alveolar pressure and flow."""
    names = ("lung_volume", "alveolar_pressure", "airway_pressure", "flow", "muscle_pressure")
    rows = []
    for volume, alveolar, airway, flow, muscle in zip(*(told.parts(n, inflation=True) for n in names), strict=True):
        if len(flow) < 4 or not np.any(flow > 0):
            rows.append((np.nan, np.nan))
            continue
        recoil, on = alveolar + muscle, flow > 0.5 * flow.max()
        resistance = np.sum((airway - alveolar)[on] * flow[on]) / np.sum(flow[on] ** 2)
        rows.append(((volume[-1] - volume[0]) / (recoil[-1] - recoil[0]), resistance))
    compliance, resistance = np.array(rows).reshape(-1, 2).T
    return compliance, resistance


def medians(values: Values, k: int, before: int, after: int) -> float:
    """Logarithm of the median over breaths from ``k`` on against that of those before."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return float(np.log(np.median(values[k : k + after]) / np.median(values[k - before : k])))


def mechanics_change(told: Told) -> Truth:
    """Where an event comes or goes: true compliance or resistance of five breaths, of a patient who is passive then,
    differs by a quarter from the five before, at the same PEEP.
    """
    columns = true_mechanics(told)
    spans = []
    for k in near_events(told, 5, 5):
        calm = told.passive[k - 5 : k + 5].all() and np.ptp(told.peep[k - 5 : k + 5]) < 1
        size = max(abs(medians(values, k, 5, 5)) for values in columns) if calm else 0.0
        if size >= np.log(1.25):
            spans.append((k, size / np.log(1.25)))
    return changes(told, spans)


def obstruction(told: Told) -> Truth:
    """Where an event comes: the pressure that drives gas in (highest sum of airway and muscle pressure, above set PEEP)
    doubles against flow and volume (geometric mean), three breaths against the five before.
    """
    names = ("airway_pressure", "muscle_pressure", "flow")
    needs = np.full(told.breaths.height, np.nan)
    for k, (airway, muscle, flow) in enumerate(zip(*(told.parts(n, inflation=True) for n in names), strict=True)):
        inward = np.maximum(flow, 0.0)
        if inward.sum() > 0:
            needs[k] = (np.max(airway + muscle) - told.peep[k]) / np.sqrt(inward.max() * inward.sum() / told.rate)
    found = [(k, medians(needs, k, 5, 3) / np.log(2)) for k in near_events(told, 5, 3)]
    return changes(told, [(k, size) for k, size in found if size >= 1])


def near_events(told: Told, before: int, after: int, kinds: Sequence[str] = get_args(EventKind)) -> list[int]:
    """Breaths near the beginning of an event, or within its coming, with enough breaths on either side."""
    start = told.breaths["start_s"].to_numpy()
    found: set[int] = set()
    for event in (one for one in told.scenario.events if one.kind in kinds):
        first, last = np.searchsorted(start, [event.at_s, event.at_s + event.over_s])
        found |= set(range(int(first) - AROUND, int(last) + AROUND + 1))
    return sorted(k for k in found if before <= k <= len(start) - after)


def changes(told: Told, found: Sequence[tuple[int, float]]) -> Truth:
    """There is a change at every breath found; owed is the largest of each stretch of them."""
    there = [told.about(k, size) for k, size in found]
    owed: list[Span] = []
    for k, size in found:
        here = told.about(k, size)
        if owed and here.start_s < owed[-1].end_s:
            owed[-1] = Span(owed[-1].start_s, here.end_s, max(size, owed[-1].degree))
        else:
            owed.append(here)
    return Truth(there, owed)


def disconnection(told: Told) -> Truth:
    """A disconnection or a suction; owed from 1.5 s on, where PEEP is 4 cmH2O or more."""
    spans = [
        Span(one.at_s, one.at_s + one.lasts_s, one.lasts_s / 1.5)
        for one in told.scenario.manoeuvres
        if one.kind in ("disconnection", "suction")
    ]
    kept = [s for s in spans if (told.scenario.setting_at(s.start_s).peep_cmh2o or 0.0) >= 4 and s.degree >= 1]
    return Truth(spans, kept)
