"""The ventilator as it behaved: settings that nobody gave, read from the breaths; valve, rise, cycling as recorded."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from tidebench.fitting.changed import ON_LEVELS, bi_level
from tidebench.fitting.records import FitError, Samples
from tidebench.fitting.waves import Wave, wave
from tidebench.fitting.window import Window
from tidebench.quantities import quantity

MODES = {
    "volume-control": "VC", "pressure-control": "PC", "volume-targeted-pressure": "vtPC",
    "pressure-support": "PS", "unassisted": "CPAP",
}  # fmt: skip
MOST_WAVES = 40
RISEN = 0.9  # of the way from PEEP to the level
CONSTANT, FALLING = 1.25, 1.6  # peak flow over mean flow
STILL, LEAST_PAUSE_S = 0.2, 0.06  # of the highest flow; shorter is the valve closing (this house's choice)
LEAST_VALVE, MOST_VALVE, USUAL_VALVE = 0.2, 60.0, 2.5  # cmH2O·s/L


def some_waves(window: Window, breaths: np.ndarray) -> list[Wave]:
    """Up to forty of these breaths, evenly spread."""
    at = np.unique(np.linspace(0, len(breaths) - 1, min(len(breaths), MOST_WAVES)).round().astype(int))
    return [wave(window.review, int(breaths[k])) for k in at]


def median(table: pl.DataFrame, key: str) -> float | None:
    """Median of a column; None where it is empty."""
    value = table[key].median()
    return float(value) if isinstance(value, float) and np.isfinite(value) else None


def complete(window: Window, waves: list[Wave]) -> tuple[dict[str, Any], list[str]]:
    """The window's setting with what is missing read from its breaths, and a sentence for what was."""
    told = window.setting.model_dump(exclude_none=True, exclude={"at_s"})
    if {"pressure_control_cmh2o", "pressure_support_cmh2o"} & told.keys():
        told.pop("inspiratory_pressure_cmh2o", None)  # follows PEEP
    table = window.review.breaths[window.breaths.tolist()]
    said: list[str] = []
    if window.setting.bi_level:
        told.setdefault("mode", ON_LEVELS)
    if "mode" not in told:
        told["mode"] = read_mode(table)
        said.append(f"no mode was given; breaths look like {told['mode']}")
    for key, value in readings(told, table, waves).items():
        if key not in told and value is not None:
            told[key] = value
            said.append(read_in_words(key, value))
    return told, said


def read_in_words(key: str, value: float | str) -> str:
    """A sentence for a setting that nobody gave and the breaths show."""
    if isinstance(value, str):
        return f"{key.replace('_', ' ')} was not given; it looks {value}"
    record = quantity(key, "settings")
    return f"{record.label} was not given; {record.text(value)} is what was recorded"


def read_mode(table: pl.DataFrame) -> str:
    """The mode that most breaths look like."""
    usual = table["delivery"].drop_nulls().mode().sort()
    kind = MODES.get(str(usual[0])) if len(usual) else None
    if kind is None:
        raise FitError(
            "no mode was given, and the breaths don't show one", where="[[settings]]", expected="mode, such as A/C-VC"
        )
    if kind == "CPAP":
        return kind
    if kind == "PS":
        return "CSV-PS"
    triggered = (table["trigger"] == "patient").fill_null(False).any()
    return f"{'A/C' if triggered else 'CMV'}-{kind}"


def readings(told: dict[str, Any], table: pl.DataFrame, waves: list[Wave]) -> dict[str, float | str | None]:
    """What the breaths show of settings that the mode needs."""
    if bi_level(told) or "time_high_s" in told:
        return levels(table)
    kind = told.get("mode", "").rpartition("-")[2].partition("\\")[0]
    peep = median(table, "peep_cmh2o")
    found: dict[str, float | str | None] = {"peep_cmh2o": None if peep is None else max(0.0, peep)}
    if kind in ("VC", "PC", "vtPC"):
        found["rate_per_min"] = median(table, "rate_per_min")
        if "inspiratory_flow_l_min" not in told:
            found["inspiratory_time_s"] = median(table, "inspiratory_time_s")
    if kind in ("VC", "vtPC", "vtPS"):
        found["tidal_volume_ml"] = median(table, "vti_ml")
    if kind == "VC":
        found["flow_pattern"] = flow_pattern(waves)
        if told.get("flow_pattern", found["flow_pattern"]) == "constant":
            found["pause_s"] = pause_s(waves)
    base = told.get("peep_cmh2o", found["peep_cmh2o"]) or 0.0
    peak = median(table, "peak_pressure_cmh2o")
    key = {"PC": "pressure_control_cmh2o", "PS": "pressure_support_cmh2o"}.get(kind)
    if key is not None and peak is not None and "inspiratory_pressure_cmh2o" not in told:
        found[key] = max(0.5, peak - float(base))
    if kind in ("PC", "PS", "vtPC", "vtPS"):
        found["rise_s"] = rise_s(waves)
    if kind in ("PS", "vtPS"):
        found["cycling_percent"] = cycling_percent(waves)
    return found


def levels(table: pl.DataFrame) -> dict[str, float | str | None]:
    """What the breaths show of two pressure levels and their times."""
    low = median(table, "peep_cmh2o")
    return {
        "pressure_high_cmh2o": median(table, "peak_pressure_cmh2o"), "pressure_low_cmh2o": low, "peep_cmh2o": low,
        "time_high_s": median(table, "inspiratory_time_s"), "time_low_s": median(table, "expiratory_time_s"),
    }  # fmt: skip


def flow_pattern(waves: list[Wave]) -> str:
    """Shape of the flow of volume control, by its peak over its mean."""
    ratios = []
    for each in waves:
        flow = each.flow[: each.turn]
        flow = flow[flow > 0.2 * np.max(flow, initial=0.0)]
        if len(flow):
            ratios.append(float(np.quantile(flow, 0.95) / np.mean(flow)))
    ratio = float(np.median(ratios)) if ratios else 1.0
    return "constant" if ratio < CONSTANT else "decelerating" if ratio > FALLING else "sine"


def pause_s(waves: list[Wave]) -> float | None:
    """How long gas stands still between constant flow and expiration, median, s; None where it hardly does."""
    times = []
    for each in waves:
        flow = each.flow[: each.turn]
        flows = np.flatnonzero(flow > STILL * np.max(flow, initial=0.0))
        times.append((len(flow) - 1 - flows[-1]) * each.dt if len(flows) else 0.0)
    lasts = float(np.median(times)) if times else 0.0
    return lasts if lasts >= LEAST_PAUSE_S else None


def rise_s(waves: list[Wave]) -> float:
    """Time in which pressure goes nine tenths of its way, median, s."""
    times = []
    for each in waves:
        p = each.pressure[: each.turn]
        if len(p) > 4:
            level = float(np.median(p[len(p) // 2 :]))
            above = np.flatnonzero(p >= p[0] + RISEN * (level - p[0]))
            times.append(float(above[0]) * each.dt if len(above) else 0.0)
    return min(float(np.median(times)) if times else 0.1, 2.0)


def shares_at_turn(waves: list[Wave]) -> Samples:
    """Flow at the turn as a share of each inflation's peak flow, %."""
    shares = [
        100 * float(each.flow[each.turn] / np.max(each.flow[: each.turn]))
        for each in waves
        if 4 < each.turn < len(each.flow) and np.max(each.flow[: each.turn]) > 0
    ]
    return np.array(shares)


def cycling_percent(waves: list[Wave]) -> float:
    """Flow at the turn as a share of peak flow, median, %."""
    shares = shares_at_turn(waves)
    return float(np.clip(np.median(shares) if len(shares) else 25.0, 1.0, 90.0))


def spread_of_median(values: Samples) -> float:
    """Standard error of a median, by the median absolute deviation."""
    off = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    return 1.2533 * off / float(np.sqrt(len(values)))


def valve_resistance(waves: list[Wave]) -> float:
    """Slope of pressure above its resting level on outflow, cmH2O·s/L, over brisk expiration."""
    above, out = [], []
    for each in waves:
        p, f = each.pressure[each.turn :], each.flow[each.turn :]
        if len(p) < 8:
            continue
        rest = float(np.median(p[-max(3, len(p) // 5) :]))
        brisk = (f < 0.7 * np.min(f)) | ((f < -0.15) & (f < 0.3 * np.min(f)))
        above.append((p - rest)[brisk])
        out.append(-f[brisk])
    x, y = np.concatenate([*out, np.zeros(0)]), np.concatenate([*above, np.zeros(0)])
    slope = float(x @ y / (x @ x)) if len(x) and x @ x > 0 else USUAL_VALVE
    return float(np.clip(slope, LEAST_VALVE, MOST_VALVE))
