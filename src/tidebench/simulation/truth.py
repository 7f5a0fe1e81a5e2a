"""The truth beside a simulated recording: breaths and efforts as tables, labelled by what happened.

Labels come from :mod:`tidebench.interaction`, as those of a recorded case do; here its predicates are fed the truth.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench import interaction
from tidebench.simulation import layout
from tidebench.simulation.course import parameters_at
from tidebench.simulation.layout import Memory
from tidebench.simulation.mechanics import CUT_OFF_S
from tidebench.simulation.scenario import Scenario

LAST_S = 4.0  # of the last begun breath, from which it can be reviewed (this house's choice)
PASSIVE_CMH2O = 0.5
"""Muscle pressure, pulling or pushing, below which a breath is passive from its start to its end, by definition."""
EFFORT_LABELS = ("ineffective", "reverse-trigger", "effort-in-inflation", "unassisted")
LABEL_OF = {"ineffective": "ineffective-effort"}

BREATH_COLUMNS = {
    "start_s": "inflation begins: the trigger's delay is over, or time is; unassisted, an effort begins to draw gas; "
    "on two levels, the change to the high one",
    "insp_end_s": "inflation, pause and hold included, ends; on two levels, the change to the low one",
    "end_s": "the next one begins; of the last begun, the recording ends: it is here where its turn and 4 s of it are",
    "patient_triggered": "1 where the trigger's criterion was met, by an effort or not; or an effort drew the breath",
    "pressure_supported": "1 in support, volume-targeted support too",
    "flow_cycled": "1 where falling flow ended it",
    "vti_ml": "into the lung, past every leak: the highest volume before the next start, less that at start; "
    "on two levels, that at the end of the high one, less that at start, below 0 where a patient who breathes at both "
    "levels began it full and ended it empty",
    "vte_ml": "out of the lung: the same volume less the least after it; on two levels what a patient inhaled in "
    "between is not counted",
    "peak_pressure_cmh2o": "highest at the wye",
    "total_peep_cmh2o": "recoil of the whole at start_s, as if compartments that are not cut off had settled, without "
    "muscles and heart",
    "cycling_margin": "share of neural inspiration that was left at insp_end; negative when it had ended before",
    "passive": "1 where muscles neither pulled nor pushed 0.5 cmH2O from start to end",
    "plateau_cmh2o": "at the wye over the last half second of an inspiratory hold",
    "exp_hold_cmh2o": "at the wye over the last half second of an expiratory hold or occlusion, efforts in it included",
    "labels": "finding kinds by mechanism, with | between them; an inflation that letting go of an expiratory push "
    "triggers is an auto-trigger, since no inspiratory effort is under way",
    "mandatory": "1 where the ventilator's settings alone shape it, 0 where it supports or follows",
    "muscle_peak_cmh2o": "largest muscle pressure, inspiratory positive",
    "muscle_least_cmh2o": "least muscle pressure; below 0 expiratory muscles push",
    "mean_pressure_cmh2o": "at the wye, over the breath",
    "mean_alveolar_pressure_cmh2o": "of the compartments that are not cut off, by volume, over the breath",
    "alveolar_peak_cmh2o": "highest of it",
    "pleural_low_cmh2o": "lowest pleural pressure",
    "pleural_high_cmh2o": "highest pleural pressure",
    "work_j": "of the ventilator on patient and tube: pressure at the wye times inspiratory flow",
    "muscle_work_j": "of inspiratory muscles: their pressure times flow into the lung",
    "paco2_mmhg": "arterial, mean over the breath",
    "pao2_mmhg": "arterial, mean over the breath",
    "sao2": "arterial saturation, mean over the breath, as a fraction",
    "ph": "arterial, mean over the breath",
    "etco2_mmhg": "highest at the wye in the breath; none where no carbon dioxide reached it, nor where the recording "
    "ends the breath",
    "compliance_ml_cmh2o": "static, at start_s, of lung and chest wall without compartments that are cut off; none "
    "where recoil bends or units open and close",
}
EFFORT_COLUMNS = {
    "onset_s": "muscle pressure begins to rise",
    "end_s": "its peak: neural inspiration ends",
    "amplitude_cmh2o": "its peak",
    "outcome": "triggered, met-by-machine, effort-in-inflation, ineffective, reverse-trigger; unassisted where the "
    "ventilator does not answer breath by breath (CPAP, between mandatory breaths without support, two levels, support "
    "on them too) or the airway was closed or open to the room; outside after the last breath, and before the first, "
    "unless a ventilator that answers efforts let it go by (ineffective)",
    "over_s": "muscle pressure has fallen to a quarter of its peak",
    "breath": "row of truth_breaths.csv in which it begins, from 0; -1 outside",
}
"""What each column of the truth means."""

Values = npt.NDArray[np.float64]


MEANS = ("arterial_co2", "arterial_o2", "saturation", "ph")  # sums until their breath ends
SUMMED = ("pressure_area", "alveolar_area", "work", "muscle_work")
HIGHEST = ("peak_pressure", "muscle_peak", "pleural_high", "alveolar_high")
LEAST = ("volume_least", "muscle_least", "pleural_low")


def delivered(rows: np.ndarray) -> np.ndarray:
    """The kernel's breaths, of type :data:`~tidebench.simulation.layout.BREATH`, without those of the patient's own
    that an inflation cuts off while they draw gas.

    An inflation was delivered in them, so they are no rows of their own: what they held belongs to the breath before,
    which ends where the inflation begins.
    """
    own = (rows["kind"] == layout.UNASSISTED) & (rows["end"] - rows["turn"] <= 0.0)
    begun = np.flatnonzero(~own)
    merged = rows[begun]
    if not own.any() or not len(begun):
        return merged
    for names, reduced in ((SUMMED, np.add), (HIGHEST, np.maximum), (LEAST, np.minimum)):
        for name in names:
            merged[name] = reduced.reduceat(rows[name], begun)
    merged["end"] = rows["end"][np.append(begun[1:], len(rows)) - 1]
    return merged


def with_last(raw: pl.DataFrame, until_s: float) -> pl.DataFrame:
    """The breaths, of which the last begun ends with the recording where enough of it is there."""
    long = pl.col("end").is_nan() & pl.col("turn").is_not_nan() & (pl.col("start") <= until_s - LAST_S)
    means = [pl.when(long).then(pl.col(name) / pl.col("sampled")).otherwise(name).alias(name) for name in MEANS]
    unknown = {"end": until_s, "end_tidal_co2": np.nan}
    return raw.with_columns(
        *means, *(pl.when(long).then(to).otherwise(name).alias(name) for name, to in unknown.items())
    )


def effort_words(breaths: pl.DataFrame, efforts: pl.DataFrame, waits_until_s: float = 0.0) -> list[str]:
    """What became of each effort; ``outside`` where it began before the first breath or after the last whole one.

    ``waits_until_s`` is the recording's end where the ventilator waits for efforts before its first breath.
    """
    start = breaths["start"].to_numpy()
    onset, over = efforts["onset"].to_numpy(), efforts["over"].to_numpy()
    free = np.isin(breaths["kind"].to_numpy(), (layout.HIGH_LEVEL, layout.UNASSISTED))
    by_patient = breaths["triggered_by"].to_numpy() == layout.FROM_PATIENT
    words = interaction.outcomes(
        onset, over, start, np.nan_to_num(breaths["turn"].to_numpy(), nan=np.inf), by_patient, free
    )
    end = breaths["end"].to_numpy()
    whole = len(end) > 0 and not np.isnan(end[-1])
    late = over > end[-1] if whole else onset > start[~np.isnan(end)].max(initial=-np.inf)
    at = interaction.owner(onset, start)
    entrained = efforts["entrained"].to_numpy() > 0
    away_from, away_until = (np.append(breaths[key].to_numpy(), np.nan)[at] for key in ("away_from", "away_until"))
    away = (over > away_from) & (onset < away_until)
    let_by = (at < 0) & (over <= waits_until_s) & (np.array(words) == "ineffective")
    outside = ((at < 0) | late) & ~let_by
    return [
        _word(word, outside=bool(outside[k]), entrained=bool(entrained[k]), away=bool(away[k]))
        for k, word in enumerate(words)
    ]


def _word(word: str, *, outside: bool, entrained: bool, away: bool) -> str:
    """What is said of an effort whose outcome by time is ``word``."""
    if outside:
        return "outside"
    if away and word in ("ineffective", "effort-in-inflation"):
        return "unassisted"
    return "reverse-trigger" if entrained else word


def label_efforts(breaths: pl.DataFrame, efforts: pl.DataFrame, waits_until_s: float = 0.0) -> pl.DataFrame:
    """Efforts: in the columns of the open set, then ``over_s`` (when a quarter is left) and ``breath``.

    ``waits_until_s`` as :func:`effort_words` has it.
    """
    at = interaction.owner(efforts["onset"].to_numpy(), breaths["start"].to_numpy())
    words = effort_words(breaths, efforts, waits_until_s)
    return pl.DataFrame(
        {
            "onset_s": efforts["onset"],
            "end_s": efforts["top"],
            "amplitude_cmh2o": efforts["size"],
            "outcome": pl.Series(words, dtype=pl.String),
            "over_s": efforts["over"],
            "breath": np.where(np.array(words) == "outside", -1, at),
        }
    )


def label_breaths(breaths: pl.DataFrame, efforts: pl.DataFrame) -> pl.DataFrame:
    """Whole breaths in the columns of the open set, and what only a simulation knows after them."""
    start, turn = breaths["start"].to_numpy(), breaths["turn"].to_numpy()
    kind = breaths["kind"].to_numpy()
    free = np.isin(kind, (layout.HIGH_LEVEL, layout.UNASSISTED))
    by_patient = breaths["triggered_by"].to_numpy() == layout.FROM_PATIENT
    onset, top, over = (efforts[name].to_numpy() for name in ("onset", "top", "over"))
    effort = interaction.under_way(onset, over, start)
    double = interaction.double_triggers(effort, by_patient, efforts["entrained"].to_numpy() > 0)
    auto = interaction.auto_triggers(effort, by_patient, free)
    margin = interaction.cycling_margins(effort, double, by_patient & ~free, onset, top, turn)
    words: list[list[str]] = [[] for _ in start]
    told = label_efforts(breaths, efforts)
    for at, outcome in zip(told["breath"], told["outcome"], strict=True):
        if outcome in EFFORT_LABELS and at >= 0:
            words[at].append(LABEL_OF.get(outcome, outcome))
    early, late = margin > interaction.PREMATURE, margin < interaction.DELAYED
    for name, where in (
        ("premature-cycling", early), ("delayed-cycling", late), ("double-trigger", double), ("auto-trigger", auto),
    ):  # fmt: skip
        for at in np.flatnonzero(where):
            words[int(at)].append(name)
    table = _table(breaths, margin, ["|".join(word) for word in words])
    return table.filter(pl.col("end_s").is_not_nan() & pl.col("insp_end_s").is_not_nan())


def _table(raw: pl.DataFrame, margin: Values, labels: list[str]) -> pl.DataFrame:
    ml = {"start": "volume_start", "turn": "volume_turn", "least": "volume_least"}
    supported = raw["kind"].is_in([float(layout.SUPPORT), float(layout.TARGETED_SUPPORT)])
    seconds = raw["end"] - raw["start"]
    return pl.DataFrame(
        {
            "start_s": raw["start"],
            "insp_end_s": raw["turn"],
            "end_s": raw["end"],
            "patient_triggered": (raw["triggered_by"] == layout.FROM_PATIENT).cast(pl.Int8),
            "pressure_supported": supported.cast(pl.Int8),
            "flow_cycled": (raw["cycled_by"] == layout.BY_FLOW).cast(pl.Int8),
            "vti_ml": 1000 * (raw[ml["turn"]] - raw[ml["start"]]),
            "vte_ml": 1000 * (raw[ml["turn"]] - raw[ml["least"]]),
            "peak_pressure_cmh2o": raw["peak_pressure"],
            "total_peep_cmh2o": raw["total_peep"],
            "cycling_margin": pl.Series(margin, nan_to_null=True),
            "passive": ((raw["muscle_peak"] < PASSIVE_CMH2O) & (raw["muscle_least"] > -PASSIVE_CMH2O)).cast(pl.Int8),
            "plateau_cmh2o": raw["plateau"].fill_nan(None),
            "exp_hold_cmh2o": raw["hold_pressure"].fill_nan(None),
            "labels": labels,
            "mandatory": raw["mandatory"].cast(pl.Int8),
            "muscle_peak_cmh2o": raw["muscle_peak"],
            "muscle_least_cmh2o": raw["muscle_least"],
            "mean_pressure_cmh2o": raw["pressure_area"] / seconds,
            "mean_alveolar_pressure_cmh2o": raw["alveolar_area"] / seconds,
            "alveolar_peak_cmh2o": raw["alveolar_high"],
            "pleural_low_cmh2o": raw["pleural_low"],
            "pleural_high_cmh2o": raw["pleural_high"],
            "work_j": 0.0980665 * raw["work"],
            "muscle_work_j": 0.0980665 * raw["muscle_work"],
            "paco2_mmhg": raw["arterial_co2"],
            "pao2_mmhg": raw["arterial_o2"],
            "sao2": raw["saturation"],
            "ph": raw["ph"],
            "etco2_mmhg": raw["end_tidal_co2"].fill_nan(None),
        }
    )


def truth_of(scenario: Scenario) -> dict[str, Any]:
    """``truth.json``: what was simulated, under the open set's names and with the scenario whole."""
    from tidebench.simulation.setup import patient_of

    memory = patient_of(scenario)
    lung, patient = memory.lung, memory.patient[0]
    ends = [0.0, *(event.at_s + event.over_s for event in scenario.events)]
    compliances = set(compliances_ml_cmh2o(scenario, ends))
    first = scenario.lung.compartments[0]
    resistances = [part.resistance_cmh2o_s_l for part in scenario.lung.compartments]
    airway = 1.0 / sum(1.0 / value for value in resistances)
    leak = float(patient["mask_leak"] + patient["cuff_leak"])
    return {
        "sensor_delay_s": scenario.sensors.flow_delay_s,
        "viscoelastic": scenario.lung.relaxation_elastance_cmh2o_l > 0,
        "two_compartments": len(lung) > 1,
        "flow_limited": any(part.limiting_resistance_cmh2o_s_l for part in scenario.lung.compartments),
        "fs": scenario.sampling_hz,
        "seconds": scenario.duration_s,
        "gaps": [],
        "holds": [
            {"at_s": hold.at_s, "kind": hold.kind.removesuffix(" hold"), "duration_s": hold.lasts_s}
            for hold in scenario.manoeuvres
            if hold.kind.endswith("hold")
        ],
        "compliance_ml_cmh2o": compliances.pop() if len(compliances) == 1 else None,
        "airway_resistance_cmh2o_s_l": airway + scenario.lung.upper_airway_resistance_cmh2o_s_l,
        "tube_k1": float(patient["tube_k1"]) - scenario.lung.upper_airway_resistance_cmh2o_s_l,
        "tube_k2": float(patient["tube_k2"]),
        "expiratory_resistance_factor": (first.expiratory_resistance_cmh2o_s_l or resistances[0]) / resistances[0],
        "sigmoid": first.sigmoid.model_dump() if first.sigmoid else None,
        "leak_l_s_per_cmh2o_to_exponent": leak,
        "leak_exponent": scenario.leak.exponent,
        "effort": {
            "rate_per_min": scenario.effort.rate_per_min,
            "amplitude_cmh2o": scenario.effort.size_cmh2o if breathes(scenario) or wakes(scenario) else 0.0,
            "neural_ti_s": scenario.effort.neural_time_s,
        },
        "scenario": scenario.model_dump(mode="json", exclude_none=True),
    }


def breathes(scenario: Scenario) -> bool:
    """True where muscles ever do anything."""
    return scenario.effort.rate_per_min > 0 or scenario.effort.entrained_every > 0


def wakes(scenario: Scenario) -> bool:
    """True where sedation wears off: efforts come, whoever made none before."""
    return any(event.kind == "sedation wearing off" for event in scenario.events)


def respiratory_compliance_ml_cmh2o(scenario: Scenario) -> float | None:
    """Static compliance of lung and chest wall before any event; None where recoil bends or units open and close."""
    from tidebench.simulation.setup import patient_of

    return _compliance_ml_cmh2o(patient_of(scenario))


def compliances_ml_cmh2o(scenario: Scenario, times_s: Sequence[float]) -> list[float | None]:
    """The same at each time, as events have left it, without compartments that are cut off."""
    from tidebench.simulation.setup import patient_of

    return [_compliance_ml_cmh2o(memory) for memory in parameters_at(times_s, scenario.events, patient_of(scenario))]


def _compliance_ml_cmh2o(memory: Memory) -> float | None:
    if any(part["sigmoid_span"] or part["recruitable"] for part in memory.lung):
        return None
    parts = [part for part in memory.lung if part["expiratory_resistance"] * part["compliance"] < CUT_OFF_S]
    lung = sum(float(part["compliance"]) for part in parts)
    return 1000.0 / (1.0 / lung + float(memory.patient[0]["chest_wall_elastance"])) if parts else None
