"""Intervals that physics allows: what a ventilator holds is held, and what follows from others follows draw by draw.

Minute volume is volume times rate and a breath its inflation and expiration, by definition; the rest is what is set.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.reference.test_fitting import fitted
from tidebench.fitting import Fit, WhatIf, what_if
from tidebench.fitting.compare import compared
from tidebench.fitting.predict import predict
from tidebench.simulation import scenario_from, simulate

GAS = {"at_s": 30, "site": "arterial", "paco2_mmhg": 48.0, "ph": 7.33}
VOLUME = {
    "mode": "CMV-VC", "peep_cmh2o": 8.0, "fio2": 0.4, "rate_per_min": 20.0, "tidal_volume_ml": 390.0,
    "inspiratory_flow_l_min": 45.0,
}  # fmt: skip


def told(answer: WhatIf) -> dict[str, Any]:
    """Changes by key."""
    return {change.key: change for change in answer.changes}


@pytest.fixture(scope="module")
def stiff() -> Fit:
    """Stiff lungs on volume control."""
    lung = {"compartments": [{"compliance_ml_cmh2o": 32.0, "resistance_cmh2o_s_l": 9.0}]}
    return fitted({"lung": lung, "effort": {"rate_per_min": 0.0}, "settings": [VOLUME], "duration_s": 60}, [GAS])


def test_a_volume_that_is_set_is_delivered(stiff: Fit) -> None:
    got = told(what_if(stiff, {"tidal_volume_ml": 250.0}))["vti_ml"].then
    assert got[0] == pytest.approx(250.0, rel=0.015)
    assert got[2] - got[1] < 5.0, "it was 160 mL wide"


def test_minute_volume_is_no_wider_than_volume_and_rate_allow(stiff: Fit) -> None:
    now, then = predict(stiff, n=60), predict(stiff, {"rate_per_min": 14.0}, n=60)
    found = compared(stiff, now, then)
    for side in (found.now, found.then):
        assert side["minute_volume_l_min"] == pytest.approx(side["vte_ml"] * side["rate_per_min"] / 1000, rel=1e-3)
        assert side["inspiratory_time_s"] + side["expiratory_time_s"] == pytest.approx(60.0 / side["rate_per_min"])
    got = told(what_if(stiff, {"rate_per_min": 14.0}))["minute_volume_l_min"].then
    assert got[2] - got[1] < 0.15, "it was 1.3 L/min wide"


def test_a_pressure_that_is_set_is_reached_from_volume_control_too(stiff: Fit) -> None:
    answer = what_if(stiff, {"mode": "CMV-PC", "inspiratory_pressure_cmh2o": 20.0, "inspiratory_time_s": 1.0})
    peak = told(answer)["peak_pressure_cmh2o"].then
    assert peak[0] == pytest.approx(20.0, abs=0.3)
    assert peak[2] - peak[1] < 1.0
    plateau = told(answer)["plateau_pressure_cmh2o"].then
    assert 0.1 < plateau[2] - plateau[1] < 3.0


@pytest.mark.parametrize("change", [{"pressure_support_cmh2o": 14.0}, {"peep_cmh2o": 10.0}])
def test_an_estimate_lies_in_its_interval_and_carbon_dioxide_goes_with_ventilation(change: dict[str, float]) -> None:
    weak = fitted({"who": "hard-to-wean"}, [GAS])
    for one in what_if(weak, change, n=60).changes:
        for middle, low, high in (one.now, one.then, one.change):
            assert not np.isfinite(middle) or low <= middle <= high, one.key
    found = compared(weak, predict(weak, n=60), predict(weak, change, n=60))
    linked = np.corrcoef(found.then["minute_volume_l_min"], found.then["paco2_mmhg"])[0, 1]
    assert linked < -0.3


def test_a_leak_is_a_parameter_with_doubt_and_volume_has_its_share() -> None:
    """A leak past the cuff at another PEEP: the simulator's volume lies inside."""
    case = {
        "patient": {"sex": "male", "age_years": 58, "height_cm": 176, "weight_kg": 82},
        "airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 8.0, "cuff": "inflated"},
        "lung": {"compartments": [{"compliance_ml_cmh2o": 40.0, "resistance_cmh2o_s_l": 8.0}]},
        "leak": {"at": "cuff", "flow_l_min": 6}, "effort": {"rate_per_min": 0.0},
        "settings": [{**VOLUME, "tidal_volume_ml": 420.0}],
    }  # fmt: skip
    leaking = fitted(case)
    row = {one.key: one for one in leaking.parameters()}["leak_l_min"]
    assert row.low is not None
    assert row.high is not None
    assert row.low < 6.0 < row.high
    assert "no correlation" in row.why
    later = {**case, "settings": [{**VOLUME, "tidal_volume_ml": 420.0, "peep_cmh2o": 12.0}], "duration_s": 60}
    truth = simulate(scenario_from(later)).breaths[-5:]["vti_ml"].median()
    low, high = told(what_if(leaking, {"peep_cmh2o": 12.0}, n=80))["vti_ml"].then[1:]
    assert low <= truth <= high
