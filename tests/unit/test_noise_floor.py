"""Noise of samples that repeat others is no less than theirs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.reference.simulated import compartment
from tests.unit.test_average_breath import no_loss, stretch_of
from tidebench.efforts.stretch import Stretch, sums_with, window
from tidebench.recording import Uncertainty

THETA = np.array([20.0, 12.0, 0.0, 0.0])


def twice(stretch: Stretch) -> Stretch:
    """The same with every sample twice."""
    pressure, flow = np.repeat(stretch.pressure, 2), np.repeat(stretch.flow, 2)
    moments = {key: 2 * getattr(stretch, key) for key in ("start", "held", "turn", "free", "end")}
    return replace(stretch, pressure=pressure, flow=flow, rate_hz=2 * stretch.rate_hz, **moments)


def floor(stretch: Stretch) -> float:
    loss = no_loss(stretch)
    return float(np.median(sums_with(stretch, loss, np.zeros(0), None).noise_floor(THETA)))


def test_samples_that_repeat_others_bring_no_noise_of_their_own() -> None:
    """With white noise, and smoothed over as many seconds, the floor is that of the samples themselves."""
    plain = stretch_of([compartment(50, 12)], 0.1)
    finer = twice(plain)
    assert window(finer) == pytest.approx(2 * window(plain), abs=1)
    assert floor(replace(finer, apart=2)) == pytest.approx(floor(plain), rel=0.1)
    assert floor(finer) < 0.6 * floor(plain)


def test_half_of_what_errs_together_lies_apart() -> None:
    unsure = Uncertainty({}, together_s=0.04)
    assert [unsure.apart(rate) for rate in (25.0, 50.0, 100.0, 200.0)] == [1, 1, 2, 4]
