"""A rate that is changed in mid-breath is nobody's effort: the simulator's own truth, in every phase of the breath."""

from __future__ import annotations

import pytest

from tidebench.case import case_from
from tidebench.review import review
from tidebench.simulation import scenario_from, simulate
from tidebench.simulation.parameters import patient_tables
from tidebench.simulation.write import case_tables


@pytest.mark.parametrize(("before", "after"), [(15.0, 6.0), (10.0, 24.0), (25.0, 8.0)])
@pytest.mark.parametrize("who", ["adult-healthy", "copd"])
def test_a_breath_awaited_while_the_rate_changes_is_no_effort(who: str, before: float, after: float) -> None:
    quiet = {"lung": {**patient_tables(who)["lung"], "heart_amplitude_cmh2o": 0.0}, "effort": {"rate_per_min": 0.0}}
    first = {"mode": "A/C-VC", "tidal_volume_ml": 400.0, "rate_per_min": before, "peep_cmh2o": 5.0}
    for phase in range(4):
        later = {"at_s": 40.0 + 60 / before * phase / 4, "rate_per_min": after}
        noise = {"pressure_noise_cmh2o": 0.1, "flow_noise_l_min": 0.3}
        told = scenario_from({"who": who, "duration_s": 90, **quiet, "settings": [first, later], "sensors": noise})
        solved = simulate(told)
        assert solved.breaths["patient_triggered"].sum() == 0
        case = {key: table for key, table in case_tables(told, "").items() if key != "recording"}
        seen = review(case_from(case), solved.recording)
        kinds = set(seen.findings["kind"].to_list())
        efforts = {"auto-trigger", "ineffective-effort", "effort-in-inflation", "double-trigger"}
        assert not kinds & efforts, phase
        assert who == "copd" or seen.efforts.height == 0, (
            phase
        )  # unequal emptying anew may look like a draw: no finding
