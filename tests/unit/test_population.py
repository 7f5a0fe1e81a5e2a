"""A sample of the open population: every kind found on some patient, hardly anything on quiet ones, and the scorer.

Bounds are what the whole population showed (docs/explanation/findings-measured.md), rounded outwards for so few.
"""

from __future__ import annotations

import polars as pl
import pytest

from tests.population.__main__ import measured
from tests.population.patients import WAYS, patient
from tests.population.scoring import matches
from tests.population.tables import by_kind, reliability

SAMPLE = range(2 * len(WAYS))


@pytest.fixture(scope="module")
def sample() -> tuple[pl.DataFrame, pl.DataFrame]:
    """Patients and events of two patients for each way."""
    rows = [measured("open", "clean", k) for k in SAMPLE]
    events = [event for row in rows for event in row["events"]]
    return pl.DataFrame([row["about"] for row in rows]), pl.DataFrame(events, infer_schema_length=None)


def test_what_is_there_is_found(sample: tuple[pl.DataFrame, pl.DataFrame]) -> None:
    table = by_kind(sample[1]).filter(pl.col("events") >= 20)
    assert table.height >= 5
    assert (table["sensitivity"] > 0.5).all()
    assert (table["ppv"] > 0.6).all()
    true, found = pl.col("true"), pl.col("found")
    counts = sample[1].select(pooled=(true & found).sum() / true.sum(), ppv=(true & found).sum() / found.sum())
    assert counts.row(0) > (0.7, 0.8)


def test_quiet_patients_stay_quiet(sample: tuple[pl.DataFrame, pl.DataFrame]) -> None:
    people, events = sample
    calm = pl.col("way").is_in(["passive", "in step"])
    assert people.filter(calm)["breaths"].sum() > 100
    assert events.filter(calm & ~pl.col("true")).height * 200 <= people.filter(calm)["breaths"].sum()


def test_confidence_is_no_idle_number(sample: tuple[pl.DataFrame, pl.DataFrame]) -> None:
    table = reliability(sample[1].with_columns(all=pl.lit("all")), "all").filter(pl.col("n") >= 50)
    assert table["right"].to_numpy() == pytest.approx(table["confidence"].to_numpy(), abs=0.2)


def test_the_same_number_is_the_same_patient_and_the_sets_never_meet() -> None:
    assert patient("open", 5, "clean") == patient("open", 5, "clean")
    assert patient("open", 5, "clean")[2] != patient("frozen", 5, "clean")[2]


def test_matches_are_one_to_one_and_near() -> None:
    assert matches([1.0, 1.1, 5.0], [1.05, 4.7], 0.12) == [(0, 0)]
    assert matches([], [1.0], 0.1) == []
