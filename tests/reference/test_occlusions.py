"""Efforts against a closed airway, measured, beside the muscle pressure that a simulation knows.

A closed airway shows muscle pressure but for what the circuit's gas gives and what is trapped; definitions: P0.1 is the
fall in 0.1 s (Telias, Am J Respir Crit Care Med 2020;201:1086), the factors are Bertoni's (Crit Care 2019;23:346).
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tests.reference.test_interrupted_ventilation import NOISE, reviewed
from tidebench.records import Hold
from tidebench.simulation import Solution

TWELVE = [{"at_s": 20 + 15 * k, "kind": "occlusion"} for k in range(12)]


def pulled(found: tuple[Hold, ...]) -> list[Hold]:
    """The holds in which somebody pulls."""
    return [hold for hold in found if hold.occlusion_swing_cmh2o is not None]


def true_effort(hold: Hold, done: Solution) -> tuple[float, float, float]:
    """Onset, end and size of the effort that met the hold."""
    met = pl.col("onset_s").is_between(hold.at_s - hold.duration_s - 0.2, hold.at_s)
    onset, end, size = done.efforts.filter(met).row(0)[:3]
    return float(onset), float(end), float(size)


@pytest.mark.parametrize(("who", "least"), [("neuromuscular", 0.84), ("hard-to-wean", 0.75)])
@pytest.mark.parametrize("size", [3.0, 8.0, 18.0])
@pytest.mark.parametrize("bend", [1.0, 2.0])
@pytest.mark.parametrize("sensors", [{}, NOISE], ids=["clean", "noise"])
def test_swing_and_p01_are_the_muscles(
    who: str, least: float, size: float, bend: float, sensors: dict[str, float]
) -> None:
    """Trapped gas hides the beginning of an effort: the second patient has some."""
    effort = {"rate_per_min": 20, "size_cmh2o": size, "bend": bend, "size_cv": 0.05, "co2_gain_per_mmhg": 0.0}
    found, done = reviewed(who, manoeuvres=TWELVE, effort=effort, sensors=sensors)
    held = pulled(found.holds)
    assert len(held) >= 11
    swings, early = [], []
    for hold in held:
        onset, end, peak = true_effort(hold, done)
        swing = hold.occlusion_swing_cmh2o
        assert swing is not None
        swings.append(-swing / peak)
        assert hold.occlusion_effort_cmh2o == pytest.approx(-0.75 * swing)
        if hold.p01_cmh2o is not None:
            early.append(hold.p01_cmh2o / (peak * (1 - (1 - 0.1 / (end - onset)) ** bend)))
    assert 0.85 < np.median(swings) < 1.0 + 0.15 / size  # noise deepens the lowest sample
    assert len(early) >= 10
    noise = 0.3 / size if sensors else 0.0  # of pressure, against a P0.1 of 0.4 cmH2O and more
    assert least - noise < np.median(early) < 1.05 + noise


@pytest.mark.parametrize("who", ["adult-healthy", "copd", "ards-severe", "asthma-severe", "newborn-term", "mask-leak"])
def test_nobody_pulls_where_no_airway_was_closed(who: str) -> None:
    """Steps of PEEP, a disconnection and efforts that trigger move pressure too, and gas with it."""
    steps = [{"at_s": 100, "kind": "peep steps", "levels_cmh2o": [12, 3, 8], "each_s": 20}]
    found, _ = reviewed(who, manoeuvres=[{"at_s": 60, "kind": "disconnection"}], procedures=steps)
    assert not pulled(found.holds)


def test_an_expiratory_hold_of_a_passive_patient_has_no_swing() -> None:
    found, _ = reviewed("copd", manoeuvres=[{"at_s": 60, "kind": "expiratory hold"}, {"at_s": 90, "kind": "occlusion"}])
    assert [hold.occlusion_swing_cmh2o for hold in found.holds if hold.kind == "expiratory"] in ([None], [None, None])
    assert found.holds[0].total_peep_cmh2o is not None
