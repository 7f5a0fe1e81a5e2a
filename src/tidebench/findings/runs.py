"""Breaths that follow each other, as one finding instead of many."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import polars as pl

from tidebench.records import Finding

SHORTEST = 5
BRIDGED = 3  # breaths without the sign that do not end a run
NEIGHBOURS = 9
MOSTLY = 0.6  # of the breaths from first to last must show it


def runs(breaths: pl.DataFrame, key: str) -> Iterator[tuple[pl.DataFrame, float]]:
    """Runs of at least :data:`SHORTEST` breaths in a table of those with a sign, each with the median of ``key``."""
    if not breaths.height:
        return
    marked = breaths.with_columns(run=(pl.col("breath").diff().fill_null(1) > BRIDGED).cum_sum())
    for run in marked.partition_by("run", maintain_order=True):
        middle = run[key].median()
        spans = int(run["breath"][-1]) - int(run["breath"][0]) + 1
        if run.height >= max(SHORTEST, MOSTLY * spans) and isinstance(middle, float):
            yield run, middle


def among_neighbours(key: str, share: float) -> pl.Expr:
    """The quantile of a quantity over nine breaths about each: single values of it vary with heartbeat and noise."""
    return pl.col(key).rolling_quantile(share, window_size=NEIGHBOURS, center=True, min_samples=SHORTEST)


def each_run(
    kind: str,
    rule: tuple[str, int],
    breaths: pl.DataFrame,
    key: str,
    sure: float | Callable[[pl.DataFrame], float],
    words: Callable[[int, float], str],
) -> Sequence[Finding]:
    """A finding for each run in a table of breaths with a sign.

    ``rule`` is name and version; ``sure`` the confidence, or what gives it from the run; ``words`` the evidence from
    the number of breaths and the median of ``key``.
    """
    return [
        Finding(
            kind=kind,
            breath=int(run["breath"][0]),
            start_s=float(run["start_s"][0]),
            end_s=float(run["end_s"][-1]),
            confidence=sure(run) if callable(sure) else sure,
            evidence=words(run.height, middle),
            rule=rule[0],
            rule_version=rule[1],
            values=((key, middle),),
        )
        for run, middle in runs(breaths, key)
    ]


def middle_of(run: pl.DataFrame, key: str) -> float:
    """The median of a quantity over a run; NaN where it has none."""
    middle = run[key].median()
    return float(middle) if isinstance(middle, float) else float("nan")
