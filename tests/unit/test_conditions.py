"""A sample of the population with troubles of lung, circuit and sensors, its truths, and the curves of confidence.

Bounds are what the whole population showed (docs/explanation/conditions-measured.md), rounded outwards for so few.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tests.conditions.of_changes import disconnection, leak, true_mechanics
from tests.conditions.of_efforts import cough
from tests.conditions.patients import patient
from tests.conditions.run import measured
from tests.conditions.scoring import lies_in, reviewed
from tests.conditions.tables import CERTAIN, Measured, by_kind, curve, parts_of, reliability, risen
from tests.conditions.told import Span
from tests.conditions.truths import TRUTHS
from tidebench.findings import FINDINGS
from tidebench.findings.calibration import BY_RULE, FURTHER, LEAST, OF_EFFORTS, SHARES, calibrated, curve_of
from tidebench.findings.grades import graded
from tidebench.records import Finding

SAMPLE = range(30)


@pytest.fixture(scope="module")
def sample() -> Measured:
    """Two of each patient of the library, with their conditions."""
    return Measured.of([measured("open", k) for k in SAMPLE])


def finding(kind: str, grade: float, rule: str = "") -> Finding:
    return Finding(kind, None, 0.0, 1.0, grade, "made", rule, 1)


def test_most_of_what_is_found_is_there(sample: Measured) -> None:
    table = by_kind(sample.findings, sample.owed)
    assert sample.people["simulated"].all()
    assert table.height >= 15
    assert sample.findings["right"].mean() == pytest.approx(sample.findings["confidence"].mean(), abs=0.15)
    certain = table.filter(pl.col("kind").is_in(["gap", "secretions"]))
    assert (certain["right"].fill_null(1.0) == 1.0).all()
    assert table["found"].drop_nulls().to_numpy().mean() > 0.4


def test_confidence_is_no_idle_number(sample: Measured) -> None:
    every = reliability(sample.findings).filter(pl.col("patients") >= 10)
    halves = sample.findings.group_by((pl.col("confidence") > 0.85).alias("sure")).agg(
        pl.col("confidence", "right").mean()
    )
    assert halves["right"].to_numpy() == pytest.approx(halves["confidence"].to_numpy(), abs=0.2)
    assert (every["low"] <= every["right"]).all()
    assert (every["high"] >= every["right"]).all()


def test_every_kind_is_calibrated_or_certain_and_has_a_truth() -> None:
    further = {name.split(":")[0] for name in FURTHER}
    assert set(FINDINGS) == set(SHARES) | further | set(CERTAIN)
    assert set(TRUTHS) == set(FINDINGS) - set(SHARES)


def test_curves_rise_and_none_is_certain() -> None:
    for grades, shares in FURTHER.values():
        assert list(grades) == sorted(set(grades))
        assert list(shares) == sorted(shares)
        assert 0 <= shares[0] <= shares[-1] < 1


def test_findings_more_likely_wrong_than_right_are_left_out() -> None:
    kept = list(calibrated([finding("leak-change", grade) for grade in (0.5, 0.9)]))
    assert len(kept) == 1
    assert kept[0].confidence >= LEAST


def test_rules_of_a_kind_that_look_at_other_things_have_curves_of_their_own() -> None:
    assert curve_of("strong-effort", "occlusion") != curve_of("strong-effort", "trigger phase")
    assert all(curve_of(kind, "any") == kind for kind in set(FINDINGS) - set(BY_RULE))


def test_an_oesophageal_signal_leaves_the_grades_of_efforts_and_no_others() -> None:
    for kind in ("trigger-delay", "leak"):
        (told,) = calibrated([finding(kind, 0.95)], oesophageal=True)
        assert (told.confidence == 0.95) == (kind in OF_EFFORTS)


@pytest.mark.parametrize(
    ("margin", "breaths", "grade"),
    [(0.0, 5, 0.5), (1.0, 25, 0.95), (9.0, 99, 0.95), (-1.0, 1, 0.5), (0.5, None, 0.725), (float("nan"), 5, 0.5)],
)
def test_grades_go_from_a_half_to_nearly_one(margin: float, breaths: int | None, grade: float) -> None:
    assert graded(margin, 1.0, breaths) == pytest.approx(grade)


def test_shares_are_made_to_rise_by_pooling_neighbours() -> None:
    """1, 3, 2, 4 with equal weights pool to 1, 2.5, 2.5, 4: the usual example of pooling adjacent violators."""
    assert risen(np.array([1.0, 3.0, 2.0, 4.0]), np.ones(4)).tolist() == [1.0, 2.5, 2.5, 4.0]


def test_a_share_counts_one_patient_more_by_the_toss_of_a_coin() -> None:
    """Nine patients, all right: (9 + 0.5) / 10."""
    grades, shares = curve(np.full(9, 0.7), np.ones(9), np.arange(9))
    assert (grades, shares) == ((0.7,), (0.95,))


def test_equal_grades_stay_together() -> None:
    grade = np.array([0.5] * 6 + [0.9] * 2)
    assert [len(part) for part in parts_of(grade, 4)] == [6, 2]
    assert [len(part) for part in parts_of(np.full(5, 0.5), 4)] == [5]


def test_many_findings_of_few_patients_make_one_share() -> None:
    grades, _ = curve(np.linspace(0.5, 0.95, 80), np.ones(80), np.arange(80) % 4)
    assert len(grades) == 1


@pytest.mark.parametrize(
    ("start", "end", "touch", "there"),
    [(0, 10, False, True), (0, 11, False, False), (5, 6, False, True), (9, 20, True, True), (11, 12, True, False)],
)
def test_a_finding_lies_in_what_is_there_or_touches_it(start: float, end: float, touch: bool, there: bool) -> None:
    assert lies_in(start, end, [Span(2, 4), Span(5, 8), Span(9, 9.2)][: 3 if touch else 2], touch) == there


def test_the_same_number_is_the_same_patient_and_the_sets_never_meet() -> None:
    assert patient("open", 5)[1] == patient("open", 5)[1]
    assert patient("open", 5)[1] != patient("frozen", 5)[1]


def test_truth_follows_the_scenario_and_not_the_sensors() -> None:
    """A passive lung of one straight compartment: compliance as set; leak, cough and opening as asked."""
    numbers = (k for k in range(200) if "constant_flow" in conditions_of(k) and not unlike(conditions_of(k)))
    for k in (next(numbers), next(numbers)):
        one, scenario = patient("open", k)
        if len(scenario.lung.compartments) > 1:
            continue
        told, _ = reviewed(one, scenario)
        compliance, _ = true_mechanics(told)
        assert 1000 * np.nanmedian(compliance) == pytest.approx(one.compliance, rel=0.03)
        assert not cough(told).there
        assert not disconnection(told).there
        assert bool(leak(told).owed) <= (scenario.leak.flow_l_min > 0)


def conditions_of(k: int) -> list[str]:
    return patient("open", k)[0].conditions


def unlike(names: list[str]) -> bool:
    """True where the lung changes, bends or is opened."""
    return bool({"bent", "recruitable", "event", "coughs", "opened", "limited", "cuff", "wet"} & set(names))
