"""The lung that is given where a muscle pressure is known: the one that made the pressure."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from tests.population.known import best_lung
from tidebench.efforts.equation import EXPIRATION, FLOW, SQUARE, VOLUME
from tidebench.inflations.leak import Loss


def test_best_lung_is_the_one_that_made_the_pressure() -> None:
    """The equation of motion run forwards, p = E·V + R·f + k·f·|f| + dR·min(f, 0) − pmus, is taken apart again."""
    dt, length, breaths = 0.01, 300, 6
    t = np.arange(length) * dt
    once = np.where(t < 1.0, 0.5 * np.sin(np.pi * t), -0.5 * np.exp(-(t - 1.0) / 0.6))
    flow = np.concatenate([once * (1.0 + 0.1 * k) for k in range(breaths)])
    muscle = np.tile(np.where(t < 0.9, 8.0 * np.sin(np.pi * t / 0.9) ** 2, 0.0), breaths)
    volume = np.concatenate([np.cumsum(part) * dt for part in flow.reshape(breaths, length)])
    pressure = 5.0 + 25.0 * volume + 8.0 * flow + 3.0 * flow * np.abs(flow) + 4.0 * np.minimum(flow, 0.0) - muscle
    start = np.arange(breaths) * length
    loss = Loss(np.zeros(breaths), np.zeros(breaths), 0.5, pressure)
    stretch = SimpleNamespace(pressure=pressure, flow=flow, dt=dt, start=start, end=start + length)
    found = SimpleNamespace(stretch=stretch, explained=SimpleNamespace(loss=loss, theta=np.zeros((breaths, 4))))
    theta = best_lung(cast(Any, found), muscle)
    assert theta[[VOLUME, FLOW, SQUARE, EXPIRATION]] == pytest.approx([25.0, 8.0, 3.0, 4.0], rel=1e-6)
    assert best_lung(cast(Any, found), np.zeros_like(muscle))[VOLUME] != pytest.approx(25.0, rel=0.05)  # it matters
