"""How the ventilator answered a patient who breathes: how late after the trigger's criterion, and where it cycled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from tidebench.fitting.records import Parameter, Samples, interval
from tidebench.fitting.ventilator import shares_at_turn, spread_of_median
from tidebench.fitting.waves import wave
from tidebench.fitting.window import FEWEST, Window

LOOKED_S = 0.5  # before an inflation, within which its trigger's criterion was met
USUAL_DELAY_S, DELAY_DOUBT_S = 0.05, 0.025  # where none is seen (common practice, no source)
SAMPLES_DOUBT = 0.5  # of a sample
USUAL_RATIO, RATIO_DOUBT, LEAST_RATIO_DOUBT = 1.0, 0.1, 0.02  # of the share of peak flow that was set
MOST_DELAY_S = 0.5
THRESHOLDS_L_MIN = (0.3, 15.0)


@dataclass(frozen=True)
class Behaviour:
    """Seconds from criterion to inflation, and flow at the turn over what was set; each with its standard error, and
    from how many breaths (0: assumed).
    """

    delay_s: float = USUAL_DELAY_S
    delay_error_s: float = DELAY_DOUBT_S
    triggered: int = 0
    ratio: float = USUAL_RATIO
    ratio_error: float = RATIO_DOUBT
    cycled: int = 0

    def draw(self, rng: np.random.Generator, n: int) -> Samples:
        """Delays and ratios, shape (n, 2); the first are the estimates."""
        own = rng.standard_normal((n, 2))
        own[0] = 0.0
        drawn = np.array([self.delay_s, self.ratio]) + own * np.array([self.delay_error_s, self.ratio_error])
        return np.asarray(np.clip(drawn, [0.0, 0.1], [MOST_DELAY_S, 4.0]), np.float64)

    def parameters(self, draws: Samples, setting: Mapping[str, Any]) -> list[Parameter]:
        """Both as they were seen."""
        seen = f"from its criterion to the inflation, {self.triggered} breaths" if self.triggered else "assumed"
        low, high = interval(draws[:, 0])
        out = [Parameter("trigger_answer_s", self.delay_s, low, high, "s", self.triggered > 0, seen)]
        if setting.get("cycling_percent") is not None:
            asked = float(setting["cycling_percent"])
            low, high = asked * np.array(interval(draws[:, 1]))
            seen = f"flow at the turn over peak flow, {self.cycled} breaths" if self.cycled else "as set"
            out.append(Parameter("cycling_percent", asked * self.ratio, low, high, "%", self.cycled > 0, seen))
        return out


def behaviour_of(window: Window, setting: Mapping[str, Any]) -> Behaviour:
    """What the window's breaths show of trigger and cycling."""
    found: dict[str, Any] = {}
    delays = answers_s(window, setting)
    if len(delays) >= FEWEST:
        dt = 1.0 / window.review.recording.rate_hz
        error = float(np.hypot(spread_of_median(delays), SAMPLES_DOUBT * dt))
        found |= {"delay_s": float(np.median(delays)), "delay_error_s": error, "triggered": len(delays)}
    asked, shares = setting.get("cycling_percent"), cycled_shares(window)
    if asked and len(shares) >= FEWEST:
        ratio = shares / float(asked)
        error = float(np.hypot(spread_of_median(ratio), LEAST_RATIO_DOUBT))
        found |= {"ratio": float(np.clip(np.median(ratio), 0.2, 3.0)), "ratio_error": error, "cycled": len(ratio)}
    return Behaviour(**found)


def cycled_shares(window: Window) -> Samples:
    """Flow at the turn, % of peak flow, of breaths that flow ended."""
    table = window.review.breaths[window.breaths.tolist()]
    chosen = table.filter((pl.col("cycling") == "patient").fill_null(False))["breath"].to_list()
    return shares_at_turn([wave(window.review, int(breath)) for breath in chosen])


def before(window: Window, breath: int) -> tuple[Samples, Samples] | None:
    """Pressure (cmH2O) and flow (L/min) over the half second to a patient-triggered start; None where they are gone."""
    recording, c = window.review.recording, window.review.mechanics
    n, start = round(LOOKED_S * recording.rate_hz), int(c["start"][breath])
    if start < n:
        return None
    lost = (
        c["offset"][breath]
        + c["leak"][breath] * np.maximum(recording["airway_pressure"][start - n], 0.0) ** (c["exponent"][breath])
    )
    pressure, flow = (np.asarray(recording[key][start - n : start + 1]) for key in ("airway_pressure", "flow"))
    whole = np.isfinite(pressure).all() and np.isfinite(flow).all()
    return (pressure, 60.0 * (flow - lost)) if whole else None


def triggered(window: Window) -> list[tuple[Samples, Samples]]:
    """What came before each patient-triggered breath of a window."""
    table = window.review.breaths[window.breaths.tolist()]
    chosen = table.filter((pl.col("trigger") == "patient").fill_null(False))["breath"].to_list()
    return [seen for breath in chosen if (seen := before(window, int(breath))) is not None]


def answers_s(window: Window, setting: Mapping[str, Any]) -> Samples:
    """From when the set criterion was last not met until the inflation, s, of breaths in which it shows."""
    flow_asked, pressure_asked = setting.get("trigger_flow_l_min"), setting.get("trigger_pressure_cmh2o")
    out = []
    for pressure, flow in triggered(window):
        if flow_asked:
            unmet = flow < flow_asked
        elif pressure_asked:
            unmet = pressure > np.median(pressure[: len(pressure) // 2]) - pressure_asked
        else:
            break
        last = np.flatnonzero(unmet)
        if len(last) and last[-1] < len(unmet) - 1:
            out.append((len(unmet) - 2 - int(last[-1])) / window.review.recording.rate_hz)
    return np.array(out)


def threshold_l_min(window: Window) -> float | None:
    """The flow that was met a usual delay before inflations, L/min: what stands for a trigger that nobody gave."""
    late = round(USUAL_DELAY_S * window.review.recording.rate_hz)
    met = [float(flow[-1 - late]) for _, flow in triggered(window)]
    return float(np.clip(np.median(met), *THRESHOLDS_L_MIN)) if len(met) >= FEWEST else None
