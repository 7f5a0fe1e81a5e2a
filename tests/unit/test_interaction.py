"""What becomes of an effort: each outcome, and both sides of each border."""

from __future__ import annotations

import numpy as np
import pytest

from tidebench.interaction import OUTCOMES, outcomes, owner

START, TURN = np.array([10.0, 14.0, 18.0]), np.array([11.0, 15.0, 19.0])
NONE = np.zeros(3, bool)


def outcome(onset: float, over: float, by_patient: bool = True, free: bool = False) -> str:
    """What becomes of one effort among three inflations."""
    (word,) = outcomes(
        np.array([onset]), np.array([over]), START, TURN, np.full(3, by_patient), np.full(3, free)
    )  # fmt: skip
    return word


@pytest.mark.parametrize(
    ("onset", "over", "by_patient", "expected"),
    [
        (13.8, 14.6, True, "triggered"),
        (13.8, 14.0, True, "triggered"),  # still under way at the very start
        (13.8, 13.99, True, "ineffective"),  # over just before it
        (13.8, 14.6, False, "met-by-machine"),
        (12.0, 12.8, True, "ineffective"),
        (11.0, 11.8, True, "ineffective"),  # begins at the turn: expiration
        (10.99, 11.8, True, "effort-in-inflation"),
        (10.0, 10.6, True, "effort-in-inflation"),  # begins with the inflation that it did not trigger
        (10.5, 14.1, True, "triggered"),  # begins within one, triggers the next
        (9.8, 10.4, True, "triggered"),  # before the first breath that is known
        (9.0, 9.8, True, "ineffective"),
        (18.2, 18.9, True, "effort-in-inflation"),  # in the last
        (19.5, 25.0, True, "ineffective"),
    ],
)
def test_outcome_of_an_effort(onset: float, over: float, by_patient: bool, expected: str) -> None:
    assert outcome(onset, over, by_patient) == expected
    assert expected in OUTCOMES


@pytest.mark.parametrize("onset", [10.5, 12.0, 13.9])
def test_where_breathing_is_free_no_effort_asks_for_a_breath(onset: float) -> None:
    assert outcome(onset, onset + 0.8, free=True) == "unassisted"


def test_owner_is_the_breath_whose_interval_an_effort_begins_in() -> None:
    assert owner(np.array([9.9, 10.0, 13.99, 14.0, 99.0]), START).tolist() == [-1, 0, 0, 1, 2]


def test_without_breaths_every_effort_is_ineffective() -> None:
    nothing = np.zeros(0)
    assert outcomes(np.array([1.0]), np.array([2.0]), nothing, nothing, nothing > 0, nothing > 0) == ["ineffective"]
    assert outcomes(nothing, nothing, START, TURN, NONE, NONE) == []
