"""A search's ways beside the program's own prediction at settings that its steps leave out."""

from __future__ import annotations

from typing import Any

import pytest

from tests.reference.test_fitting import fitted
from tidebench.fitting.target import bound_of, seek

SETTING: dict[str, Any] = {
    "mode": "A/C-VC", "peep_cmh2o": 8.0, "fio2": 0.6, "rate_per_min": 22.0, "tidal_volume_ml": 350.0,
    "inspiratory_flow_l_min": 50.0,
}  # fmt: skip
LUNG = {"compartments": [{"compliance_ml_cmh2o": 22.0, "resistance_cmh2o_s_l": 10.0}]}
GAS = {"at_s": 80.0, "site": "arterial", "paco2_mmhg": 53.0, "pao2_mmhg": 70.0, "ph": 7.28, "fio2": 0.6}


def test_a_way_between_two_steps_of_tidal_volume_is_found() -> None:
    """Steps of 70 mL: at 280 the rate, at 350 driving pressure is past its bound; between both neither is.

    Driving pressure is volume over 22 mL/cmH2O, at most 15 up to 330 mL.
    """
    told = {
        "lung": LUNG, "effort": {"rate_per_min": 0.0}, "settings": [SETTING],
        "patient": {"height_cm": 172.0, "sex": "male"},
    }  # fmt: skip
    fit = fitted(told, gases=[GAS])
    bounds = [bound_of(words) for words in ("driving_pressure_cmh2o<=15", "rate_per_min<=35", "tidal_volume_ml>=290")]
    found = seek(fit, "paco2_mmhg", 45.0, bounds, n=30)
    assert found.hindered == ()
    assert found.ways
    for way in found.ways:
        assert 290 <= way.settings["tidal_volume_ml"] <= 332
        assert way.settings["rate_per_min"] <= 35
        assert way.values["paco2_mmhg"][0] == pytest.approx(45.0, rel=0.02)
