"""Other levels of PEEP: beside the levels that a recording itself shows, and the simulator's lungs that open and close.

The shipped case was recorded on three levels of PEEP; its stress index there is 0.99 to 1.02, so its inflations are
straight, and what each level's breaths measure is the truth for a rehearsal from another level.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

import tidebench
from tests.reference.test_fitting import CURVE, fitted, stepped
from tidebench.case import load_case
from tidebench.fitting import Fit, fit_patient, what_if
from tidebench.readers import open_recording
from tidebench.review import review
from tidebench.simulation import scenario_from, simulate


@pytest.fixture(scope="module")
def shipped() -> Fit:
    """The invented case's patient, on the first of its levels."""
    case = load_case(Path(tidebench.__file__).parent / "demo")
    return fit_patient(review(case, open_recording(case)))


def test_a_bend_that_the_inflations_contradict_is_no_bend(shipped: Fit) -> None:
    assert shipped.bend is None
    assert shipped.steps is not None
    answer = what_if(shipped, {}, n=4)
    assert answer.overlay.pressure_error_cmh2o < 0.4, "it was 0.67 with the bend"
    assert any("no one bend of recoil" in words for words in answer.assumptions)


@pytest.mark.parametrize(("from_s", "to_s", "peep"), [(80, 140, 12.0), (150, 205, 16.0)])
def test_levels_that_were_recorded_come_back(shipped: Fit, from_s: float, to_s: float, peep: float) -> None:
    table = shipped.window.review.breaths.filter(pl.col("start_s").is_between(from_s, to_s))
    told = {change.key: change for change in what_if(shipped, {"peep_cmh2o": peep}, n=60).changes}
    for key, near in (("driving_pressure_cmh2o", 0.4), ("plateau_pressure_cmh2o", 0.6), ("peak_pressure_cmh2o", 0.8)):
        assert told[key].then[0] == pytest.approx(table[key].median(), abs=near), key


def test_doubt_grows_away_from_the_levels_seen(shipped: Fit) -> None:
    wide = []
    for peep in (16.0, 20.0, 24.0):
        answer = what_if(shipped, {"peep_cmh2o": peep}, n=80)
        low, high = next(c.then[1:] for c in answer.changes if c.key == "driving_pressure_cmh2o")
        wide.append(high - low)
    assert np.diff(wide).min() > 0.3
    assert answer.beyond


def test_a_level_below_all_that_were_seen_is_beyond_them(shipped: Fit) -> None:
    """Levels of 8, 12 and 16 cmH2O were recorded: 5 is none of them, 10 lies between (the shipped case)."""
    below, between = (what_if(shipped, {"peep_cmh2o": peep}, n=2).beyond for peep in (5.0, 10.0))
    assert any(words.startswith("total PEEP would be 5.") for words in below)
    assert not between


def test_a_real_bend_stays_one() -> None:
    """The simulator's sigmoid leaves less of its inflations than a straight line."""
    fit = fitted(stepped((4.0, 8.0, 12.0, 16.0), {"sigmoid": CURVE}), from_s=60.0, to_s=120.0)
    assert fit.bend is not None
    assert fit.steps is None


def test_less_pressure_than_was_seen_is_flagged_and_doubted() -> None:
    """Units that close: the simulator's volume at a PEEP of 5 lies inside, and the way down is said."""
    told = {"who": "ards-severe"}
    fit = fitted(told)
    answer = what_if(fit, {"peep_cmh2o": 5.0}, n=100)
    assert any("PEEP" in words for words in answer.beyond)
    first = simulate(scenario_from({**told, "duration_s": 60})).scenario.settings[0]
    lower = first.model_dump(exclude_none=True) | {"peep_cmh2o": 5.0}
    lower.pop("inspiratory_pressure_cmh2o", None)
    truth = simulate(scenario_from({**told, "settings": [lower], "duration_s": 240})).breaths[-8:]["vti_ml"].median()
    low, high = next(c.then[1:] for c in answer.changes if c.key == "vti_ml")
    assert isinstance(truth, float)
    assert low <= truth <= high
    assert high - low > 0.06 * truth


def test_a_ventilator_s_own_limit_is_named_where_it_cuts() -> None:
    stiff = {"lung": {"compartments": [{"compliance_ml_cmh2o": 20.0, "resistance_cmh2o_s_l": 12.0}]}}
    row = {"mode": "CMV-VC", "peep_cmh2o": 8.0, "rate_per_min": 20.0, "tidal_volume_ml": 350.0}
    fit = fitted({**stiff, "effort": {"rate_per_min": 0.0}, "settings": [{**row, "inspiratory_flow_l_min": 45.0}]})
    assert any("limit that is assumed" in words for words in what_if(fit, {"tidal_volume_ml": 1000.0}, n=4).assumptions)
    assert not any("limit that is assumed" in words for words in what_if(fit, {}, n=4).assumptions)
