"""Drive of a virtual patient: what weakens it, how strong it gets, and which PaCO2 it follows.

Maximal inspiratory pressure of men: 124 cmH2O (Black and Hyatt, Am Rev Respir Dis 1969;99:696, from memory). Rise of
PaCO2 that a drive feels: first-order lags, in closed form.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import ks_2samp

from tests.reference.simulated import REGULAR, compartment, scenario
from tidebench.simulation import Solution, scenario_from, simulate
from tidebench.simulation.effort import FAST_S, SLOW_S, feel

CLOCK = {"mode": "CMV-VC", "peep_cmh2o": 5, "fio2": 0.4, "rate_per_min": 25, "tidal_volume_ml": 700}
OWN = {"mode": "CSV-PS", "peep_cmh2o": 5, "fio2": 0.4, "pressure_support_cmh2o": 6}


def breathing(setting: dict[str, Any], seconds: float, **effort: Any) -> Solution:
    """An invented adult who breathes."""
    told = {
        "duration_s": seconds, "sampling_hz": 50, "patient": {"weight_kg": 70}, "settings": [setting],
        "lung": {"compartments": [compartment(60, 8)]}, "effort": {"rate_per_min": 16, "size_cmh2o": 7, **effort},
    }  # fmt: skip
    return simulate(told, ["airway_pressure", "flow", "arterial_co2"])


@pytest.mark.parametrize("unloading", [0.0, 0.5, 1.0, 2.0])
def test_two_reasons_to_breathe_less_make_nobody_breathe_more(unloading: float) -> None:
    """Far below the set point and unloaded to thrice the volume: no drive by either, so none by both."""
    found = breathing(
        {**CLOCK, "inspiratory_time_s": 0.8}, 120, co2_gain_per_mmhg=0.2, co2_setpoint_mmhg=60, unloading=unloading,
        unloaded_volume_ml=200,
    )  # fmt: skip
    assert found.efforts.filter(found.efforts["onset_s"] > 60).height == 0


def test_drive_has_an_end_and_no_effort_is_stronger_than_a_man_can_pull() -> None:
    weak = {**CLOCK, "rate_per_min": 8, "tidal_volume_ml": 200}
    found = breathing(weak, 900, size_cmh2o=60, co2_gain_per_mmhg=1.0, size_cv=0.0)
    assert found.efforts["amplitude_cmh2o"].max() == pytest.approx(124)
    five = breathing(weak, 900, co2_gain_per_mmhg=1.0, size_cv=0.0).efforts["amplitude_cmh2o"].max()
    assert five == pytest.approx(5 * 7)


@pytest.mark.parametrize("gain", [0.2, 1.0])
def test_the_set_point_is_of_the_mean_of_paco2(gain: float) -> None:
    """Mean strength is 1 + gain·(mean PaCO2 − set point) and no more; even a gain of 1 settles."""
    found = breathing({"mode": "CPAP", "peep_cmh2o": 5, "fio2": 0.4}, 1800, co2_gain_per_mmhg=gain, **REGULAR)
    sizes = found.efforts.filter(found.efforts["onset_s"] > 1200)["amplitude_cmh2o"].to_numpy()
    tension = found.channels["arterial_co2"][1200 * 50 :]
    assert sizes.mean() / 7 == pytest.approx(1 + gain * (tension.mean() - 40), abs=0.03 + 0.05 * gain)
    assert np.ptp(sizes) < 0.15 * sizes.mean()


def test_what_is_felt_lags_as_two_receptors_do() -> None:
    """A step of 10 mmHg after t seconds: 10·(1 − exp(−t/T)) of each."""

    class Felt:
        felt_fast = felt_slow = 40.0

    felt: Any = Felt()
    for _ in range(600):
        feel.py_func(felt, 50.0, 0.1)  # type: ignore[attr-defined]
    assert felt.felt_fast - 40 == pytest.approx(10 * (1 - np.exp(-60 / FAST_S)), rel=1e-3)
    assert felt.felt_slow - 40 == pytest.approx(10 * (1 - np.exp(-60 / SLOW_S)), rel=1e-3)


@pytest.mark.parametrize("who", ["newborn-term", "child", "hard-to-wean"])
def test_patients_of_the_library_settle_where_people_do(who: str) -> None:
    """PaCO2 of the third hour within 32 to 45 mmHg: normal values (35 to 45, newborns some lower; common practice)."""
    done = simulate(scenario_from({"who": who, "duration_s": 3 * 3600, "seed": 21}))
    late = done.breaths.filter(pl.col("start_s") > 2 * 3600)["paco2_mmhg"].to_numpy()
    assert 32 < np.mean(late) < 45
    assert np.std(late) < 2, "and they do not swing"
    efforts = done.efforts.filter(pl.col("onset_s") > 2 * 3600)
    assert efforts.height > 600, "nobody has stopped breathing"


@pytest.mark.parametrize("rate", [17.5, 18.0, 19.0])
def test_free_efforts_near_the_ventilators_rate_keep_its_time_no_more_than_chance_lets_them(rate: float) -> None:
    """Onsets' phase in the ventilator's period: as sharp as that of intervals drawn by NumPy alone (SciPy's KS test).

    Near its rate they stay near one phase for a while: that is how a walk of 8 % a step is, and no lock.
    """
    rng, ventilator = np.random.default_rng(77), 60 / 18

    def sharp(onsets: np.ndarray[Any, np.dtype[np.float64]]) -> float:
        return float(abs(np.mean(np.exp(2j * np.pi * onsets / ventilator))))

    ours, plain = [], []
    for seed in range(500, 570):
        told = scenario(
            [compartment(50, 10)], {**CLOCK, "mode": "CMV-VC", "rate_per_min": 18, "tidal_volume_ml": 450}, 180,
            patient={"height_cm": 175}, effort={"rate_per_min": rate, "size_cmh2o": 6, "rate_cv": 0.08}, seed=seed,
        )  # fmt: skip
        ours.append(sharp(simulate(told).efforts["onset_s"].to_numpy()))
        onsets = np.cumsum(60 / rate * np.clip(1 + 0.08 * rng.standard_normal(90), 0.33, 3))
        plain.append(sharp(onsets[onsets < 180]))
    assert ks_2samp(ours, plain).pvalue > 0.01
