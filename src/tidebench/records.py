"""What the stages hand on: holds, steps, findings and the pressure account, and the columns of the tables.

Breaths, efforts and findings travel as columns (a day has tens of thousands); the few things of which a recording has
a handful are frozen records.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

Samples = npt.NDArray[np.float64]

NOT_MEASURED = pl.List(pl.Struct({"quantity": pl.String, "code": pl.String, "text": pl.String}))
VALUES = pl.List(pl.Struct({"quantity": pl.String, "value": pl.Float64, "unit": pl.String}))

BREATH_COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "breath": pl.Int64,
    "start_s": pl.Float64,
    "expiration_s": pl.Float64,
    "end_s": pl.Float64,
    "delivery": pl.String,
    "trigger": pl.String,
    "cycling": pl.String,
    "mandatory": pl.Boolean,
    "passive": pl.Boolean,
    **dict.fromkeys(
        (
            "vti_ml",
            "vte_ml",
            "vti_measured_ml",
            "vte_measured_ml",
            "leak_fraction",
            "peak_pressure_cmh2o",
            "plateau_pressure_cmh2o",
            "mean_pressure_cmh2o",
            "peep_cmh2o",
            "total_peep_cmh2o",
            "intrinsic_peep_cmh2o",
            "driving_pressure_cmh2o",
            "driving_pressure_set_peep_cmh2o",
            "inspiratory_time_s",
            "expiratory_time_s",
            "rate_per_min",
            "peak_inspiratory_flow_l_min",
            "peak_expiratory_flow_l_min",
            "end_expiratory_flow_l_min",
            "compliance_ml_cmh2o",
            "resistance_cmh2o_s_l",
            "expiratory_resistance_cmh2o_s_l",
            "expiratory_time_constant_s",
            "dynamic_compliance_ml_cmh2o",
            "stress_index",
            "mechanical_power_j_min",
            "work_j_l",
            "effort_cmh2o",
            "pressure_time_product_cmh2o_s",
            "tracheal_peak_pressure_cmh2o",
            "transpulmonary_driving_pressure_cmh2o",
        ),
        pl.Float64,
    ),
    "not_measured": NOT_MEASURED,
}

EFFORT_COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "effort": pl.Int64,
    "start_s": pl.Float64,
    "end_s": pl.Float64,
    "peak_cmh2o": pl.Float64,
    "source": pl.String,
    "breath": pl.Int64,
    "outcome": pl.String,
}

FINDING_COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "kind": pl.String,
    "breath": pl.Int64,
    "start_s": pl.Float64,
    "end_s": pl.Float64,
    "confidence": pl.Float64,
    "evidence": pl.String,
    "values": VALUES,
    "rule": pl.String,
    "rule_version": pl.Int64,
}


@dataclass(frozen=True, slots=True)
class Hold:
    """A hold: zero flow for at least 1.0 s beyond the set pause, airway occluded.

    ``at_s`` is its end on the case clock. Pressures are cmH2O; what does not apply to the kind is None.
    The plateau is the mean of the last 0.5 s, over whole heartbeats where they are seen.
    """

    kind: Literal["inspiratory", "expiratory"]
    breath: int
    at_s: float
    duration_s: float
    peak_pressure_cmh2o: float | None = None
    initial_pressure_cmh2o: float | None = None
    plateau_pressure_cmh2o: float | None = None
    total_peep_cmh2o: float | None = None
    intrinsic_peep_cmh2o: float | None = None
    driving_pressure_cmh2o: float | None = None
    static_compliance_ml_cmh2o: float | None = None
    inspiratory_resistance_max_cmh2o_s_l: float | None = None
    inspiratory_resistance_min_cmh2o_s_l: float | None = None
    occlusion_swing_cmh2o: float | None = None
    occlusion_effort_cmh2o: float | None = None
    dynamic_transpulmonary_pressure_cmh2o: float | None = None
    p01_cmh2o: float | None = None
    quality: tuple[str, ...] = ()  # "steady", or what disturbs it: "leak", "effort", "too short", "lower bound", ...


@dataclass(frozen=True, slots=True)
class Spread:
    """Median with 5th and 95th percentile of n values."""

    median: float
    p05: float
    p95: float
    n: int


@dataclass(frozen=True, slots=True)
class Step:
    """What one change of settings did: quantities before and after it.

    ``changed`` maps a settings key to its value before and after; empty where the change was only seen in the signals.
    ``quantities`` maps a breath-table key to its spread before and after.
    """

    at_s: float
    origin: Literal["recorded", "seen"]
    changed: Mapping[str, tuple[float | str | None, float | str | None]]
    quantities: Mapping[str, tuple[Spread, Spread]]


@dataclass(frozen=True)
class PressureAccount:
    """Where the airway pressure went, instant by instant, over one breath.

    airway_pressure = start + elastic + resistive - muscle + residual, all cmH2O, arrays of shape (n,).

    ``start`` is total PEEP (one number); ``elastic`` = E·V; ``resistive`` = R·V' + K·V'|V'| (tube and airways);
    ``muscle`` is what the patient's inspiratory muscles gave (zeros on a passive breath); ``residual`` is what the
    model does not explain. ``mechanics_from`` says whose mechanics were used: this breath's, or passive neighbours'.
    """

    breath: int
    time_s: Samples
    airway_pressure: Samples
    flow: Samples  # L/s, leak removed
    volume: Samples  # L above the start of the breath
    start: float
    elastic: Samples
    resistive: Samples
    muscle: Samples
    residual: Samples
    expiration_s: float
    mechanics_from: Literal["this breath", "passive breaths of this recording", "the virtual patient itself"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a good reader would point out: where, how sure, in what numbers, by which rule."""

    kind: str
    breath: int | None
    start_s: float
    end_s: float
    confidence: float
    evidence: str
    rule: str
    rule_version: int
    values: tuple[tuple[str, float], ...] = field(default=())  # (quantity key, value)
