"""Each finding on a table where it must be found and on near misses where it must not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
import pytest

from tidebench.findings import FINDINGS, RULES, as_table, find_all, graded_findings
from tidebench.findings.runs import BRIDGED, SHORTEST
from tidebench.findings.seen import Seen
from tidebench.interval import Interval
from tidebench.quantities import quantity
from tidebench.recording import Recording
from tidebench.records import BREATH_COLUMNS, EFFORT_COLUMNS, FINDING_COLUMNS

NO_EFFORTS = pl.DataFrame(schema=EFFORT_COLUMNS)
WHOLE = Recording(100, {"airway_pressure": np.full(6000, 5.0), "flow": np.zeros(6000)})


def table(**columns: Sequence[float | bool | None]) -> pl.DataFrame:
    """A breath table, a breath every three seconds."""
    n = len(next(iter(columns.values())))
    start = 3.0 * np.arange(n)
    known = {"breath": np.arange(n), "start_s": start, "end_s": start + 3, **columns}
    return pl.DataFrame({key: known.get(key, [None] * n) for key in BREATH_COLUMNS}, schema=BREATH_COLUMNS)


# kind: column, a value that must be found, one that is just not enough
BETWEEN = {
    "auto-trigger", "delayed-cycling", "double-trigger", "effort-in-inflation", "ineffective-effort",
    "premature-cycling", "reverse-trigger",
}  # fmt: skip
"""Between patient and ventilator: tried in test_disagreement.py."""
SIGNS = {
    "leak": ("leak_fraction", 0.10, 0.099),
    "intrinsic-peep": ("intrinsic_peep_cmh2o", 2.0, 1.99),
    "strong-effort": ("effort_cmh2o", 15.0, 14.9),
}
IN_SIGNALS = {
    "clipped-signal", "disconnection", "flow-starvation", "incomplete-expiration", "mechanics-change",
    "over-assistance", "overdistension", "recruitment", "secretions", "trigger-delay",
}  # fmt: skip
"""Tried in test_findings_in_signals.py."""
IN_SIMULATIONS = {
    "beyond-limit", "channel-delay", "cough", "expiratory-flow-limitation", "flat-line", "leak-change", "obstruction",
    "sensor-drift", "sensor-offset",
}  # fmt: skip
"""Tried in tests/reference/test_findings_in_simulations.py."""
IN_OCCLUSIONS = {"weak-effort"}
"""Tried in test_drive.py."""


def by_rules(seen: Seen) -> pl.DataFrame:
    """What rules find, as they grade it: calibration leaves out what is more likely wrong than right."""
    return as_table(list(graded_findings(seen)))


@pytest.mark.parametrize("kind", SIGNS)
def test_run_of_breaths_with_the_sign_is_one_finding(kind: str) -> None:
    key, enough, less = SIGNS[kind]
    values: Sequence[float | None] = [less] * 4 + [enough] * SHORTEST + [less] * 4
    (row,) = find_all(Seen(table(**{key: values}), NO_EFFORTS, WHOLE)).iter_rows(named=True)
    assert (row["kind"], row["breath"]) == (kind, 4)
    assert (row["start_s"], row["end_s"]) == (12, 3 * (4 + SHORTEST))
    assert row["values"] == [{"quantity": key, "value": enough, "unit": quantity(key).unit}]
    assert row["rule"]
    assert (row["kind"], row["rule_version"]) in RULES.items()
    assert str(SHORTEST) in row["evidence"]


@pytest.mark.parametrize("kind", SIGNS)
@pytest.mark.parametrize("miss", ["just below", "too few", "scattered", "unknown", "no breath"])
def test_near_misses_are_no_findings(kind: str, miss: str) -> None:
    key, enough, less = SIGNS[kind]
    values: dict[str, Sequence[float | None]] = {
        "just below": [less] * 40,
        "too few": [less] * 10 + [enough] * (SHORTEST - 1) + [less] * 10,
        "scattered": ([enough] + [less] * BRIDGED) * 10,
        "unknown": [None] * 40,
        "no breath": [],
    }
    assert find_all(Seen(table(**{key: values[miss]}), NO_EFFORTS, WHOLE)).height == 0


@pytest.mark.parametrize("kind", SIGNS)
def test_few_breaths_without_the_sign_do_not_end_a_run(kind: str) -> None:
    key, enough, less = SIGNS[kind]
    bridged: Sequence[float | None] = [enough] * 5 + [less] * (BRIDGED - 1) + [enough] * 5
    parted: Sequence[float | None] = [enough] * 5 + [less] * BRIDGED + [enough] * 5
    assert find_all(Seen(table(**{key: bridged}), NO_EFFORTS, WHOLE)).height == 1
    assert find_all(Seen(table(**{key: parted}), NO_EFFORTS, WHOLE)).height == 2


def test_a_sign_is_surer_the_further_beyond_its_limit_and_the_more_breaths_show_it() -> None:
    def sure(trapped: float, breaths: int) -> float:
        rows = table(intrinsic_peep_cmh2o=[trapped] * breaths, passive=[True] * breaths)
        found = find_all(Seen(rows, NO_EFFORTS, WHOLE))
        return float(found["confidence"][0])

    assert 0.5 <= sure(2.1, 5) < sure(4.0, 20) < sure(6.0, 25) < 1
    assert sure(6.0, 25) == sure(9.0, 60)


def test_every_gap_is_a_finding_and_nothing_else_is() -> None:
    gaps = (Interval(10.0, 12.5), Interval(40.0, 41.0))
    broken = Recording(100, dict(WHOLE.channels), gaps=gaps)
    found = find_all(Seen(table(leak_fraction=[0.0] * 20), NO_EFFORTS, broken))
    assert found["kind"].to_list() == ["gap", "gap"]
    assert found["start_s"].to_list() == [10, 40]
    assert found["evidence"][0] == "Nothing was recorded for 2.5 s."
    assert found["breath"].null_count() == 2
    assert find_all(Seen(table(leak_fraction=[0.0] * 20), NO_EFFORTS, WHOLE)).height == 0


def test_findings_come_in_the_order_of_time_and_in_the_table_s_types() -> None:
    broken = Recording(100, dict(WHOLE.channels), gaps=(Interval(30.0, 31.0),))
    found = find_all(
        Seen(table(leak_fraction=[0.3] * 20, intrinsic_peep_cmh2o=[1.0] * 12 + [4.0] * 8), NO_EFFORTS, broken)
    )
    assert found["kind"].to_list() == ["leak", "gap", "intrinsic-peep"]
    assert dict(found.schema) == FINDING_COLUMNS


def test_every_kind_is_tried_here() -> None:
    assert set(FINDINGS) == {*SIGNS, *BETWEEN, *IN_SIGNALS, *IN_SIMULATIONS, *IN_OCCLUSIONS, "gap"}
