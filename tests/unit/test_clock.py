"""The clock: true over a day, right after losses and jumps, refused where it tells no time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from tidebench.errors import SignalError
from tidebench.readers import clock
from tidebench.readers.clock import Sampled, on_grid

Samples = npt.NDArray[np.float64]


def place(time: Samples, values: Samples | None = None) -> Sampled:
    """A channel on the grid; it tells the time of each row, unless it is said what it holds."""
    return on_grid(pl.Series(time), {"flow": time.copy() if values is None else values}, "x.csv")


def ramp(rate_hz: float, seconds: float) -> Samples:
    """Times of an even clock."""
    return np.arange(round(seconds * rate_hz)) / rate_hz


def off_ms(sampled: Sampled) -> float:
    """How far samples that hold their own time lie from their place on the grid, at the most."""
    grid = sampled.offset_s + np.arange(len(sampled.channels["flow"])) / sampled.rate_hz
    return float(1000 * np.nanmax(np.abs(sampled.channels["flow"] - grid)))


@pytest.mark.parametrize("rate_hz", [100.0, 100.0007, 128.0, 62.5])
def test_a_day_does_not_drift(rate_hz: float) -> None:
    printed = np.round(ramp(rate_hz, 86400), 4)
    sampled = place(printed)
    assert len(sampled.channels["flow"]) == len(printed)
    assert off_ms(sampled) < 0.25 * 1000 / rate_hz + 0.06
    assert (sampled.steps, sampled.warnings) == ([], [])


@pytest.mark.parametrize("rate_hz", [20, 25, 50, 62.5, 100, 125, 128, 200, 250, 256, 300, 1000 / 3, 400, 500, 1000])
@pytest.mark.parametrize("decimals", [3, 4, 9])
def test_usual_rates_are_found_in_coarse_print(rate_hz: float, decimals: int) -> None:
    sampled = place(np.round(ramp(rate_hz, 20), decimals))
    assert sampled.rate_hz == pytest.approx(rate_hz, rel=1e-12)
    assert sampled.steps == []


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 128.0, 250.0])
def test_lost_rows_are_holes_and_change_no_rate(rate_hz: float) -> None:
    time, draw = ramp(rate_hz, 200), np.random.default_rng(1)
    lost = np.unique(draw.integers(1, len(time) - 1, len(time) // 50))
    sampled = place(np.delete(np.round(time, 3), lost))
    assert sampled.rate_hz == rate_hz
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(sampled.channels["flow"])), lost)
    assert off_ms(sampled) <= 0.5 + 1e-6


@pytest.mark.parametrize("spread", [0.05, 0.1, 0.2])
def test_jitter_is_no_loss(spread: float) -> None:
    time = ramp(100, 600)
    shaken = np.sort(time + np.random.default_rng(2).normal(0, spread / 100, len(time)))
    sampled = place(shaken)
    assert sampled.rate_hz == pytest.approx(100, rel=2e-5)
    assert abs(len(sampled.channels["flow"]) - len(time)) <= 1
    assert sampled.steps[0].startswith("uneven clock")
    assert off_ms(sampled) < 1e-6


def test_uneven_clock_gives_back_the_signal() -> None:
    draw = np.random.default_rng(3)
    time = np.cumsum(draw.uniform(0.004, 0.016, 4000))
    sampled = place(time, np.sin(2 * np.pi * 0.5 * time))
    grid = sampled.offset_s + np.arange(len(sampled.channels["flow"])) / sampled.rate_hz
    assert sampled.rate_hz == pytest.approx(100, rel=0.05)
    np.testing.assert_allclose(sampled.channels["flow"], np.sin(2 * np.pi * 0.5 * grid), atol=4e-4)


@pytest.mark.parametrize("phase", [0.0, 0.0031])
def test_gap_keeps_its_length_to_half_a_sample(phase: float) -> None:
    time = ramp(100, 60)
    time[3000:] += 7.25 + phase
    sampled = place(np.round(time, 4))
    holes = np.flatnonzero(np.isnan(sampled.channels["flow"]))
    np.testing.assert_array_equal(holes, np.arange(3000, 3725))
    assert sampled.rate_hz == 100
    assert off_ms(sampled) <= 5.0


def test_gap_in_an_uneven_recording_stays_a_gap() -> None:
    time = ramp(100, 60) + np.random.default_rng(4).uniform(-0.002, 0.002, 6000)
    time[3000:] += 5
    sampled = place(time)
    holes = np.flatnonzero(np.isnan(sampled.channels["flow"]))
    assert 499 <= len(holes) <= 502
    assert np.diff(holes).max() == 1


def test_clock_set_back_leaves_a_gap_of_unknown_length() -> None:
    time = ramp(100, 20)
    values = np.arange(2000.0)
    time[1200:] -= 3600
    sampled = place(time, values)
    flow = sampled.channels["flow"]
    np.testing.assert_array_equal(flow[:1200], values[:1200])
    np.testing.assert_array_equal(flow[-800:], values[1200:])
    assert np.isnan(flow[1200:-800]).all()
    assert len(flow) == 2000 + 99
    assert sampled.warnings == [
        "the clock jumps back by 3.6e+03 s at row 1201: what follows is placed after a gap of 1 s, "
        "whose true length is unknown"
    ]


def test_rows_sent_twice_count_once() -> None:
    rows = np.concatenate([np.arange(0, 900), np.arange(800, 1500), np.arange(1400, 2000)])
    sampled = place(rows / 100, np.sin(rows / 50))
    np.testing.assert_array_equal(sampled.channels["flow"], np.sin(np.arange(2000) / 50))
    assert [warning[:34] for warning in sampled.warnings] == [
        "rows recorded twice, at row 901, l",
        "rows recorded twice, at row 1601, ",
    ]


def test_overlap_with_other_values_is_not_sent_twice() -> None:
    rows = np.concatenate([np.arange(0, 900), np.arange(800, 1500)])
    sampled = place(rows / 100, np.arange(1600.0))
    assert "jumps back" in sampled.warnings[0]
    assert np.count_nonzero(np.isfinite(sampled.channels["flow"])) == 1600


def test_swapped_rows_are_sorted() -> None:
    order = np.arange(1000)
    order[[300, 301, 700, 702]] = [301, 300, 702, 700]
    sampled = place(order / 100)
    np.testing.assert_allclose(sampled.channels["flow"], ramp(100, 10))
    assert sampled.warnings == ["rows out of order, sorted by their time: 3"]


def test_newest_first_is_turned_round() -> None:
    sampled = place(ramp(100, 10)[::-1].copy())
    np.testing.assert_allclose(sampled.channels["flow"], ramp(100, 10))
    assert sampled.warnings == ["time runs backward throughout: all 1000 rows were turned round"]


def test_single_repeats_and_rows_without_time_are_left_out() -> None:
    time = np.insert(ramp(100, 30), [500, 2000], [4.99, np.nan])
    sampled = place(time)
    np.testing.assert_allclose(sampled.channels["flow"], ramp(100, 30))
    assert sampled.warnings == [
        "rows without a time, left out: 1",
        "rows that repeat the time of the row before, left out: 1",
    ]


@pytest.mark.parametrize(
    ("time", "problem"),
    [
        (np.full(1000, 7.0), "stands still: 1000 rows, from row 1 to row 1000, all at 7 s"),
        (np.full(1000, np.nan), "fewer than two rows"),
        (np.array([1.0]), "fewer than two rows"),
        (np.insert(ramp(100, 10), 400, np.full(30, 3.99)), "stands still at 3.99 s for 31 rows, from row 400"),
        (np.round(ramp(100, 100), 1), "stands still at"),
        (np.round(ramp(128, 100), 2), "rows repeat the time of the row before"),
        (np.tile([0.0, 5.0], 3000), "runs backwards 2999 times, first at row 3"),
        (ramp(19.9, 10), "gives 19.9 samples per second"),
        (ramp(1010, 5), "gives 1010 samples per second"),
        (ramp(100, 0.9), "the recording lasts 0.90 s"),
        (np.concatenate([ramp(100, 10), 1e9 + ramp(100, 10)]), "spans 2.778e\\+05 h, 1e\\+11 samples"),
    ],
)
def test_clock_that_tells_no_time_is_refused(time: Samples, problem: str) -> None:
    with pytest.raises(SignalError, match=problem) as refusal:
        place(time)
    assert refusal.value.where == "x.csv"
    assert refusal.value.expected


@pytest.mark.parametrize("rate_hz", clock.RATES_HZ)
def test_ends_of_the_range_of_rates_are_in(rate_hz: float) -> None:
    assert place(ramp(rate_hz, 3)).rate_hz == rate_hz
