"""Runs the line from a recording to a review, and holds what came out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench._version import __version__
from tidebench.case import Case
from tidebench.caution import CAUTION
from tidebench.doubts import beyond_the_end, doubts
from tidebench.findings import find_all
from tidebench.findings.rates import asynchrony_index_percent, rates_of
from tidebench.findings.seen import Known, Seen
from tidebench.formulas.tube import TUBES, Rohrer, TubeLaw, tube_coefficients, usual_length_cm
from tidebench.inflations.delivery import PRESSURE, TARGETED, VOLUME
from tidebench.inflations.lost import LONGEST_S, lost_pressure
from tidebench.limits import Policy, limits_of_case, population, predicted_weight_kg, volume_weight_kg
from tidebench.line import Piece, concatenated, run
from tidebench.measures import saturation
from tidebench.measures.account import account_of
from tidebench.measures.breaths import JOULE, Setting, breath_table, key_statistics, statistics_of
from tidebench.measures.capnography import KEYS as CAPNOGRAM_KEYS
from tidebench.measures.capnography import Capnogram, capnogram_of
from tidebench.measures.manoeuvres import holds_of
from tidebench.measures.plans import peep_set
from tidebench.measures.power import published_power
from tidebench.measures.set_against_measured import mode_departs, peep_departs
from tidebench.measures.stretch import FEWEST_BREATHS
from tidebench.measures.tracheal import with_tracheal_pressure
from tidebench.quantities import quantity
from tidebench.readers import open_recording
from tidebench.recording import Recording
from tidebench.records import EFFORT_COLUMNS, Hold, PressureAccount, Step
from tidebench.steps import find_steps

Column = npt.NDArray[Any]
Progress = Callable[[str, float], None]

ENOUGH_PASSIVE = 20
"""Passive breaths, half a minute to a minute of them, from which on something is said of compartments: this house's
choice.
"""
SCALE = {"airway_pressure": 1.0, "flow": 60.0}
"""From canonical units to those in which a channel is told."""
SAID = {
    VOLUME: "volume control with constant flow",
    PRESSURE: "pressure control",
    TARGETED: "pressure control with a volume target",
}
FINE_HZ, FINE_SAMPLES = 60.0, 40.0
"""Samples a second, and in the shorter phase of a breath, below which what falls between two of them matters."""
LEAK_MATTERS = 0.05
"""Of the inhaled gas: where it leaks, compliance is off by up to half of it: this house's choice, from simulations."""
EXCESS = 0.02
"""By which part exhaled volume may exceed inhaled before it is told: this house's choice. One sensor measures both, so
its gain cancels; what a lung takes up of oxygen and does not give back as carbon dioxide makes it less than one.
"""


@dataclass(frozen=True)
class Review:
    """A reviewed case.

    Attributes
    ----------
    case, recording
        What was read.
    breaths, efforts, findings : polars.DataFrame
        Columns as :mod:`tidebench.records` lists them.
    holds : tuple of Hold
    steps : tuple of Step
        What each change of settings did.
    summary : dict
        What ``summary.json`` holds: ``quantities`` (breath-table key to median, p05, p95, n, unit), ``holds``,
        ``findings``, ``asynchrony_index_percent``, ``warnings``, ``version``, ``caution`` and more.
    mechanics : mapping of str to ndarray, shape (breaths,)
        Canonical columns behind the table, from which a pressure account is drawn.
    policy : Policy or None
        A house's limits, against which the numbers are held instead of published ones.
    capnogram : Capnogram or None
        Carbon dioxide over expired volume, breath by breath; None where none was recorded.
    intervals : polars.DataFrame or None
        Breath, quantity, low and high: what the samples of an uncertain recording leave open; None of a certain one.
    """

    case: Case
    recording: Recording
    breaths: pl.DataFrame
    efforts: pl.DataFrame
    findings: pl.DataFrame
    holds: tuple[Hold, ...]
    steps: tuple[Step, ...]
    summary: dict[str, Any]
    mechanics: Mapping[str, Column] = field(default_factory=dict, repr=False)
    policy: Policy | None = None
    capnogram: Capnogram | None = None
    intervals: pl.DataFrame | None = None

    def typical_breath(self) -> int | None:
        """Index of the breath that best stands for the recording: passive if any are, nearest the medians, no hold."""
        held = [hold.breath for hold in self.holds]
        pool = self.breaths.filter(~pl.col("breath").is_in(held) & (pl.col("breath") > 0))
        passive = pool.filter(pl.col("passive"))
        pool = passive if passive.height else pool
        if not pool.height:
            return None
        keys = ("vti_ml", "peak_pressure_cmh2o", "inspiratory_time_s", "expiratory_time_s", "peep_cmh2o")
        far = pl.sum_horizontal([((pl.col(key) / pl.col(key).median()) - 1).abs().fill_null(1.0) for key in keys])
        nearest = pool.select("breath", far.alias("far")).sort("far", "breath")["breath"][0]
        return int(nearest)

    def account(self, breath: int) -> PressureAccount | None:
        """The pressure account of a breath, or None where no mechanics are known for it."""
        return account_of(self.mechanics, self.recording, breath, law_of_leak(self.case))


def tracheal_pressure(case: Case, recording: Recording) -> Recording | None:
    """The recording with tracheal pressure as a further channel, or None where no published law covers the tube."""
    law = tube_law(case)
    return None if law is None else with_tracheal_pressure(recording, law)


def review(
    case: Case, recording: Recording | None = None, *, policy: Policy | None = None, progress: Progress | None = None
) -> Review:
    """Review a case: find its breaths and holds, measure them, say what can't be told.

    Parameters
    ----------
    case : Case
    recording : Recording, optional
        Read from the case if not given.
    policy : Policy, optional
        A house's limits.
    progress : callable, optional
        Called with what is being done and the share of the work that is behind.

    Raises
    ------
    SignalError, CaseError
        The recording can't be read, or doesn't hold airway pressure and flow.
    """
    tell = progress or (lambda _words, _share: None)
    tell("reading", 0.0)
    recording = recording or open_recording(case)
    tell("finding and measuring breaths", 0.2)
    with ThreadPoolExecutor(1) as pool:
        identity = pool.submit(lambda: recording.recording_id)
        pieces = run(
            dict(recording.channels),
            float(recording.rate_hz),
            case.settings,
            lambda share: tell("measuring", 0.2 + 0.6 * share),
            law_of_leak(case),
            1 if recording.uncertainty is None else recording.uncertainty.apart(recording.rate_hz),
        )
        tell("summarising", 0.85)
        return assemble(case, recording, pieces, identity.result(), policy)


def assemble(
    case: Case, recording: Recording, pieces: Sequence[Piece], identity: str, policy: Policy | None = None
) -> Review:
    """Tables, holds, steps, findings and summary from what the line found."""
    columns = concatenated(pieces)
    about = setting_of(case, recording)
    pressure, flow = recording["airway_pressure"], recording["flow"]
    oesophageal = recording.channels.get("oesophageal_pressure")
    heart = next((piece.heart_hz for piece in pieces if piece.heart_hz is not None), None)
    holds = holds_of(columns, pressure, flow, about.rate_hz, heart, oesophageal)
    breaths = breath_table(columns, pressure, flow, about)
    efforts = effort_table(pieces, columns, about.rate_hz)
    steps = find_steps(breaths, case.settings)
    limits = limits_of_case(case, policy=policy)
    known = Known(limits, volume_weight_kg(case.patient), steps, holds, columns, case.settings)
    seen = Seen(breaths, efforts, recording, known)
    findings = find_all(seen)
    summary = summarise(case, seen, pieces, holds, findings) | {"recording_id": identity}
    summary["policy"] = policy.identity if policy else None
    capnogram = capnogram_in(case, recording, columns)
    if capnogram is not None:
        summary["quantities"] |= capnogram_statistics(capnogram)
        summary["warnings"] += capnogram.warnings
    return Review(case, recording, breaths, efforts, findings, holds, steps, summary, columns, policy, capnogram)


def capnogram_in(case: Case, recording: Recording, columns: Mapping[str, Column]) -> Capnogram | None:
    """The capnograms of a recording, as the case says it was measured; None without carbon dioxide."""
    part = case.recording
    return capnogram_of(recording, columns, at_ventilator=part.flow_measured_at == "ventilator", heliox=part.heliox)


def capnogram_statistics(capnogram: Capnogram) -> dict[str, dict[str, float | int | str]]:
    """Statistics of what carbon dioxide tells of breaths."""
    told = {key: statistics_of(capnogram.breaths[key], key) for key in CAPNOGRAM_KEYS}
    return {key: value for key, value in told.items() if value}


def setting_of(case: Case, recording: Recording) -> Setting:
    """What the breath table must know of the case."""
    group = population(case.patient).group
    if group is None:
        weight = case.patient.weight_kg
        group = "adult" if weight is None or weight >= 35 else "newborn" if weight < 5 else "child"
    return Setting(
        rate_hz=float(recording.rate_hz),
        group=group,
        intentional_leak=case.circuit.intentional_leak,
        oesophageal="oesophageal_pressure" in recording,
        tube=tube_of(case),
    )


def tube_law(case: Case) -> TubeLaw | None:
    """The law of the case's tube, where a published one covers it."""
    airway = case.airway
    heliox = any(part.heliox for part in case.recordings)
    gas = "heliox" if heliox else "air/oxygen"
    return tube_coefficients(airway.interface, airway.tube_inner_diameter_mm, airway.tube_length_cm, gas=gas).law


def law_of_leak(case: Case) -> TubeLaw | None:
    """The law by which gas that leaks at the tube's tip has lost pressure: of a tube of usual length if none is given.

    A length that is a quarter off moves that pressure, and compliance by a small part of the leak's share.
    """
    airway = case.airway
    if airway.tube_inner_diameter_mm is None or airway.tube_length_cm is not None:
        return tube_law(case)
    usual = airway.model_copy(update={"tube_length_cm": usual_length_cm(airway.tube_inner_diameter_mm)})
    return tube_law(case.model_copy(update={"airway": usual}))


def tube_of(case: Case) -> tuple[float, float] | None:
    """k1, k2 of the tube's pressure drop, where its law has this form."""
    law = tube_law(case)
    return (law.k1, law.k2) if isinstance(law, Rohrer) else None


def effort_table(pieces: Sequence[Piece], columns: Mapping[str, Column], rate_hz: float) -> pl.DataFrame:
    """Efforts as rows."""
    found = [piece.efforts for piece in pieces if len(piece.efforts.onset)]
    if not found:
        return pl.DataFrame(schema=EFFORT_COLUMNS)
    onset = np.concatenate([efforts.onset for efforts in found])
    rows = {
        "effort": np.arange(len(onset)),
        "start_s": onset / rate_hz,
        "end_s": np.concatenate([efforts.end for efforts in found]) / rate_hz,
        "peak_cmh2o": np.concatenate([efforts.peak for efforts in found]),
        "source": [efforts.source for efforts in found for _ in efforts.onset],
        "breath": np.maximum(np.searchsorted(columns["start"], onset, side="right") - 1, 0),
        "outcome": [word for efforts in found for word in efforts.outcome],
    }
    return pl.DataFrame(rows).cast(pl.Schema(EFFORT_COLUMNS))


def summarise(
    case: Case, seen: Seen, pieces: Sequence[Piece], holds: Sequence[Hold], findings: pl.DataFrame
) -> dict[str, Any]:
    """The summary, as ``summary.json`` holds it."""
    breaths, recording, columns = seen.breaths, seen.recording, seen.known.line
    weight = predicted_weight_kg(case.patient)
    statistics = key_statistics(breaths)
    if weight:
        per_kg = statistics_of(breaths["vte_ml"] / weight, "vt_per_pbw_ml_kg")
        statistics |= {"vt_per_pbw_ml_kg": per_kg} if per_kg else {}
    statistics |= further_statistics(columns, float(recording.rate_hz))
    return {
        "quantities": statistics,
        "holds": [hold_summary(hold) for hold in holds],
        "findings": rates_of(findings, breaths.height, recording.duration_s),
        "asynchrony_index_percent": asynchrony_index_percent(seen),
        "patient": {"predicted_body_weight_kg": weight},
        "breaths": {
            "count": breaths.height,
            "passive": int(breaths["passive"].sum() or 0),
            "with_effort": int((~breaths["passive"]).sum() or 0),
            "undecided": int(breaths["passive"].is_null().sum()),
        },
        "mechanics": mechanics_words(pieces),
        "warnings": warnings(case, recording, pieces, columns, breaths),
        "version": __version__,
        "caution": CAUTION,
    }


def hold_summary(hold: Hold) -> dict[str, Any]:
    """A hold as the summary holds it, resistance with its two readings together."""
    told = asdict(hold)
    readings = {name: told.pop(f"inspiratory_resistance_{name[:3]}_cmh2o_s_l") for name in ("maximal", "minimal")}
    return {**told, "inspiratory_resistance_cmh2o_s_l": readings if hold.kind == "inspiratory" else None}


def further_statistics(columns: Mapping[str, Column], rate_hz: float) -> dict[str, dict[str, float | int | str]]:
    """Statistics of what has no column of its own: power by published formulas, the patient's own work."""
    if not columns:
        return {}
    with np.errstate(invalid="ignore", divide="ignore"):
        values = published_power(columns, rate_hz)
        values["muscle_work_j_l"] = JOULE * columns["muscle_work"] / columns["vti"]
    return {
        key: told for key, column in values.items() if (told := statistics_of(pl.Series(column, nan_to_null=True), key))
    }


def mechanics_words(pieces: Sequence[Piece]) -> dict[str, Any]:
    """Which terms the equation of motion was given, the heart rate heard, and whether one compartment suffices."""
    terms = sorted({term for piece in pieces for term in piece.terms})
    hearts = [piece.heart_hz for piece in pieces if piece.heart_hz is not None]
    leaks = [float(np.median(piece.columns["leak"])) for piece in pieces if np.any(piece.columns["leak"] > 0)]
    return {
        "terms": ["volume", "flow", *terms],
        "heart_rate_per_min": round(60 * float(np.median(hearts)), 1) if hearts else None,
        "one_compartment": one_compartment(pieces),
        "compliance_between_ml_cmh2o": compliance_between(pieces),
        "leak_l_s_per_cmh2o_to_exponent": float(np.median(leaks)) if leaks else None,
        "leak_exponent": float(np.median([piece.columns["exponent"][0] for piece in pieces])) if leaks else None,
    }


def compliance_between(pieces: Sequence[Piece]) -> tuple[float, float] | None:
    """Between what compliance lies (mL/cmH2O) though parts that fill at different speeds, or losses, may hide there.

    Medians over breaths of which it is told; None where the average breath says nothing of it.
    """
    low, high = (
        np.concatenate([piece.columns[name] for piece in pieces] or [np.zeros(0)])
        for name in ("elastance_high", "elastance_low")
    )
    if not np.isfinite(low).any():
        return None
    with np.errstate(divide="ignore"):
        return float(np.nanmedian(1000 / low)), float(np.nanmedian(1000 / high))


def one_compartment(pieces: Sequence[Piece]) -> bool | None:
    """False where the stretches with most of the passive breaths have lungs that one compartment does not describe.

    None below :data:`ENOUGH_PASSIVE` passive breaths: that breaths agree with each other, but not with the equation,
    is not seen on a few.
    """
    passive = [int((piece.columns["passive"] == 1).sum()) for piece in pieces]
    if sum(passive) < ENOUGH_PASSIVE:
        return None
    uneven = sum(n for n, piece in zip(passive, pieces, strict=True) if not piece.one_compartment)
    return 2 * uneven <= sum(passive)


def warnings(
    case: Case,
    recording: Recording,
    pieces: Sequence[Piece],
    columns: Mapping[str, Column],
    breaths: pl.DataFrame,
) -> list[str]:
    """What a reader must know before believing the numbers."""
    told = [*recording.warnings, *doubts(case), *beyond_the_end(case, recording.duration_s)]
    if not breaths.height:
        told.append("No breath was found: neither pressure nor flow shows an inflation.")
    if one_compartment(pieces) is False:
        told.append(
            "One compartment does not describe this lung: breaths agree with each other, but the equation of motion "
            "leaves more than the sensors' noise, or pressure bends down while flow is constant. Parts that fill at "
            "different speeds, airways that collapse, tissue that relaxes, or gauges that disagree do that. "
            "Compliance, where it is told, stands for the whole breath; "
            "resistances and time constants are averages."
        )
    lags = [float(piece.columns["lag"][0]) for piece in pieces if len(piece)]
    if lags and max(lags) > 0:
        told.append(
            f"Flow dies away at the turns over about {1000 * max(lags):.0f} ms, as behind a sensor that lags, or a "
            "valve that closes so; volumes are corrected as for the sensor."
        )
    offsets = [float(np.max(np.abs(piece.columns["offset"]))) for piece in pieces if len(piece)]
    scale = [float(np.median(piece.columns["drive"])) for piece in pieces if len(piece)]
    if offsets and max(offsets) > 0.03 * max(scale):
        told.append(
            f"The flow sensor reads up to {quantity('flow').text(60 * max(offsets))} where there is no flow; taken off."
        )
    told += leak_past_unknown_tube(case, columns)
    told += exhaled_beyond_inhaled(breaths)
    told += coarse_sampling(float(recording.rate_hz), columns)
    told += clipped_signals(recording, columns)
    told += lost_stretches(case, recording)
    told += set_against_measured(columns)
    part = case.recordings[0] if case.recordings else None
    if part is not None and "ventilator" in (part.flow_measured_at, part.pressure_measured_at):
        told.append("Measured at the ventilator: gas compressed in the tubing is counted as the patient's.")
    return told


def leak_past_unknown_tube(case: Case, columns: Mapping[str, Column]) -> list[str]:
    """A warning where gas leaks beside a tube without a law: what leaks at its tip follows a pressure not known."""
    if case.airway.interface not in TUBES or law_of_leak(case) is not None or not columns:
        return []
    share = float(np.nanmedian(columns["leak_fraction"])) if np.any(columns["leak"] > 0) else 0.0
    if share < LEAK_MATTERS:
        return []
    return [
        f"About {100 * share:.0f} % of the inhaled gas leaks, and no published law covers the tube as the case gives "
        "it (tube_inner_diameter_mm). Past a cuff it leaks at the pressure beyond the tube, which is not known then: "
        f"compliance may be too low by up to {50 * share:.0f} %."
    ]


AS_A_TRIAL = (
    "If that was breathing without pressure, a [[settings]] with peep_cmh2o = 0 at its start and another at its end "
    "let its breaths be read."
)


def lost_stretches(case: Case, recording: Recording) -> list[str]:
    """A warning where pressure was lost: how often, how long, and what that means for breaths."""
    rate_hz = float(recording.rate_hz)
    asked = peep_set(case.settings, rate_hz)
    first, last = lost_pressure(recording["airway_pressure"], recording["flow"], rate_hz, asked)
    if not len(first):
        return []
    lasts = quantity("duration_s").text(float((last - first).sum()) / recording.rate_hz)
    times = "once" if len(first) == 1 else f"{len(first)} times"
    long = bool(np.any(last - first > LONGEST_S * rate_hz))
    trial = f" {AS_A_TRIAL}" if long else ""
    return [
        f"Airway pressure was lost {times}, for {lasts} in all, as by a disconnection or suction: a gap. Breaths that "
        f"it cuts short are left out, and so is one that begins as pressure comes back.{trial}"
    ]


def clipped_signals(recording: Recording, columns: Mapping[str, Column]) -> list[str]:
    """A warning for each channel that stood at the end of its sensor's range, with the value and the breaths."""
    told = []
    for bit, key in ((saturation.PRESSURE, "airway_pressure"), (saturation.FLOW, "flow")):
        count = int(((columns["clipped"] & bit) > 0).sum()) if columns else 0
        if not count:
            continue
        ends = " and ".join(quantity(key).text(SCALE[key] * end) for end in saturation.range_ends(recording[key]))
        told.append(
            f"{quantity(key).label} stood at the end of the sensor's range ({ends}) in {count} of "
            f"{len(columns['clipped'])} breaths: what went beyond is not known, and of these breaths no mechanics are "
            "given."
        )
    return told


def coarse_sampling(rate_hz: float, columns: Mapping[str, Column]) -> list[str]:
    """A warning where samples are so far apart that the edges of a breath matter.

    Flow rises and turns within a sample, and where in it is not known: half a sample of peak flow at each of the two
    edges of an inflation, dt·V'peak in all.
    """
    if not columns:
        return []
    shorter = np.median(np.minimum(columns["turn"] - columns["start"], columns["end"] - columns["turn"]))
    volume = float(np.nanmedian(columns["vti"]))
    if (rate_hz >= FINE_HZ and shorter >= FINE_SAMPLES) or not volume > 0:
        return []
    share = float(np.nanmedian(columns["peak_inspiratory_flow"])) / rate_hz / volume
    return [
        f"Sampled at {rate_hz:.3g} Hz, {shorter:.0f} samples in the shorter phase of a breath: volumes may be low by "
        f"up to {100 * share:.0f} %, and compliance is uncertain by as much."
    ]


def set_against_measured(columns: Mapping[str, Column]) -> list[str]:
    """A warning for each set PEEP that the airway doesn't show, and each set mode that the signals deny."""
    if not columns:
        return []
    departs = peep_departs(columns["set_peep"], columns["peep"])
    name = quantity("peep_cmh2o")
    modes = mode_departs(columns["set_delivery"], columns["delivery"])
    told = [
        f"The case says {SAID[kind]}, the signals look like {SAID[seen]} in {count} breaths, and are followed: is the "
        "mode up to date?"
        for (kind, seen), count in modes.items()
    ]
    return told + [
        f"The case says a set PEEP of {name.text(value)}, and {name.text(measured)} is measured (median): is the "
        "setting up to date, and the zero of the pressure sensor right? No driving pressure is taken from the set PEEP."
        for value, measured in departs.items()
    ]


def exhaled_beyond_inhaled(breaths: pl.DataFrame) -> list[str]:
    """A warning where more comes out than goes in, by more than a sensor's error, in most breaths and in all together.

    Breaths that stack and are let out together are no such case: their sums agree.
    """
    known = breaths.drop_nulls(["vti_measured_ml", "vte_measured_ml"]).filter(pl.col("vti_measured_ml") > 0)
    if known.height < FEWEST_BREATHS:
        return []
    inhaled, exhaled = (known[key].to_numpy() for key in ("vti_measured_ml", "vte_measured_ml"))
    middle = float(np.median(exhaled / inhaled)) - 1
    if min(middle, float(exhaled.sum() / inhaled.sum()) - 1) <= EXCESS:
        return []
    return [
        f"Exhaled volume exceeds inhaled by {100 * middle:.0f} % in the median breath, and lungs can't do that: the "
        "flow sensor reads the two directions differently, its zero is off, or dry cold gas goes in and warm moist gas "
        "comes out uncorrected (about a tenth). Volumes, and what is computed from them, are uncertain by as much."
    ]
