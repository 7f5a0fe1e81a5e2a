"""Rates, their intervals and the asynchrony index, against SciPy, printed tables and a worked example."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.stats import binomtest, chi2

from tests.unit.test_disagreement import RECORDING, breaths, efforts
from tidebench.findings.rates import asynchrony_index_percent, busiest, poisson_interval, rates_of, wilson_interval
from tidebench.findings.seen import Seen
from tidebench.records import FINDING_COLUMNS


@pytest.mark.parametrize("count", [0, 1, 10, 137])
def test_poisson_interval_is_chi_square_s(count: int) -> None:
    """Garwood 1936, by SciPy's quantiles; 10 events are 4.795 to 18.390 in printed tables (from memory)."""
    low = chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    assert poisson_interval(count) == pytest.approx((low, chi2.ppf(0.975, 2 * count + 2) / 2), rel=1e-12)
    assert poisson_interval(10) == pytest.approx((4.795, 18.390), abs=5e-4)


@pytest.mark.parametrize(("count", "of"), [(0, 20), (3, 20), (20, 20), (61, 1290)])
def test_wilson_interval_is_scipy_s(count: int, of: int) -> None:
    known = binomtest(count, of).proportion_ci(method="wilson")
    assert wilson_interval(count, of) == pytest.approx((known.low, known.high), abs=1e-9)


def test_nothing_of_nothing_is_anything() -> None:
    assert wilson_interval(0, 0) == (0.0, 1.0)
    assert busiest(np.zeros(0)) == 0


def test_the_busiest_three_minutes() -> None:
    """Thirty-one events within three minutes, one more exactly three minutes after the first."""
    times = np.concatenate([1000 + np.linspace(0, 170, 31), [1180.0, 3000.0]])
    assert busiest(times[::-1]) == 31


def test_rates_by_kind() -> None:
    said = [
        {"kind": "leak", "breath": k, "start_s": 400.0 * k, "end_s": 1.0, "confidence": 1.0, "evidence": "leak",
         "values": [], "rule": "leak", "rule_version": 1}
        for k in range(18)
    ]  # fmt: skip
    (kind, told), *others = rates_of(pl.DataFrame(said, schema=FINDING_COLUMNS), 360, 7200.0).items()
    assert (kind, others) == ("leak", [])
    assert (told["count"], told["per_hour"], told["percent_of_breaths"]) == (18, 9.0, 5.0)
    assert told["by_hour"] == [9, 9]
    assert told["per_hour_interval"][0] < 9 < told["per_hour_interval"][1]


def seen(ineffective: int, double: int, auto: int, cycles: int) -> Seen:
    """Cycles of 3 s, each with its effort but the auto-triggered; ``double`` of them 0.3 s after the one before."""
    start = 3.0 * np.arange(cycles)
    at = 10 + 7 * np.arange(double)
    start[at] = start[at - 1] + 1.0 + 0.3
    alone = set(range(100, 100 + auto))
    rows = [(start[k] - 0.1, start[k] + 0.8, k - 1, "triggered") for k in range(1, cycles) if k not in {*alone, *at}]
    rows += [(start[k] + 1.4, start[k] + 1.9, k, "ineffective") for k in range(120, 120 + ineffective)]
    return Seen(breaths(start.tolist(), ["patient"] * cycles), efforts(*sorted(rows)), RECORDING)


def test_asynchrony_index_of_the_worked_example() -> None:
    """160 cycles, 12 ineffective efforts, 3 double triggers and 1 auto-trigger: 16 of 172, 9.30 % (definition of Thille
    2006, the example of this house's notes).
    """
    told = seen(ineffective=12, double=3, auto=1, cycles=160)
    told.breaths[0, "trigger"] = "machine"  # nothing is known of an effort before the first
    assert asynchrony_index_percent(told) == pytest.approx(100 * 16 / 172, abs=0.005)


def test_no_index_where_efforts_would_not_be_seen_or_nobody_triggers() -> None:
    unknown = breaths([0.0, 3.0, 6.0], ["patient"] * 3, effort_cmh2o=[None, None, 3.0])
    assert asynchrony_index_percent(Seen(unknown, efforts(), RECORDING)) is None
    timed = breaths([0.0, 3.0, 6.0], ["machine"] * 3)
    assert asynchrony_index_percent(Seen(timed, efforts(), RECORDING)) is None


@pytest.mark.parametrize(("lasts", "events"), [(0.49, 1), (0.51, 0), (1.99, 0), (2.1, 1)])
def test_short_and_prolonged_cycles_are_half_and_twice_the_mean(lasts: float, events: int) -> None:
    """One cycle of another length among many; the mean is nearly theirs."""
    start = 4.0 * np.arange(400)
    turn = start + 1.0
    turn[200] = start[200] + lasts
    rows = [(s - 0.1, s + 0.8, k - 1, "triggered") for k, s in enumerate(start.tolist())]
    told = Seen(breaths(start.tolist(), ["patient"] * 400, expiration_s=turn.tolist()), efforts(*rows), RECORDING)
    assert asynchrony_index_percent(told) == pytest.approx(100 * events / 400, abs=0.005)
