"""What a change of settings did: quantities before and after it, with their spread."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.case import Setting
from tidebench.kernels import kernel
from tidebench.records import BREATH_COLUMNS, Spread, Step

BREATHS = 20  # on either side, at most
SECONDS = 120.0
SETTLING = 3  # breaths after a change that still belong to neither
FEWEST = 3
SEEN_PEEP = 1.5  # cmH2O by which PEEP must move to be seen as a change that nobody recorded
APART_S = 30.0

TIMES = ("start_s", "expiration_s", "end_s")

Times = npt.NDArray[np.float64]
Key = str
Change = dict[Key, tuple[float | str | None, float | str | None]]


def settings_changes(settings: Sequence[Setting]) -> Iterator[tuple[float, Change]]:
    """Time and changed keys of every recorded change of settings."""
    for before, after in pairwise(settings):
        old, new = (s.model_dump(exclude={"at_s"}) for s in (before, after))
        changed = {key: (old[key], new[key]) for key in old if old[key] != new[key] and new[key] is not None}
        yield after.at_s, changed


def around(start_s: Times, end_s: Times, at_s: float, least_s: float, most_s: float) -> tuple[slice, slice]:
    """The breaths before and after a moment, transition left out, no further than the neighbouring changes."""
    first, last = np.searchsorted(start_s, max(least_s, at_s - SECONDS)), np.searchsorted(end_s, at_s, side="right")
    begin, until = (
        np.searchsorted(start_s, at_s) + SETTLING,
        np.searchsorted(end_s, min(most_s, at_s + SECONDS), side="right"),
    )
    return slice(max(int(first), int(last) - BREATHS), int(last)), slice(
        int(begin), min(int(begin) + BREATHS, int(until))
    )


@kernel
def quantiles(values: Times) -> Times:
    """5th, 50th and 95th percentile of each column and how many values it has, NaN passed over; shape (columns, 4)."""
    out = np.full((values.shape[1], 4), np.nan)
    for column in range(values.shape[1]):
        known = values[:, column][np.isfinite(values[:, column])]
        out[column, 3] = len(known)
        if len(known):
            known.sort()
            for k, share in enumerate((0.05, 0.5, 0.95)):
                at = share * (len(known) - 1)
                low = int(at)
                high = min(low + 1, len(known) - 1)
                out[column, k] = known[low] + (at - low) * (known[high] - known[low])
    return out


def spreads(values: Times) -> list[Spread | None]:
    """Median, 5th and 95th percentile of each column, None for fewer than :data:`FEWEST` values; NaN is passed over."""
    rows = quantiles(np.ascontiguousarray(values)).tolist()
    return [Spread(middle, low, high, int(n)) if n >= FEWEST else None for low, middle, high, n in rows]


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
    known, kept = np.sort(np.array([-np.inf, *recorded, np.inf])), [-np.inf]
    for moment in moments:
        after = np.searchsorted(known, moment)
        if min(moment - known[after - 1], known[after] - moment, moment - kept[-1]) >= APART_S:
            kept.append(moment)
    return kept[1:]


def find_steps(breaths: pl.DataFrame, settings: Sequence[Setting]) -> tuple[Step, ...]:
    """Every change of settings, recorded or seen in PEEP, with what it did."""
    if not breaths.height:
        return ()
    recorded = [(at, changed) for at, changed in settings_changes(settings) if changed]
    moments: list[tuple[float, Literal["recorded", "seen"], Change]] = [
        (at, "recorded", changed) for at, changed in recorded
    ]
    moments += [(at, "seen", {}) for at in seen_changes(breaths, [at for at, _ in recorded])]
    moments.sort(key=lambda moment: moment[0])
    edges = [0.0, *(at for at, _, _ in moments), float("inf")]
    keys = [key for key, dtype in BREATH_COLUMNS.items() if dtype == pl.Float64 and key not in TIMES]
    values = breaths.select(keys).to_numpy()
    start, end = breaths["start_s"].to_numpy(), breaths["end_s"].to_numpy()
    steps = []
    for i, (at, origin, changed) in enumerate(moments):
        before, after = (spreads(values[part]) for part in around(start, end, at, edges[i], edges[i + 2]))
        pairs = {key: (b, a) for key, b, a in zip(keys, before, after, strict=True) if b is not None and a is not None}
        steps.append(Step(at, origin, changed, pairs))
    return tuple(steps)
