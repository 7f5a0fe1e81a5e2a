"""What a rehearsal takes for granted is in its intervals or in its words."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.reference.test_fitting import fitted
from tidebench.case import case_from
from tidebench.fitting import what_if
from tidebench.fitting.exchange import described

SUPPORT: dict[str, Any] = {
    "mode": "CSV-PS", "peep_cmh2o": 5.0, "pressure_support_cmh2o": 8.0, "fio2": 0.3, "trigger_flow_l_min": 2.0,
    "cycling_percent": 25.0,
}  # fmt: skip


def test_what_efforts_were_read_wrong_by_is_in_the_table_as_in_the_fit() -> None:
    """The same drawn patients: the relative width of now and of then is that of the fitted parameter."""
    told = {
        "lung": {"compartments": [{"compliance_ml_cmh2o": 45.0, "resistance_cmh2o_s_l": 9.0}]},
        "effort": {"rate_per_min": 18.0, "size_cmh2o": 8.0, "neural_time_s": 0.9, "size_cv": 0.08},
        "settings": [SUPPORT],
    }  # fmt: skip
    fit = fitted(told, assume={"compliance_ml_cmh2o": 45.0, "inspiratory_resistance_cmh2o_s_l": 9.0})
    own = next(one for one in fit.parameters() if one.key == "effort_cmh2o")
    assert own.low is not None
    assert own.high is not None
    row = {one.key: one for one in what_if(fit, {"pressure_support_cmh2o": 12.0}, n=100).changes}["effort_cmh2o"]
    for span in (row.now, row.then):
        assert span[2] - span[1] == pytest.approx(own.high - own.low, rel=0.3)


@pytest.mark.parametrize(("at_s", "moved"), [(1000.0, True), (1700.0, True), (1900.0, False)])
def test_a_gas_is_taken_for_steady_and_a_change_before_it_is_said(at_s: float, moved: bool) -> None:
    """A rate that was set at 600 s is within 20 min of gases until 1800 s."""
    row = {"mode": "A/C-VC", "rate_per_min": 12.0, "tidal_volume_ml": 400.0, "peep_cmh2o": 5.0, "at_s": 0.0}
    gas = {"at_s": at_s, "site": "arterial", "paco2_mmhg": 50.0}
    case = case_from({"settings": [row, {**row, "rate_per_min": 20.0, "at_s": 600.0}], "blood_gases": [gas]})
    words = described(case, case.blood_gases[0], 1000.0)
    assert "it is taken for that of a steady state" in words
    assert ("rate_per_min 12.0 to 20.0" in words) == moved


def test_an_assumed_alveolar_dead_space_may_move_with_the_breath_of_an_uneven_lung() -> None:
    """By a tenth for each doubling: dP/P = ds/(1 − s) in closed form, 1.645 standard errors either way, at least."""
    setting = {
        "mode": "A/C-VC", "peep_cmh2o": 5.0, "rate_per_min": 15.0, "tidal_volume_ml": 450.0, "fio2": 0.3,
        "inspiratory_flow_l_min": 50.0,
    }  # fmt: skip
    told = {"who": "copd", "seed": 1905, "effort": {"rate_per_min": 0.0}, "settings": [setting]}
    fit = fitted(told, gases=[{"at_s": 80.0, "site": "arterial", "paco2_mmhg": 43.0, "ph": 7.38}])
    row = {one.key: one for one in what_if(fit, {"rate_per_min": 10.0}).changes}["paco2_mmhg"]
    moved = np.log2(row.then[0] / 43.0)
    assert np.log(row.then[2] / row.then[1]) > 2 * 1.645 * 0.1 / 0.85 * moved * 0.85
    assert row.then[2] / row.then[1] < 1.4
