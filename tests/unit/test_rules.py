"""Each rule: tables on which it must fire, and near misses on which it must not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
import pytest

from tidebench.findings import FINDINGS, RULES, find_all
from tidebench.findings.runs import BRIDGED, SHORTEST
from tidebench.interval import Interval
from tidebench.recording import Recording
from tidebench.records import FINDING_COLUMNS

SILENCE = np.zeros(6000)


def recording(*gaps: Interval) -> Recording:
    """A minute in which nothing happens."""
    return Recording(100.0, {"airway_pressure": SILENCE.copy(), "flow": SILENCE.copy()}, gaps)


def breaths(**columns: Sequence[float | None]) -> pl.DataFrame:
    """A table of breaths of 3 s with what the rules look at."""
    count = len(next(iter(columns.values())))
    index = pl.Series("breath", range(count), dtype=pl.Int64)
    nothing: dict[str, Sequence[float | None]] = {
        "intrinsic_peep_cmh2o": [None] * count,
        "leak_fraction": [None] * count,
    }
    frame = pl.DataFrame(nothing | columns, schema=dict.fromkeys(nothing, pl.Float64))
    return frame.with_columns(index, start_s=3.0 * index, end_s=3.0 * index + 3, passive=pl.lit(True))


def kinds(table: pl.DataFrame, *gaps: Interval) -> list[str]:
    """Kinds found in a table."""
    return find_all(table, recording(*gaps))["kind"].to_list()


def test_quiet_recording_has_no_finding_and_a_table_of_the_right_shape() -> None:
    found = find_all(breaths(leak_fraction=[0.0] * 20), recording())
    assert found.height == 0
    assert dict(found.schema) == dict(pl.DataFrame(schema=FINDING_COLUMNS).schema)
    assert len(RULES) == len(FINDINGS)


def test_every_gap_is_a_finding() -> None:
    found = find_all(breaths(leak_fraction=[None]), recording(Interval(5, 7.5), Interval(30, 31)))
    assert found["kind"].to_list() == ["gap", "gap"]
    assert found["start_s"].to_list() == [5, 30]
    assert found["evidence"][0] == "Nothing was recorded for 2.5 s."


@pytest.mark.parametrize(
    ("kind", "column", "enough", "too_little"),
    [("intrinsic-peep", "intrinsic_peep_cmh2o", 2.0, 1.99), ("leak", "leak_fraction", 0.10, 0.099)],
)
def test_run_fires_from_its_limit_and_its_length_on(kind: str, column: str, enough: float, too_little: float) -> None:
    assert kinds(breaths(**{column: [enough] * SHORTEST})) == [kind]
    assert kinds(breaths(**{column: [enough] * (SHORTEST - 1)})) == []
    assert kinds(breaths(**{column: [too_little] * 50})) == []
    assert kinds(breaths(**{column: [None] * 50})) == []


def test_breaths_without_the_sign_end_a_run_only_when_there_are_many() -> None:
    few, many = [0.0] * (BRIDGED - 1), [0.0] * BRIDGED
    run: list[float | None] = [0.3] * SHORTEST
    assert kinds(breaths(leak_fraction=[*run, *few, *run])) == ["leak"]
    assert kinds(breaths(leak_fraction=[*run, *many, *run])) == ["leak", "leak"]


def test_finding_carries_interval_evidence_and_values() -> None:
    found = find_all(breaths(intrinsic_peep_cmh2o=[None, 4.0, 5.0, 6.0, 5.0, 5.0]), recording()).row(0, named=True)
    assert (found["breath"], found["start_s"], found["end_s"]) == (1, 3.0, 18.0)
    assert found["values"] == [{"quantity": "intrinsic_peep_cmh2o", "value": 5.0, "unit": "cmH2O"}]
    assert found["evidence"].startswith("5 breaths in a row begin with 5.0 cmH2O")


def test_findings_stand_in_the_order_of_time() -> None:
    found = find_all(breaths(leak_fraction=[0.5] * 10), recording(Interval(12, 13), Interval(0, 1)))
    assert found["start_s"].is_sorted()
