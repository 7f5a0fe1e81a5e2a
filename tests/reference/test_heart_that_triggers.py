"""A heart that triggers the ventilator, under support: the lung and the efforts among inflations that no effort asked.

Outside truth: the virtual patient's own lung, heart, efforts and what triggered. That cardiogenic oscillation triggers
and passes for breathing is described by Imanaka et al. (Crit Care Med 2000;28:402).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.reference.simulated import reviewed_newborn
from tidebench.efforts.heartbeat import rate_of_starts

SCENARIO = """
title = "a sensitive trigger and a strong heart"
duration_s = 120
seed = 4
[lung]
heart_amplitude_cmh2o = 1.3
heart_rate_per_min = 138
[[lung.compartments]]
compliance_ml_cmh2o = 4.0
resistance_cmh2o_s_l = 32
expiratory_resistance_cmh2o_s_l = 40
[effort]
rate_per_min = 15
size_cmh2o = 7
neural_time_s = 0.5
[[settings]]
mode = "CSV-PS"
peep_cmh2o = 6
pressure_support_cmh2o = 10
cycling_percent = 32
trigger_flow_l_min = 0.1
"""


def test_inflations_that_a_heart_triggers_show_the_lung_and_are_told_from_efforts(tmp_path: Path) -> None:
    found = reviewed_newborn(SCENARIO, tmp_path)
    truth = pl.read_csv(tmp_path / "case" / "truth_breaths.csv")
    auto = truth.filter(pl.col("labels").str.contains("auto-trigger"))["start_s"].to_numpy()
    assert len(auto) > 0.4 * truth.height
    told = found.findings.filter(pl.col("kind") == "auto-trigger")["start_s"].to_numpy()
    near = np.abs(told[:, None] - auto[None, :])
    assert (near.min(axis=0) < 0.1).mean() > 0.85
    assert (near.min(axis=1) < 0.1).mean() > 0.95
    assert found.breaths["compliance_ml_cmh2o"].drop_nulls().median() == pytest.approx(4.0, rel=0.05)


def starts(beats: np.ndarray, heart_hz: float, wander: float) -> np.ndarray:
    """When inflations begin that a heart triggers after so many beats, its phase wandering by a share of a beat, s."""
    phase = np.cumsum(beats) + wander * np.random.default_rng(2).standard_normal(len(beats))
    return np.asarray(phase / heart_hz, np.float64)


@pytest.mark.parametrize("heart_hz", [1.1, 1.8, 2.4])
def test_the_beat_is_found_that_triggered_inflations_keep(heart_hz: float) -> None:
    beats = np.random.default_rng(3).choice([2, 3, 4, 5], 60)
    assert rate_of_starts(starts(beats, heart_hz, 0.06)) == pytest.approx(heart_hz, rel=0.01)


@pytest.mark.parametrize("spread", [0.05, 0.1, 0.2, 0.4])
@pytest.mark.parametrize("seed", range(25))
def test_breathing_keeps_no_beat_however_regular(spread: float, seed: int) -> None:
    draws = np.random.default_rng(seed)
    assert rate_of_starts(np.cumsum(3.0 * draws.lognormal(0.0, spread, 60))) is None


@pytest.mark.parametrize("seed", range(25))
def test_efforts_that_trigger_twice_keep_no_beat(seed: int) -> None:
    draws = np.random.default_rng(seed)
    interval = np.where(draws.random(60) < 0.4, draws.normal(0.9, 0.1, 60), draws.normal(3.2, 0.3, 60))
    assert rate_of_starts(np.cumsum(interval)) is None
