"""Where patient and ventilation disagree: each rule on breaths and efforts just where it must fire and just where not.

Definitions after Thille, Intensive Care Med 2006;32:1515; margins and locking are this house's.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
import pytest

from tidebench import interaction
from tidebench.findings import find_all
from tidebench.findings.calibration import LEAST
from tidebench.findings.seen import Seen
from tidebench.recording import Recording
from tidebench.records import BREATH_COLUMNS, EFFORT_COLUMNS

RECORDING = Recording(100, {"airway_pressure": np.full(6000, 5.0), "flow": np.zeros(6000)})
INFLATION_S = 1.0


def breaths(start: Sequence[float], trigger: Sequence[str], **columns: Sequence[Any]) -> pl.DataFrame:
    """Inflations of a second each, as a breath table."""
    n = len(start)
    known: dict[str, Any] = {
        "breath": np.arange(n),
        "start_s": start,
        "expiration_s": np.asarray(start) + INFLATION_S,
        "end_s": [*start[1:], start[-1] + 3.0],
        "trigger": trigger,
        "passive": [False] * n,
        "effort_cmh2o": [3.0] * n,
        "vti_ml": [450.0] * n,
        "vte_ml": [450.0] * n,
        **columns,
    }
    return pl.DataFrame({key: known.get(key, [None] * n) for key in BREATH_COLUMNS}, schema=BREATH_COLUMNS)


def efforts(*rows: tuple[float, float, int, str], peak: float = 5.0) -> pl.DataFrame:
    """Efforts from onset, end of neural inspiration, breath and outcome."""
    said = [
        {
            "effort": k, "start_s": onset, "end_s": end, "peak_cmh2o": peak, "source": "oesophageal", "breath": breath,
            "outcome": outcome,
        }
        for k, (onset, end, breath, outcome) in enumerate(rows)
    ]  # fmt: skip
    return pl.DataFrame(said, schema=EFFORT_COLUMNS)


def kinds(table: pl.DataFrame, found: pl.DataFrame) -> list[tuple[str, int]]:
    """What is found, and at which breath."""
    told = find_all(Seen(table, found, RECORDING))
    return [(kind, breath) for kind, breath in told.select("kind", "breath").iter_rows()]


def test_effort_is_named_by_what_became_of_it() -> None:
    table = breaths([0.0, 3.0, 6.0], ["machine"] * 3)
    assert kinds(table, efforts((1.8, 2.3, 0, "ineffective"))) == [("ineffective-effort", 0)]
    assert kinds(table, efforts((3.5, 4.0, 1, "effort-in-inflation"))) == [("effort-in-inflation", 1)]
    assert kinds(table, efforts((2.8, 3.4, 0, "met-by-machine"))) == []


def test_weak_effort_from_the_airway_is_less_sure() -> None:
    table = breaths([0.0, 3.0], ["machine"] * 2)
    sure = [
        find_all(Seen(table, row.with_columns(source=pl.lit("airway")), RECORDING))["confidence"].item()
        for row in (efforts((1.8, 2.3, 0, "ineffective"), peak=peak) for peak in (2.7, 2.9, 5.0))
    ]
    assert sure[0] < sure[1] < sure[2] < 1
    assert sure[0] >= LEAST
    least = efforts((1.8, 2.3, 0, "ineffective"), peak=1.0).with_columns(source=pl.lit("airway"))
    assert not find_all(Seen(table, least, RECORDING)).height  # more likely wrong than right


def test_further_inflation_of_one_effort_is_a_double_trigger() -> None:
    one = efforts((2.9, 4.6, 0, "triggered"))
    assert ("double-trigger", 2) in kinds(breaths([0.0, 3.0, 4.3], ["patient"] * 3), one)
    apart = efforts((2.9, 3.9, 0, "triggered"), (5.4, 6.4, 1, "triggered"))
    assert kinds(breaths([0.0, 3.0, 5.5], ["machine", "patient", "patient"]), apart) == []


@pytest.mark.parametrize(("pause", "found"), [(0.49, True), (0.51, False)])
def test_where_muscles_are_unknown_thille_decides(pause: float, found: bool) -> None:
    """Thille 2006: two cycles with an expiration below half the mean inspiratory time, the first patient-triggered."""
    start = [0.0, 3.0, 3.0 + INFLATION_S + pause, 8.0]
    unknown = {"passive": [None] * 4, "effort_cmh2o": [None] * 4}
    told = kinds(breaths(start, ["patient"] * 4, **unknown), efforts())
    assert (("double-trigger", 2) in told) is found
    assert kinds(breaths(start, ["machine"] * 4, **unknown), efforts()) == []


@pytest.mark.parametrize(("exhaled", "found"), [(220.0, True), (230.0, False)])
def test_stacked_inflation_is_a_double_trigger(exhaled: float, found: bool) -> None:
    unknown = {"passive": [None] * 4, "effort_cmh2o": [None] * 4}
    table = breaths([0.0, 3.0, 4.8, 8.0], ["patient"] * 4, vte_ml=[450.0, exhaled, 670.0, 450.0], **unknown)
    told = find_all(Seen(table, efforts(), RECORDING)).filter(pl.col("kind") == "double-trigger")
    assert (told.height == 1) is found
    if found:
        assert told["values"].to_list()[0][0]["value"] == pytest.approx(450 - exhaled + 450)


def test_trigger_without_effort_is_an_auto_trigger_only_where_efforts_would_be_seen() -> None:
    start, by = [0.0, 3.0, 6.0], ["machine", "patient", "machine"]
    assert kinds(breaths(start, by, passive=[True] * 3), efforts()) == [("auto-trigger", 1)]
    assert kinds(breaths(start, by), efforts((2.8, 3.6, 0, "triggered"))) == []
    unknown = {"passive": [None] * 3, "effort_cmh2o": [None] * 3}
    assert kinds(breaths(start, by, **unknown), efforts()) == []


@pytest.mark.parametrize(
    ("end", "found"),
    [(4.53, []), (4.55, ["premature-cycling"]), (3.67, []), (3.66, ["delayed-cycling"])],
)
def test_cycling_margin_at_its_limits(end: float, found: list[str]) -> None:
    """Neural inspiration from 3.0 s, inflation to 4.0 s: margins 0.346, 0.355, -0.493, -0.515."""
    table = breaths([0.0, 3.0, 9.0], ["machine", "patient", "machine"])
    assert [kind for kind, _ in kinds(table, efforts((3.0, end, 0, "triggered")))] == found


def rhythm(seed: int, kind: str, n: int = 40) -> tuple[Any, Any, Any]:
    """Efforts and timed inflations every 3.5 s: locked, within 1.5 % of the ventilator's rate, or anywhere."""
    draw = np.random.default_rng(seed)
    start = 3.5 * np.arange(n)
    if kind == "locked":
        onset = start + 0.5 + 0.05 * draw.standard_normal(n)
    elif kind == "every second":
        onset = start[::2] + 0.5 + 0.05 * draw.standard_normal(len(start[::2]))
    elif kind == "near":
        onset = 0.4 + np.cumsum(3.55 + 0.1 * draw.standard_normal(n))
    else:
        onset = np.sort(draw.uniform(0, 3.5 * n, n))
    return onset[onset < start[-1] + 3.5], start, np.zeros(n, bool)


@pytest.mark.parametrize(
    ("kind", "least", "most"),
    [
        ("locked", 0.98, 1),
        ("every second", 0.98, 1),
        ("near", 0, 0.05),
        ("anywhere", 0, 0.02),
    ],
)
def test_only_efforts_that_keep_to_the_clock_are_locked(kind: str, least: float, most: float) -> None:
    claimed = np.mean([interaction.locking(*rhythm(seed, kind)) is not None for seed in range(200)])
    assert least <= claimed <= most


def assisted(seed: int, ratio: float, *, stacks: bool = False) -> tuple[Any, Any, Any]:
    """Inflations 3 s after any other, or 0.15 s after an effort, unless 0.7 s have not gone since the last.

    Efforts are free, at a share of the ventilator's rate, or come 0.5 s after each timed inflation and stack another.
    """
    draw = np.random.default_rng(seed)
    starts, onsets, asked = [(0.0, False)], [], 0.4
    for _ in range(60):
        last = starts[-1][0]
        if stacks:
            onsets.append(last + 0.5 + 0.05 * draw.standard_normal())
            starts += [(last + 0.85, True), (last + 3.85, False)]
            continue
        while asked + 0.15 < last + 0.7 or asked < last:
            onsets.append(asked)
            asked += 3 / ratio * (1 + 0.08 * draw.standard_normal())
        by_patient = asked + 0.15 < last + 3
        starts.append((asked + 0.15 if by_patient else last + 3, by_patient))
    start, by = (np.array(column) for column in zip(*starts, strict=True))
    onset = np.array(onsets)
    return onset[onset < start[-1]], start, by


@pytest.mark.parametrize("ratio", [0.6, 0.7, 0.8, 0.9, 0.95, 1.0, 1.05])
def test_efforts_that_set_the_clock_are_not_locked_to_it(ratio: float) -> None:
    assert np.mean([interaction.locking(*assisted(seed, ratio)) is not None for seed in range(300)]) <= 0.05


def test_locked_efforts_may_all_stack_a_further_inflation() -> None:
    claimed = [interaction.locking(*assisted(seed, 1, stacks=True)) is not None for seed in range(100)]
    assert np.mean(claimed) >= 0.98


@pytest.mark.parametrize(("spread_s", "locked"), [(0.02, True), (0.2, False)], ids=["a clock", "a patient"])
def test_efforts_that_always_set_the_clock_are_locked_only_where_no_patient_breathes_so(
    spread_s: float, locked: bool
) -> None:
    """Each effort triggers 0.15 s after it begins, and the next comes 0.5 s after the timed inflation that follows."""
    claimed = []
    for seed in range(100):
        onset = np.cumsum(3.65 + spread_s * np.random.default_rng(seed).standard_normal(60))
        start = np.sort(np.concatenate([onset + 0.15, onset + 3.15]))
        by_patient = np.tile([True, False], 60)
        claimed.append(interaction.locking(onset[1:], start[1:], by_patient[1:]) is not None)
    assert np.mean(claimed) >= 0.98 if locked else np.mean(claimed) <= 0.05


def test_locking_tells_ratio_delay_and_spread() -> None:
    lock = interaction.locking(*rhythm(1, "every second"))
    assert lock is not None
    assert lock.per_breath == pytest.approx(0.5, abs=0.03)
    assert lock.delay_s == pytest.approx(0.5, abs=0.03)
    assert lock.spread_s == pytest.approx(0.05, abs=0.03)
    assert lock.phase == pytest.approx(0.5 / 3.5, abs=0.01)
