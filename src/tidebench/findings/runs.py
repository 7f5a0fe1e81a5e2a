"""Breaths that follow each other, as one finding instead of many."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

SHORTEST = 5
BRIDGED = 3  # breaths without the sign that do not end a run


def runs(breaths: pl.DataFrame, key: str) -> Iterator[tuple[pl.DataFrame, float]]:
    """Runs of at least :data:`SHORTEST` breaths in a table of those with a sign, each with the median of ``key``."""
    if not breaths.height:
        return
    marked = breaths.with_columns(run=(pl.col("breath").diff().fill_null(1) > BRIDGED).cum_sum())
    for run in marked.partition_by("run", maintain_order=True):
        middle = run[key].median()
        if run.height >= SHORTEST and isinstance(middle, float):
            yield run, middle
