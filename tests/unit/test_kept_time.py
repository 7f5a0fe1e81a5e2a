"""How well a ventilator keeps time is read off its own intervals; common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from tidebench.inflations.delivery import KEPT_SHARE, KEPT_TIME_S, kept_within

PERIOD = np.full(40, 3.0)


def test_a_punctual_ventilator_leaves_little_room() -> None:
    late = np.random.default_rng(1).normal(0, 0.001, 40)
    within = kept_within(PERIOD + late, PERIOD, 0.01)
    assert within.max() < 0.03
    assert (within > np.abs(late)).all()


def test_a_rate_rounded_on_the_screen_is_still_its_own_time() -> None:
    """19.8 a minute shown as 20: every interval 30 ms late."""
    interval = np.full(40, 60 / 19.8)
    assert (np.abs(interval - PERIOD) < kept_within(interval, PERIOD, 0.01)).all()


@pytest.mark.parametrize("early", [0.2, np.nan])
def test_without_intervals_of_its_own_only_the_widest_is_known(early: float) -> None:
    within = kept_within(PERIOD - early, PERIOD, 0.01)
    assert within == pytest.approx(KEPT_TIME_S + KEPT_SHARE * PERIOD)
