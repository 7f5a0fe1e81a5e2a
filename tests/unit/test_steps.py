"""What a change of settings did: which breaths count on either side, and which changes are seen unsaid."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
import pytest

from tidebench.case import Case, Setting
from tidebench.records import BREATH_COLUMNS, Step
from tidebench.steps import BREATHS, FEWEST, SETTLING, find_steps, spreads

PERIOD_S = 3.0


def table(peep: list[float], **columns: Sequence[float | None]) -> pl.DataFrame:
    """A breath table with a breath every three seconds."""
    start = PERIOD_S * np.arange(len(peep))
    known: dict[str, object] = {
        "start_s": start,
        "expiration_s": start + 1,
        "end_s": start + PERIOD_S,
        "peep_cmh2o": peep,
        **columns,
    }
    return pl.DataFrame({key: known.get(key, [None] * len(peep)) for key in BREATH_COLUMNS}, schema=BREATH_COLUMNS)


def plan(*rows: dict[str, float | str]) -> tuple[Setting, ...]:
    """Settings of a case."""
    return Case.model_validate({"settings": list(rows)}).settings


def steps(breaths: pl.DataFrame, *rows: dict[str, float | str]) -> tuple[Step, ...]:
    """Steps of a table under settings."""
    return find_steps(breaths, plan(*rows))


def test_recorded_change_has_what_was_before_and_after() -> None:
    peep = [8.0] * 20 + [12.0] * 20
    compliance: Sequence[float | None] = [30.0 + k % 3 for k in range(20)] + [40.0] * 20
    (step,) = steps(
        table(peep, compliance_ml_cmh2o=compliance), {"at_s": 0, "peep_cmh2o": 8}, {"at_s": 60, "peep_cmh2o": 12}
    )
    assert (step.at_s, step.origin, step.changed) == (60, "recorded", {"peep_cmh2o": (8, 12)})
    before, after = step.quantities["compliance_ml_cmh2o"]
    assert (before.median, before.n) == (31, 20)
    assert (after.median, after.p05, after.p95) == (40, 40, 40)
    assert after.n == 20 - SETTLING, "breaths that settle belong to neither side"


def test_breaths_beyond_the_neighbouring_change_or_too_far_away_do_not_count() -> None:
    peep = [5.0] * 40 + [8.0] * 10 + [11.0] * 60
    rows: list[dict[str, float | str]] = [
        {"at_s": at, "peep_cmh2o": value} for at, value in ((0.0, 5.0), (120.0, 8.0), (150.0, 11.0))
    ]
    first, second = steps(table(peep), *rows)
    assert first.quantities["peep_cmh2o"][0].n == BREATHS
    assert first.quantities["peep_cmh2o"][1].n == 10 - SETTLING
    assert second.quantities["peep_cmh2o"][0].n == 10
    assert second.quantities["peep_cmh2o"][1].n == BREATHS
    assert second.quantities["peep_cmh2o"][1].median == 11


def test_peep_that_moves_unsaid_is_seen_once() -> None:
    wobble = np.random.default_rng(2).normal(0, 0.1, 60)
    (step,) = steps(table(list(np.repeat([8.0, 10.0], 30) + wobble)))
    assert (step.origin, step.changed) == ("seen", {})
    assert step.at_s == pytest.approx(90, abs=2 * PERIOD_S)


@pytest.mark.parametrize("rise", [0.0, 1.2])
def test_small_moves_of_peep_are_not_steps(rise: float) -> None:
    assert steps(table([8.0] * 30 + [8.0 + rise] * 30)) == ()


def test_single_breath_off_the_line_is_not_a_step() -> None:
    assert steps(table([8.0] * 30 + [14.0] * 2 + [8.0] * 30)) == ()


def test_change_that_was_recorded_is_not_seen_again() -> None:
    found = steps(table([8.0] * 30 + [12.0] * 30), {"at_s": 0, "peep_cmh2o": 8}, {"at_s": 92, "peep_cmh2o": 12})
    assert [step.origin for step in found] == ["recorded"]


def test_setting_repeated_is_no_change() -> None:
    assert steps(table([8.0] * 40), {"at_s": 0, "peep_cmh2o": 8}, {"at_s": 60, "peep_cmh2o": 8}) == ()


def test_no_breaths_no_steps() -> None:
    assert steps(table([]), {"at_s": 0, "peep_cmh2o": 8}, {"at_s": 60, "peep_cmh2o": 12}) == ()


def test_spread_of_too_few_values_is_none() -> None:
    values = np.full((FEWEST, 2), np.nan)
    values[:, 0] = 1, 2, 3
    values[1:, 1] = 4
    full, short = spreads(values)
    assert full is not None
    assert (full.median, full.p05, full.p95, full.n) == pytest.approx((2, 1.1, 2.9, 3))
    assert short is None
