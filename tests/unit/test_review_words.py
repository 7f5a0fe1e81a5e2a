"""What the summary says in words, and what its statistics leave out."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from tests.reference.exact_lung import Breath, Lung, square, ventilate
from tidebench import review_case, simulate_case
from tidebench.case import Case
from tidebench.measures.breaths import key_statistics
from tidebench.records import BREATH_COLUMNS
from tidebench.review import exhaled_beyond_inhaled, review


def volumes(parts: list[float]) -> pl.DataFrame:
    """Breaths of 500 mL of which these parts come out again."""
    return pl.DataFrame({"vti_measured_ml": [500.0] * len(parts), "vte_measured_ml": [500 * part for part in parts]})


@pytest.mark.parametrize(
    ("parts", "told"),
    [
        ([1.03] * 20, True),
        ([1.10] * 20, True),
        ([1.01] * 20, False),
        ([0.7] * 20, False),
        ([1.03] * 3, False),
        ([1.03] * 11 + [0.5] * 9, False),  # breaths stacked, and let out together
    ],
)
def test_more_out_than_in_is_told(parts: list[float], told: bool) -> None:
    assert bool(exhaled_beyond_inhaled(volumes(parts))) is told


def test_the_part_that_is_too_much_is_named() -> None:
    assert "by 3 % in the median breath" in exhaled_beyond_inhaled(volumes([1.03] * 20))[0]


def test_statistics_of_effort_are_those_of_breaths_with_effort() -> None:
    rows = {"passive": [True] * 30 + [False] * 10 + [None], "effort_cmh2o": [0.0] * 30 + [6.0] * 10 + [None]}
    table = pl.DataFrame({key: rows.get(key, [None] * 41) for key in BREATH_COLUMNS}, schema=BREATH_COLUMNS)
    assert key_statistics(table)["effort_cmh2o"] == {"median": 6, "p05": 6, "p95": 6, "n": 10, "unit": "cmH2O"}


@pytest.mark.parametrize(("seconds", "told"), [(30, None), (120, True)])
def test_of_few_breaths_nothing_is_said_of_compartments(seconds: float, told: bool | None) -> None:
    """One exact compartment, a breath each 3.5 s."""
    recording = ventilate(Lung(0.05, 10), Breath(3.5, 1, square(0.5, 1), pause_s=0.2), seconds).recording(
        noise=0.005, pressure_noise=0.05
    )
    assert review(Case(), recording).summary["mechanics"]["one_compartment"] is told


def test_parts_that_fill_at_different_speeds_are_no_single_compartment_and_what_they_trap_is_left_to_a_hold(
    tmp_path: Path,
) -> None:
    """Two flow-limited compartments whose expiration looks like one exponential; the solver holds 1.4 cmH2O more."""
    scenario = tmp_path / "scenario.toml"
    scenario.write_text('who = "copd"\nduration_s = 150\nseed = 4\n', encoding="utf-8")
    simulate_case(scenario, tmp_path / "case")
    told = review_case(tmp_path / "case", tmp_path / "out")
    assert told.summary["mechanics"]["one_compartment"] is False
    assert told.breaths["total_peep_cmh2o"].null_count() == told.breaths.height
    reasons = told.breaths["not_measured"].explode().struct.unnest().filter(pl.col("quantity") == "total_peep_cmh2o")
    assert (reasons["code"] == "parts trap unequally").sum() > 0.9 * told.breaths.height
