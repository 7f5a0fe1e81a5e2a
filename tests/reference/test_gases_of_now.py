"""Blood gases of now are those that were drawn, and a change moves them from there.

The gas is the test's own. Henderson and Hasselbalch give the pH of a tension; acute buffering is Brackett's (N Engl J
Med 1965;272:6) and Arbus's (N Engl J Med 1969;280:117), both from memory; that blood gives oxygen up as carbon dioxide
rises is Bohr's effect.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.reference.test_fitting import fitted
from tidebench.fitting import Fit, WhatIf, what_if
from tidebench.fitting.change import Change
from tidebench.fitting.records import FitError
from tidebench.fitting.target import Bound, seek

GAS = {
    "at_s": 30, "site": "arterial", "paco2_mmhg": 52.0, "ph": 7.31, "hco3_mmol_l": 25.5, "pao2_mmhg": 76.0,
    "sao2": 0.93, "fio2": 0.6,
}  # fmt: skip


@pytest.fixture(scope="module")
def adult() -> Fit:
    """The library's healthy adult, with a gas in which everything was measured."""
    return fitted({"who": "adult-healthy"}, [GAS])


@pytest.fixture(scope="module")
def slower(adult: Fit) -> WhatIf:
    """On three quarters of the rate."""
    return what_if(adult, {"rate_per_min": 0.75 * adult.setting["rate_per_min"], "fio2": 0.6})


def told(answer: WhatIf) -> dict[str, Change]:
    """Changes by key."""
    return {change.key: change for change in answer.changes}


def test_now_is_what_was_drawn(adult: Fit) -> None:
    now = told(what_if(adult, {"fio2": 0.6}))
    assert now["ph"].then[0] == pytest.approx(7.31, abs=1e-6)
    assert now["pao2_mmhg"].then[0] == pytest.approx(76.0, rel=1e-3)
    assert now["sao2"].then[0] == pytest.approx(0.93, abs=1e-3)


def test_a_saturation_that_was_not_measured_is_by_the_gas_s_own_ph(adult: Fit) -> None:
    """Severinghaus at pH 7.31 and 76 mmHg, not at 7.4."""
    gas = {key: value for key, value in GAS.items() if key != "sao2"}
    now = told(what_if(fitted({"who": "adult-healthy"}, [gas]), {"fio2": 0.6}, n=4))
    shifted = 76.0 * 10 ** (0.48 * (7.31 - 7.4))
    assert now["sao2"].then[0] == pytest.approx(1 / (23400 / (shifted**3 + 150 * shifted) + 1), abs=1e-3)


def test_the_doubt_of_ph_holds_what_is_buffered_within_hours(slower: WhatIf) -> None:
    """Bicarbonate kept is the estimate; with 1 mmol/L for 10 mmHg pH falls less, and the interval reaches there."""
    then = told(slower)
    tension = then["paco2_mmhg"].then[0]
    kept = 7.31 - np.log10(tension / 52.0)
    bicarbonate = 0.0307 * 52.0 * 10 ** (7.31 - 6.1)
    within_hours = kept + np.log10(1 + 0.1 * (tension - 52.0) / bicarbonate)
    assert then["ph"].then[0] == pytest.approx(kept, abs=1e-3)
    assert within_hours > kept + 0.02
    assert then["ph"].then[2] > within_hours
    assert any("bicarbonate stays" in words for words in slower.assumptions)


def test_blood_gives_oxygen_up_as_carbon_dioxide_rises(adult: Fit, slower: WhatIf) -> None:
    """The same content at a lower pH is a higher tension beside a saturation that hardly moves."""
    assert adult.exchange.oxygen(0.6, np.full(1, 52.0), np.full(1, 5.0)) == pytest.approx(76.0, rel=1e-3)
    then = told(slower)
    assert then["pao2_mmhg"].then[0] > 76.0 - 1.0
    assert then["sao2"].then[0] == pytest.approx(0.93, abs=0.02)


def test_a_search_keeps_inside_a_setting_too(adult: Fit) -> None:
    """Oxygen to 90 % within an FiO2: a bound of the person's own, met or named as what stands in the way."""
    told = seek(adult, "sao2", 0.90, [Bound("fio2", True, 0.7)], n=4)
    assert told.ways
    assert all(way.settings["fio2"] <= 0.7 for way in told.ways)
    least = told.ways[0].settings["fio2"]
    assert seek(adult, "sao2", 0.90, [Bound("fio2", True, least - 0.05)], n=4).hindered
    with pytest.raises(FitError, match="not set in"):
        seek(adult, "sao2", 0.90, [Bound("pressure_support_cmh2o", True, 10.0)], n=4)
