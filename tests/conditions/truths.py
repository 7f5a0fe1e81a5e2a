"""What is there, kind by kind, by mechanism: from the simulation's own channels and tables, never from the sensors'.

A :class:`Truth` is where a kind is there (``there``: what a finding must lie in), and what a review owes (``owed``:
what it should find, with how far beyond the limit it lies). Each predicate is the kind's definition
(``docs/findings.md``) put to true values; where that needs a choice, it is this house's and stands in the docstring.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import get_args

import numpy as np
import numpy.typing as npt
import polars as pl

from tests.conditions.patients import SECONDS, Drawn, Spoilt
from tidebench import interaction
from tidebench.findings.runs import runs
from tidebench.formulas.stress_index import fit_stress_index
from tidebench.limits import Limit
from tidebench.simulation import layout
from tidebench.simulation.protocol import EventKind
from tidebench.simulation.scenario import Scenario
from tidebench.simulation.solution import Solution

Values = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

CHANNELS = ("airway_pressure", "flow", "muscle_pressure", "alveolar_pressure", "pleural_pressure", "lung_volume")
AROUND = 5  # breaths by which the moment of a change may be missed


@dataclass(frozen=True)
class Span:
    """A stretch of time; ``degree`` is how far beyond its limit a thing lies (1: at it), ``of`` what of the kind."""

    start_s: float
    end_s: float
    degree: float = 1.0
    of: str = ""


@dataclass(frozen=True)
class Truth:
    """Where a kind is there, and what is owed."""

    there: Sequence[Span] = ()
    owed: Sequence[Span] = ()


@dataclass(frozen=True)
class Told:
    """A solution with what the predicates ask of it; ``usual_flow`` and ``limits`` as the review has them, L/s."""

    one: Drawn
    done: Solution
    usual_flow: float
    limits: tuple[Limit, ...] = ()
    weight_kg: float | None = None

    @property
    def scenario(self) -> Scenario:
        """What was simulated."""
        return self.done.scenario

    @cached_property
    def rate(self) -> float:
        """Samples per second."""
        return self.scenario.sampling_hz

    @cached_property
    def raw(self) -> pl.DataFrame:
        """Whole breaths as the solver wrote them, row for row with :attr:`breaths`."""
        raw = self.done.raw_breaths
        return raw.filter(pl.col("end").is_not_nan() & pl.col("turn").is_not_nan())

    @cached_property
    def breaths(self) -> pl.DataFrame:
        """Whole breaths of the truth."""
        return self.done.breaths

    @cached_property
    def edges(self) -> npt.NDArray[np.int64]:
        """First sample, sample of the turn and first sample after each breath, shape (n, 3)."""
        times = self.breaths.select("start_s", "insp_end_s", "end_s").to_numpy()
        return np.round(times * self.rate).astype(np.int64)

    @cached_property
    def passive(self) -> Flags:
        """Breaths without muscles."""
        return (self.breaths["passive"] == 1).to_numpy()

    @cached_property
    def peep(self) -> Values:
        """Set PEEP of each breath, cmH2O."""
        return np.array([self.scenario.setting_at(at).peep_cmh2o or 0.0 for at in self.breaths["start_s"]])

    @cached_property
    def effort_of(self) -> npt.NDArray[np.int64]:
        """The effort under way when each inflation begins; −1 where there is none."""
        efforts = self.done.efforts
        onset, over, start = efforts["onset_s"], efforts["over_s"], self.breaths["start_s"]
        return interaction.under_way(onset.to_numpy(), over.to_numpy(), start.to_numpy())

    @cached_property
    def p01(self) -> Values:
        """Rise of muscle pressure in the first 0.1 s of each effort, cmH2O."""
        muscle, onset = self.done.channels["muscle_pressure"], self.done.efforts["onset_s"].to_numpy()
        at = np.arange(len(muscle)) / self.rate
        return np.asarray(np.interp(onset + 0.1, at, muscle) - np.interp(onset, at, muscle), np.float64)

    def parts(self, name: str, *, inflation: bool = False) -> Iterator[Values]:
        """A channel, breath by breath or inflation by inflation."""
        values = self.done.channels[name]
        return (values[a : (t if inflation else b)] for a, t, b in self.edges.tolist())

    def flagged(self, flags: Flags, degree: Values, of: str = "", shortest: int = 1) -> Truth:
        """Breaths with a sign; owed are each of them, or runs of them as findings make them."""
        table = self.breaths.select(pl.int_range(pl.len()).alias("breath"), "start_s", "end_s")
        rows = table.with_columns(degree=np.asarray(degree, np.float64)).filter(flags)
        there = [Span(row["start_s"], row["end_s"], row["degree"], of) for row in rows.iter_rows(named=True)]
        if shortest == 1:
            return Truth(there, there)
        owed = [
            Span(float(run["start_s"][0]), float(run["end_s"][-1]), middle, of) for run, middle in runs(rows, "degree")
        ]
        return Truth(there, owed)

    def about(self, at: int, degree: float) -> Span:
        """Some breaths on either side of one."""
        start = self.breaths["start_s"].to_numpy()
        return Span(float(start[max(0, at - AROUND)]), float(start[min(len(start) - 1, at + AROUND)]), degree)


def joined(*truths: Truth) -> Truth:
    """Several as one."""
    return Truth([s for one in truths for s in one.there], [s for one in truths for s in one.owed])


def whole(degree: float, of: str = "") -> Truth:
    """There for the whole recording where the degree is 1 or more."""
    spans = [Span(0.0, SECONDS, degree, of)] if degree >= 1 else []
    return Truth(spans, spans)


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


def cough(told: Told) -> Truth:
    """A cough, until half a second after its beginning."""
    spans = [Span(one.at_s, one.at_s + 0.5) for one in told.scenario.manoeuvres if one.kind == "cough"]
    return Truth(spans, spans)


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


def sensor_offset(told: Told) -> Truth:
    """What the sensor adds, at the middle of the recording, is 3 % of the usual flow or more."""
    sensors = told.scenario.sensors
    middle = sensors.flow_offset_l_min + sensors.flow_drift_l_min_per_h * 0.5 * SECONDS / 3600
    return whole(abs(middle) / 60 / (0.03 * told.usual_flow))


def sensor_drift(told: Told) -> Truth:
    """What the sensor adds changes, from the middle of the first to that of the last 20 breaths, by 3 % or more."""
    start = told.breaths["start_s"].to_numpy()
    if len(start) < 40:
        return Truth()
    hours = (np.median(start[-20:]) - np.median(start[:20])) / 3600
    return whole(abs(told.scenario.sensors.flow_drift_l_min_per_h) * hours / 60 / (0.03 * told.usual_flow))


def channel_delay(told: Told) -> Truth:
    """Flow is 10 ms or more from pressure, a lag of its sensor counted in; there from 7.5 ms on, the nearest step."""
    late = abs(told.scenario.sensors.flow_delay_s + told.scenario.sensors.flow_lag_s)
    return Truth(whole(late / 0.0075).there, whole(late / 0.01).owed)


LABEL = {"airway_pressure": "Airway pressure", "flow": "Flow"}


def spoilt(told: Told, kind: str) -> list[Spoilt]:
    """What was done to the recording."""
    return [one for one in told.one.spoilt if one.kind == kind]


def flat_line(told: Told) -> Truth:
    """One channel alone was made to hold a value."""
    alone = [one for one in spoilt(told, "flat") if len(one.channels) == 1]
    there = [Span(one.start_s, one.end_s, (one.end_s - one.start_s) / 2, LABEL[one.channels[0]]) for one in alone]
    return Truth(there, [span for span in there if span.degree >= 1])


def clipped_signal(told: Told) -> Truth:
    """A channel was cut below its highest value."""
    cut = [one for one in spoilt(told, "clip") if one.share < 1]
    there = [Span(0.0, SECONDS, 1 / one.share, LABEL[one.channels[0]]) for one in cut]
    return Truth(there, there)


def gap(told: Told) -> Truth:
    """Samples were taken away."""
    spans = [Span(one.start_s, one.end_s) for one in spoilt(told, "gap")]
    return Truth(spans, spans)


TRUTHS: dict[str, Callable[[Told], Truth]] = {
    one.__name__.replace("_", "-"): one
    for one in (
        trigger_delay, flow_starvation, over_assistance, intrinsic_peep, incomplete_expiration,
        expiratory_flow_limitation, leak, leak_change, secretions, overdistension, recruitment, cough, mechanics_change,
        obstruction, disconnection, weak_effort, strong_effort, beyond_limit, sensor_offset, sensor_drift,
        channel_delay, flat_line, clipped_signal, gap,
    )
}  # fmt: skip
"""The truth of each kind."""
TOUCH = (
    "expiratory-flow-limitation",
    "leak-change",
    "cough",
    "mechanics-change",
    "obstruction",
    "disconnection",
    "gap",
)
"""Kinds of a moment: a finding is right where it touches one. Of the others half of it must lie where the kind is."""
