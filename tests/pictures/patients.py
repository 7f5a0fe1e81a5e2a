"""Virtual patients for pictures: some seconds of a steady stretch, with the truth of its breaths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from tests.rehearsals.patients import setting_of
from tidebench.simulation import scenario_from, simulate
from tidebench.simulation.parameters import sample

Set = Literal["open", "frozen"]
Values = npt.NDArray[np.float64]
SEEDS = {"open": 5501, "frozen": 13109}
WHO = ("adult-healthy", "ards-mild", "ards-severe", "copd", "obesity", "neuromuscular", "child", "hard-to-wean")
STEADY_S = 24.0
NOISE = {"pressure_noise_cmh2o": 0.1, "flow_noise_l_min": 0.3}
RATE_HZ = 200.0


@dataclass(frozen=True)
class Signals:
    """A stretch of a simulated patient: display units (cmH2O, L/min, mL), time from its first sample, its breaths."""

    who: str
    passive: bool
    time_s: Values
    channels: dict[str, Values]
    breaths: pl.DataFrame
    compliance_ml_cmh2o: float | None


def signals(kind: Set, k: int, seconds: float) -> Signals:
    """``seconds`` of patient ``k``."""
    rng = np.random.default_rng([SEEDS[kind], k])
    who = str(WHO[k % len(WHO)])
    tables = sample(who, (SEEDS[kind], k))
    passive = bool(rng.random() < 0.7)
    usual = tables["settings"][0]
    tables["settings"] = [{**usual, "rate_per_min": usual.get("rate_per_min") or 18.0}]
    tables["settings"] = [setting_of(who, tables, passive, rng)]
    for part in tables["lung"]["compartments"]:
        part.pop("recruitment", None)
    effort = tables.get("effort", {})
    rate = 0.0 if passive else effort.get("rate_per_min") or 18.0
    tables["effort"] = {"rate_per_min": rate} if passive else {"size_cmh2o": 6.0, **effort, "rate_per_min": rate}
    told = {**tables, "duration_s": STEADY_S + seconds, "sensors": NOISE, "seed": k, "sampling_hz": RATE_HZ}
    done = simulate(
        scenario_from({key: v for key, v in told.items() if key not in ("manoeuvres", "events", "procedures")})
    )
    first = round(STEADY_S * RATE_HZ)
    pressure, flow = (done.recording[name][first:] for name in ("airway_pressure", "flow"))
    breaths = done.breaths.filter(pl.col("start_s") >= STEADY_S - 20)
    volume = displayed_volume(done.recording["flow"], done.breaths["start_s"].to_numpy())[first:]
    shifted = breaths.with_columns(pl.col("start_s", "insp_end_s", "end_s") - STEADY_S)
    return Signals(
        who, passive, np.arange(len(flow)) / RATE_HZ,
        {"airway_pressure": np.array(pressure), "flow": 60 * flow, "volume": 1000 * volume},
        shifted, _compliance(tables),
    )  # fmt: skip


def displayed_volume(flow: Values, starts: Values) -> Values:
    """Flow summed up from the start of each breath, litres: as volume is drawn beside flow."""
    total = np.concatenate([[0.0], np.cumsum((flow[1:] + flow[:-1]) / 2)]) / RATE_HZ
    index = np.clip(np.round(starts * RATE_HZ).astype(int), 0, len(flow) - 1)
    begun = np.zeros(len(flow))
    begun[index] = np.diff(np.concatenate([[0.0], total[index]]))
    volume: Values = total - np.cumsum(begun)
    return volume


def _compliance(tables: dict[str, object]) -> float | None:
    """Of all compartments, where each is linear."""
    lung = tables["lung"]
    assert isinstance(lung, dict)
    parts = [part.get("compliance_ml_cmh2o") for part in lung["compartments"]]
    return float(sum(parts)) if all(part is not None for part in parts) else None
