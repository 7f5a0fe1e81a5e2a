"""What a change of settings did: quantities before and after it, with their spread."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Literal

import polars as pl

from tidebench.case import Setting
from tidebench.records import BREATH_COLUMNS, Spread, Step

BREATHS = 20  # on either side, at most
SECONDS = 120.0
SETTLING = 3  # breaths after a change that still belong to neither
FEWEST = 3
SEEN_PEEP = 1.5  # cmH2O by which PEEP must move to be seen as a change that nobody recorded
APART_S = 30.0

Key = str
Change = dict[Key, tuple[float | str | None, float | str | None]]


def settings_changes(settings: Sequence[Setting]) -> Iterator[tuple[float, Change]]:
    """Time and changed keys of every recorded change of settings."""
    for before, after in pairwise(settings):
        old, new = (s.model_dump(exclude={"at_s"}) for s in (before, after))
        changed = {key: (old[key], new[key]) for key in old if old[key] != new[key] and new[key] is not None}
        yield after.at_s, changed


def spread(values: pl.Series) -> Spread | None:
    """Median and 5th to 95th percentile, or None for fewer than three values."""
    known = values.drop_nulls()
    if len(known) < FEWEST:
        return None
    low, middle, high = (float(known.quantile(q, "linear") or 0.0) for q in (0.05, 0.5, 0.95))
    return Spread(middle, low, high, len(known))


def around(breaths: pl.DataFrame, at_s: float, least_s: float, most_s: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The breaths before and after a moment, transition left out, no further than the neighbouring changes."""
    before = breaths.filter((pl.col("end_s") <= at_s) & (pl.col("start_s") >= max(least_s, at_s - SECONDS))).tail(BREATHS)
    after = breaths.filter((pl.col("start_s") >= at_s) & (pl.col("end_s") <= min(most_s, at_s + SECONDS)))
    return before, after.slice(SETTLING).head(BREATHS)


def compare(before: pl.DataFrame, after: pl.DataFrame) -> dict[str, tuple[Spread, Spread]]:
    """Every numeric column that is known on both sides."""
    told = {}
    for key, dtype in BREATH_COLUMNS.items():
        if dtype != pl.Float64 or key in ("start_s", "expiration_s", "end_s"):
            continue
        pair = spread(before[key]), spread(after[key])
        if pair[0] is not None and pair[1] is not None:
            told[key] = (pair[0], pair[1])
    return told


def seen_changes(breaths: pl.DataFrame, recorded: Sequence[float]) -> list[float]:
    """Moments at which PEEP moved for good, at least ``APART_S`` from any recorded change.

    The median of six breaths after against that of six before; of neighbouring moments the largest difference counts.
    """
    level = breaths["peep_cmh2o"].fill_null(strategy="forward")
    ahead = level.reverse().rolling_median(6).reverse()
    behind = level.rolling_median(6).shift(1)
    table = breaths.select("start_s").with_columns(moved=(ahead - behind).abs().fill_null(0.0))
    largest = table.with_columns(top=pl.col("moved").rolling_max(13, center=True, min_samples=1))
    moments = largest.filter((pl.col("moved") >= SEEN_PEEP) & (pl.col("moved") == pl.col("top")))["start_s"].to_list()
    kept: list[float] = []
    for moment in moments:
        if all(abs(moment - other) >= APART_S for other in [*recorded, *kept]):
            kept.append(moment)
    return kept


def find_steps(breaths: pl.DataFrame, settings: Sequence[Setting]) -> tuple[Step, ...]:
    """Every change of settings, recorded or seen in PEEP, with what it did."""
    if not breaths.height:
        return ()
    recorded = [(at, changed) for at, changed in settings_changes(settings) if changed]
    moments: list[tuple[float, Literal["recorded", "seen"], Change]] = [(at, "recorded", changed) for at, changed in recorded]
    moments += [(at, "seen", {}) for at in seen_changes(breaths, [at for at, _ in recorded])]
    moments.sort(key=lambda moment: moment[0])
    edges = [0.0, *(at for at, _, _ in moments), float("inf")]
    return tuple(
        Step(at, origin, changed, compare(*around(breaths, at, edges[i], edges[i + 2])))
        for i, (at, origin, changed) in enumerate(moments)
    )
