"""Flow's zero by the volume beside it: known by construction, flow and volume being the same breaths."""

from __future__ import annotations

import numpy as np
import pytest

from tidebench.pictures.zero import LEAST_PX, zero_of, zeroed
from tidebench.recording import Recording, Uncertainty

RATE_HZ, PERIOD_S, ROW, COLUMN_S = 100.0, 4.0, 0.01, 0.02
MARKS = 0.35 * ROW


def drawn(zero: float, leak: float = 0.0, *, late_s: float = 0.0, scale: float = 1.0, breaths: int = 6) -> Recording:
    """Breaths with flow that reads ``zero`` where there is none, and a volume set to zero at each start; L/s, L."""
    time = np.arange(round(breaths * PERIOD_S * RATE_HZ)) / RATE_HZ
    within = time % PERIOD_S
    inflow = np.where(within < 1, 0.25 * np.pi * np.sin(np.pi * within), 0.0)
    outflow = np.where(within >= 1, -np.exp(-(within - 1) / 0.5), 0.0)
    volume = np.where(within < 1, 0.25 * (1 - np.cos(np.pi * within)), 0.5 * np.exp(-(within - 1) / 0.5))
    shown = np.interp(time - late_s, time, volume + leak * within)
    flow = scale * (inflow + outflow + leak) + zero
    sure = {name: np.full(len(time), 1e-3) for name in ("flow", "volume")}
    doubt = Uncertainty(sure, 2 * COLUMN_S, offset={"flow": MARKS, "volume": 0.001})
    return Recording(RATE_HZ, {"flow": flow, "volume": shown}, uncertainty=doubt)


@pytest.mark.parametrize("leak", [0.0, 0.05])
@pytest.mark.parametrize(("late_s", "scale"), [(0.0, 1.0), (0.01, 1.0), (0.0, 1.02)])
@pytest.mark.parametrize("zero", [-0.5 * ROW, 0.0, 0.4 * ROW])
def test_zero_is_found_whatever_leaks_and_however_clocks_and_scales_differ(
    zero: float, late_s: float, scale: float, leak: float
) -> None:
    recording = drawn(zero, leak, late_s=late_s, scale=scale)
    found = zero_of(recording, ROW, COLUMN_S)
    assert found is not None
    assert found.within
    assert found.flow == pytest.approx(zero, abs=2 * LEAST_PX * ROW)
    moved = zeroed(recording, found)
    assert moved.uncertainty is not None
    assert moved.uncertainty.offset["flow"] < MARKS
    np.testing.assert_allclose(moved["flow"], recording["flow"] - found.flow)


def test_more_than_marks_leave_open_is_told_and_nothing_moves() -> None:
    recording = drawn(6 * MARKS)
    found = zero_of(recording, ROW, COLUMN_S)
    assert found is not None
    assert not found.within
    assert "check the marks" in found.words
    left = zeroed(recording, found)
    assert left["flow"] is recording["flow"]
    assert left.uncertainty is not None
    assert left.uncertainty.offset["flow"] == pytest.approx(6 * MARKS, rel=0.2)


def test_one_breath_tells_nothing() -> None:
    assert zero_of(drawn(0.2 * ROW, breaths=1), ROW, COLUMN_S) is None
