"""The average breath shows what one compartment leaves out though single breaths hide it in noise."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.reference.simulated import compartment, scenario, volume_control
from tidebench.efforts.average import alike_members, average_breath, average_of, misfit
from tidebench.efforts.mechanics import Lung
from tidebench.efforts.stretch import Stretch
from tidebench.inflations.leak import Loss
from tidebench.simulation import simulate

RATE_HZ = 100.0
FAST, SLOW = compartment(20, 8), compartment(30, 45)


def stretch_of(compartments: list[dict[str, Any]], noise: float, turns_apart: int = 0) -> Stretch:
    """Two minutes under volume control, breaths known from the truth."""
    told = scenario(
        compartments, volume_control(480, 1.0, 4.0, 5), 120,
        patient={"height_cm": 175, "sex": "male"},
        sensors={"pressure_noise_cmh2o": noise, "flow_noise_l_min": 5 * noise},
    )  # fmt: skip
    done = simulate(told)
    row = done.breaths.slice(5)
    start, turn, end = (
        np.round(row[key].to_numpy() * RATE_HZ).astype(np.int64) for key in ("start_s", "insp_end_s", "end_s")
    )
    turn = turn + turns_apart * (np.arange(len(turn)) % 2)
    n, p, f = len(start), done.recording["airway_pressure"], done.recording["flow"]
    ones = np.ones(n)
    return Stretch(p, f, RATE_HZ, start, turn, turn, end, end, 20 * ones, 0.5 * ones, ones > 0, None)


def no_loss(stretch: Stretch) -> Loss:
    n = len(stretch.start)
    return Loss(np.zeros(n), np.zeros(n), 1.0, stretch.pressure)


def of(stretch: Stretch) -> float:
    n = len(stretch.start)
    lung = Lung(np.zeros(4), (), np.ones(n, bool), 0.0, 0.0, 0.0, one_compartment=True)
    return misfit(average_of(stretch, no_loss(stretch), lung), lung)


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.2])
def test_two_compartments_show_and_one_does_not_whatever_the_noise(noise: float) -> None:
    assert of(stretch_of([compartment(50, 12)], noise)) < 0.01
    assert of(stretch_of([FAST, SLOW], noise)) == pytest.approx(of(stretch_of([FAST, SLOW], 0.001)), rel=0.25)


def test_an_average_is_the_mean_of_breaths_that_are_alike() -> None:
    stretch = stretch_of([FAST, SLOW], 0.1)
    n = len(stretch.start)
    breath = average_breath(stretch, no_loss(stretch), alike_members(stretch, np.ones(n, bool)))
    at = int(breath.end[0]) // 2
    assert breath.pressure[at] == pytest.approx(np.mean(stretch.pressure[stretch.start + at]))


def test_breaths_that_differ_are_not_alike() -> None:
    stretch = stretch_of([FAST, SLOW], 0.1, turns_apart=30)
    assert not alike_members(stretch, np.zeros(len(stretch.start), bool)).any()
    kept = alike_members(stretch, np.ones(len(stretch.start), bool))
    assert kept.sum() < 0.75 * len(kept)
