"""A finding that stands for a run of breaths is no share of one breath in so many."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tidebench.views.kinds import share_of_breaths

STARTS = 2.5 * np.arange(74.0)
TOLD = {"count": 1, "percent_of_breaths": 1.35, "percent_interval": [0.24, 7.27]}


@pytest.mark.parametrize(
    ("start", "end", "says"),
    [
        (0.0, 185.0, "some stand for several breaths in a row"),  # a limit crossed from the first breath to the last
        (2.5, 5.0, "1.4 % of breaths (0.24 to 7.3 %)"),  # one breath
        (2.5, 7.5, "1.4 % of breaths (0.24 to 7.3 %)"),  # a double trigger: two inflations, at the second
    ],
)
def test_share_is_told_where_each_finding_stands_for_a_breath(start: float, end: float, says: str) -> None:
    rows = pl.DataFrame({"start_s": [start], "end_s": [end]})
    assert share_of_breaths(TOLD, rows, STARTS) == says


def test_without_breaths_there_is_no_share() -> None:
    rows = pl.DataFrame({"start_s": [0.0], "end_s": [9.0]})
    assert share_of_breaths({"percent_of_breaths": None, "percent_interval": [0.0, 100.0]}, rows, np.zeros(0)) == ""
