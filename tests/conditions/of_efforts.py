"""The truth of kinds that rest on what the patient does."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from tests.conditions.told import Flags, Span, Told, Truth, Values, joined
from tidebench import interaction
from tidebench.simulation import layout


def trigger_delay(told: Told) -> Truth:
    """A triggered inflation begins 0.3 s or more after the onset of the effort under way."""
    efforts, start = told.done.efforts, told.breaths["start_s"].to_numpy()
    onset = np.append(efforts["onset_s"].to_numpy(), np.nan)[told.effort_of]
    double = interaction.double_triggers(
        told.effort_of, told.breaths["patient_triggered"].to_numpy() == 1, entrained(told)
    )
    late = np.where((told.breaths["patient_triggered"].to_numpy() == 1) & ~double, start - onset, np.nan)
    free = told.raw["kind"].is_in([float(layout.UNASSISTED), float(layout.HIGH_LEVEL)]).to_numpy()
    return told.flagged((late >= 0.3) & ~free, late / 0.3)


def entrained(told: Told) -> Flags:
    """Efforts that follow the ventilator's clock."""
    return (told.done.raw_efforts["entrained"] > 0).to_numpy()


def flow_starvation(told: Told) -> Truth:
    """In a volume-controlled inflation true airway pressure falls by 1.5 cmH2O or more while flow is 85 % of its
    highest or more; muscle pressure rises by at least half of that meanwhile (this house's choice).
    """
    fall = np.zeros(told.breaths.height)
    kinds = told.raw["kind"].to_numpy()
    channels = (told.parts(name, inflation=True) for name in ("airway_pressure", "flow", "muscle_pressure"))
    for k, (pressure, flow, muscle) in enumerate(zip(*channels, strict=True)):
        if kinds[k] != layout.VOLUME or len(flow) < 3:
            continue
        first, last = round(0.12 * told.rate), int(np.flatnonzero(flow > 0.85 * flow.max(initial=0.0))[-1:].sum()) + 1
        p, m = pressure[first:last], muscle[first:last]
        if len(p) > 2:
            top = np.maximum.accumulate(p)
            low = int(np.argmax(top - p))
            high = int(np.argmax(p[: low + 1]))
            if m[low] - m[high] >= 0.5 * (p[high] - p[low]):
                fall[k] = p[high] - p[low]
    return told.flagged(fall >= 1.5, fall / 1.5)


def over_assistance(told: Told) -> Truth:
    """Supported breaths that a patient triggered, with a true muscle pressure below 3 cmH2O."""
    small = told.breaths["muscle_peak_cmh2o"].to_numpy()
    of = (told.breaths["patient_triggered"] == 1) & (told.breaths["pressure_supported"] == 1)
    return told.flagged(of.to_numpy() & (small < 3.0), 3.0 / np.fmax(small, 0.3), shortest=5)


def occluded(told: Told) -> Iterator[tuple[Span, int]]:
    """Each stretch of a closed airway within an expiration, and the first effort that begins in it."""
    onset = told.done.efforts["onset_s"].to_numpy()
    closed = told.raw.filter(pl.col("away_until") > pl.col("away_from"))
    shut = [one.at_s for one in told.scenario.manoeuvres if one.kind in ("occlusion", "expiratory hold")]
    for first, last in closed.select("away_from", "away_until").iter_rows():
        k = int(np.searchsorted(onset, first - 0.05))
        if k < len(onset) and onset[k] < last and any(first - 15 < at <= first + 0.1 for at in shut):
            yield Span(first, last, of="occlusion"), k


def weak_effort(told: Told) -> Truth:
    """True P0.1 (rise of muscle pressure in the first 0.1 s) of at most 1.0 cmH2O: of the first effort that begins
    with the airway closed, and of the efforts that trigger. Owed are occlusions alone: no truth says how long a
    trigger phase may be.
    """
    drive = np.append(told.p01, np.nan)[told.effort_of]
    phases = told.flagged(drive <= 1.0, 1.0 / np.fmax(drive, 0.1), "trigger phase")
    shut = [Span(s.start_s, s.end_s, 1.0 / max(told.p01[k], 0.1), s.of) for s, k in occluded(told) if told.p01[k] <= 1]
    return joined(Truth(phases.there), Truth(shut, shut))


def strong_effort(told: Told) -> Truth:
    """True muscle pressure of 15 cmH2O or more, breath after breath; true P0.1 above 4; or an occluded effort with
    either, or with 17 cmH2O across the lung in the breaths before.
    """
    size = told.breaths["muscle_peak_cmh2o"].to_numpy()
    large = told.flagged(size >= 15, size / 15, "large muscle pressure", shortest=5)
    drive = np.append(told.p01, np.nan)[told.effort_of]
    phases = told.flagged(drive > 4.0, drive / 4.0, "trigger phase")
    peak = told.done.efforts["amplitude_cmh2o"].to_numpy()
    across = across_lung(told)
    start, shut = told.breaths["start_s"].to_numpy(), []
    for span, k in occluded(told):
        at = int(np.searchsorted(start, span.start_s)) - 1
        lung = float(np.median(across[max(0, at - 4) : at])) if at > 0 else 0.0
        degree = max(told.p01[k] / 4, peak[k] / 15, lung / 17)
        if degree >= 1:
            shut.append(Span(span.start_s, span.end_s, degree, span.of))
    return joined(large, Truth(phases.there), Truth(shut, shut))


def across_lung(told: Told) -> Values:
    """Swing of true airway less pleural pressure in each breath, cmH2O."""
    pairs = zip(told.parts("airway_pressure"), told.parts("pleural_pressure"), strict=True)
    return np.array([float(np.max(p - q) - (p - q)[0]) if len(p) else 0.0 for p, q in pairs])


def cough(told: Told) -> Truth:
    """A cough, until half a second after its beginning."""
    spans = [Span(one.at_s, one.at_s + 0.5) for one in told.scenario.manoeuvres if one.kind == "cough"]
    return Truth(spans, spans)
