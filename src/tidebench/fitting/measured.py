"""A simulated patient's breaths as quantities of the breath table."""

from __future__ import annotations

import numpy as np

from tidebench.fitting.fit import Fit
from tidebench.fitting.levels import every_rise
from tidebench.simulation.layout import EFFORT_ROW
from tidebench.simulation.solution import Solution

RATE_HZ = 100.0
JOULE = 0.0980665
KEYS = (
    "vti_ml", "vte_ml", "peak_pressure_cmh2o", "plateau_pressure_cmh2o", "mean_pressure_cmh2o", "peep_cmh2o",
    "total_peep_cmh2o", "intrinsic_peep_cmh2o", "driving_pressure_cmh2o", "driving_pressure_set_peep_cmh2o",
    "inspiratory_time_s", "expiratory_time_s", "rate_per_min", "minute_volume_l_min", "peak_inspiratory_flow_l_min",
    "peak_expiratory_flow_l_min", "end_expiratory_flow_l_min", "mechanical_power_j_min", "work_j_l", "effort_cmh2o",
    "unanswered_efforts_percent",
)  # fmt: skip
OWN_KEYS = (
    "vti_ml", "vte_ml", "mean_vte_ml", "rate_per_min", "minute_volume_l_min", "inspiratory_time_s",
    "expiratory_time_s", "unanswered_efforts_percent", "end_expiratory_flow_l_min",
)  # fmt: skip
PASSIVE_ONLY = ("plateau_pressure_cmh2o", "driving_pressure_cmh2o", "driving_pressure_set_peep_cmh2o")


def measured(done: Solution, settle: float, fit: Fit) -> dict[str, float]:
    """Medians of the quantities over the breaths from ``settle`` on; NaN where there are none."""
    rows = done.breath_rows
    rows = rows[(rows["start"] >= settle) & np.isfinite(rows["end"]) & np.isfinite(rows["turn"])]
    if not len(rows):
        return dict.fromkeys(KEYS, np.nan)
    flow = done.channels["flow"]
    edges = [
        (round(a * RATE_HZ), round(b * RATE_HZ), round(c * RATE_HZ))
        for a, b, c in zip(rows["start"], rows["turn"], rows["end"], strict=True)
    ]
    vti, vte = 1000 * (rows["volume_turn"] - rows["volume_start"]), 1000 * (rows["volume_turn"] - rows["volume_least"])
    seconds = rows["end"] - rows["start"]
    rate = 60.0 / float(np.mean(seconds))
    setting = done.scenario.settings[0]
    leaving = np.array([-flow[max(a, c - 4) : max(a + 1, c - 1)].mean() for a, _, c in edges])
    total = rows["total_peep"]
    peep = (setting.peep_cmh2o or 0.0) + fit.valve_cmh2o_s_l * np.maximum(leaving, 0.0)
    work = JOULE * rows["work"]
    values = {
        "vti_ml": vti, "vte_ml": vte, "peak_pressure_cmh2o": rows["peak_pressure"],
        "plateau_pressure_cmh2o": rows["alveolar_high"], "mean_pressure_cmh2o": rows["pressure_area"] / seconds,
        "peep_cmh2o": peep, "total_peep_cmh2o": total, "intrinsic_peep_cmh2o": total - peep,
        "driving_pressure_cmh2o": rows["alveolar_high"] - total,
        "driving_pressure_set_peep_cmh2o": rows["alveolar_high"] - (setting.peep_cmh2o or 0.0),
        "inspiratory_time_s": rows["turn"] - rows["start"], "expiratory_time_s": rows["end"] - rows["turn"],
        "peak_inspiratory_flow_l_min": np.array([60 * flow[a : b + 1].max() for a, b, _ in edges]),
        "peak_expiratory_flow_l_min": np.array([-60 * flow[b : c + 1].min() for _, b, c in edges]),
        "end_expiratory_flow_l_min": 60 * leaving, "work_j_l": work / np.maximum(vti / 1000, 1e-6),
        "effort_cmh2o": rows["muscle_peak"],
    }  # fmt: skip
    out = dict(zip(values, np.median(list(values.values()), axis=1).tolist(), strict=True))
    out |= {
        "rate_per_min": rate,
        "minute_volume_l_min": rate * float(np.mean(vte)) / 1000,
        "mechanical_power_j_min": rate * float(np.mean(work)),
        "unanswered_efforts_percent": unanswered(done, rows, settle),
    }
    out["mean_vte_ml"] = float(np.mean(vte))
    if fit.drive is not None:
        out |= dict.fromkeys(PASSIVE_ONLY, np.nan)
        if setting.bi_level:
            out |= own_breaths(done, settle)
    return out


def own_breaths(done: Solution, settle: float) -> dict[str, float]:
    """Quantities of a patient who breathes at two levels, where the rows of the simulation are changes of level alone:
    breaths are those of :func:`every_rise`. What belongs to a trigger or to one level is NaN.
    """
    told = every_rise(1000.0 * done.channels["lung_volume"][round(settle * RATE_HZ) :], RATE_HZ)
    return dict.fromkeys(OWN_KEYS, np.nan) | ({} if told is None else told.medians)


def unanswered(done: Solution, rows: np.ndarray, settle: float) -> float:
    """Share of efforts within which no breath begins, by the patient or by time, %; NaN where there are none."""
    onset, over = (done.effort_rows[:, EFFORT_ROW.index(name)] for name in ("onset", "over"))
    inside = (onset >= settle) & (over < rows["start"][-1])
    following = np.searchsorted(rows["start"], onset[inside])
    met = rows["start"][np.minimum(following, len(rows) - 1)] <= over[inside]
    return 100.0 * float(np.mean(~met)) if len(met) else np.nan
