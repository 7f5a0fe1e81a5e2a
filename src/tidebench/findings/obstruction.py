"""Obstruction: the way to the lung is suddenly far narrower."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from tidebench.findings.about import PRACTICE, About
from tidebench.findings.breaths import at_breath
from tidebench.findings.grades import graded
from tidebench.findings.seen import Flags, Seen, Times
from tidebench.records import Finding

KIND = "obstruction"
RULE = "flow for pressure, three breaths against the five before"
VERSION = 2

AFTER, AFTER_EFFORTS, BEFORE, WIDER = 3, 5, 5, 10
TIMES = 2.0
TIGHT = 0.2  # of the inhaled volume: where more leaks, less goes in as soon as less leaks
ABOUT = About(
    seen="For the same pressure above PEEP half as much goes in, or less (flow and volume, their geometric mean): into "
    "3 passive breaths than the median of the 5 before, into 5 others than the least of the 10 before. None where a "
    "fifth or more leaks.",
    source=f"{PRACTICE}; limits set on virtual patients without obstruction",
    behind="A kinked, bitten or blocked tube, a plug, water, severe bronchospasm; one-sided intubation.",
    further="Can the patient be ventilated by hand; does a suction catheter pass; the patient's chest.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every place at which inflations meet at least twice the opposition of those before, in flow and in volume."""
    above = pl.col("peak_pressure_cmh2o") - pl.col("peep_cmh2o")
    told = seen.breaths.with_columns(
        by_flow=above / pl.col("peak_inspiratory_flow_l_min"), by_volume=above / pl.col("vti_measured_ml")
    ).filter(
        (above > 0)
        & (pl.col("by_flow") > 0)
        & (pl.col("by_volume") > 0)
        & pl.col("by_flow").is_finite()
        & (pl.col("leak_fraction").fill_null(0.0) < TIGHT)
    )
    if told.height < AFTER + BEFORE:
        return []
    passive = told["passive"].fill_null(value=False).to_numpy()
    single, lasting = against_before(told, passive)
    lasting[near_a_step(seen, told)] = 0.0
    found = []
    while len(beyond := np.flatnonzero(lasting >= TIMES)):
        k = int(beyond[0]) + int(np.argmax(single[beyond[0] : beyond[0] + AFTER] >= TIMES))
        at = int(np.searchsorted(seen.number, told["breath"][k]))
        times = float(np.max(lasting[beyond[0] : k + AFTER]))
        words = f"Inflations meet {times:.1f} times the opposition of those before."
        value = ("opposition_ratio", times)
        found.append(at_breath(KIND, (RULE, VERSION), seen, at, graded(times - TIMES, TIMES), words, value))
        lasting[: k + BEFORE + 1] = 0.0
    return found


def against_before(told: pl.DataFrame, passive: Flags) -> tuple[Times, Times]:
    """Opposition of each breath, and of it and the two after, against the breaths before, shape (n,) each."""
    single, lasting = np.ones(told.height), np.ones(told.height)
    for key in ("by_flow", "by_volume"):
        usual = told[key].rolling_median(BEFORE).shift(1).to_numpy()
        most = told[key].rolling_max(WIDER, min_samples=BEFORE).shift(1).to_numpy()
        before = np.where(passive, usual, most)
        soon, later = (told[key].reverse().rolling_median(n).reverse().to_numpy() for n in (AFTER, AFTER_EFFORTS))
        after = np.where(passive, soon, later)
        single *= np.sqrt(np.nan_to_num(told[key].to_numpy() / before))
        lasting *= np.sqrt(np.nan_to_num(after / before))
    return single, lasting


def near_a_step(seen: Seen, told: pl.DataFrame) -> Flags:
    """Breaths that are compared across a change of settings, or of the kind of inflation, shape (n,)."""
    start = told["start_s"].to_numpy()
    out = np.zeros(len(start), bool)
    kind = told["delivery"].fill_null("").to_numpy()
    changed = np.flatnonzero(kind[1:] != kind[:-1]) + 1
    for k in (*np.searchsorted(start, [step.at_s for step in seen.known.steps]), *changed):
        out[max(0, k - AFTER) : k + BEFORE + 1] = True
    return out
