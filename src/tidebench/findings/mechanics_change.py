"""Sudden change of compliance or resistance in passive breaths, with the likely place."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from tidebench.findings.about import PRACTICE, About
from tidebench.findings.breaths import at_breath
from tidebench.findings.grades import graded
from tidebench.findings.seen import Flags, Seen, Times
from tidebench.records import Finding

KIND = "mechanics-change"
RULE = "five breaths against the five before"
VERSION = 2

BREATHS = 5
SHOWN = 0.05
"""Of the pressure that the same volume needs: a lung that stiffens or narrows asks for more of it. Where it stays, the
equation was only solved another way."""
TIGHT = 0.1  # of the inhaled volume: what leaks more has no volume to tell compliance by
SHARE = 0.25
MUCH = 1.6  # times that, from which on more says no more
STEP = 1.0  # cmH2O of PEEP between the two: then the change is the step's
ABOUT = About(
    seen="The median compliance or resistance of 5 passive breaths differs by a quarter or more from that "
    "of the 5 before, at the same PEEP, and none of either lies among the others; and the same volume "
    "needs more pressure, or less, as the change has it. Resistance alone points to tube or "
    "airway, compliance alone to lung or chest wall.",
    source=PRACTICE,
    behind="Secretions, bronchospasm, a kinked or bitten tube; atelectasis, oedema, pneumothorax, one-sided "
    "intubation, a full stomach.",
    further="The patient first: chest, tube, suction catheter; then peak against plateau.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every place at which passive breaths change, where they differ most from those before."""
    told = seen.breaths.filter(
        pl.col("passive")
        & (pl.col("leak_fraction").fill_null(0.0) < TIGHT)
        & (pl.col("compliance_ml_cmh2o") > 0)
        & (pl.col("resistance_cmh2o_s_l") > 0)
    )
    above = pl.col("peak_pressure_cmh2o") - pl.col("peep_cmh2o")
    told = told.with_columns(opposition=above / pl.col("vti_ml"))
    if told.height < 2 * BREATHS:
        return []
    keys = ("compliance_ml_cmh2o", "resistance_cmh2o_s_l", "peep_cmh2o", "opposition")
    after = told.select(pl.col(keys).reverse().rolling_median(BREATHS).reverse())
    before = told.select(pl.col(keys).rolling_median(BREATHS).shift(1))
    softer, wider = (np.log((after[key] / before[key]).to_numpy()) for key in keys[:2])
    apart = [apart_by(told[key]) for key in keys[:2]]
    same = (after["peep_cmh2o"] - before["peep_cmh2o"]).abs().to_numpy() < STEP
    harder = np.log((after["opposition"] / before["opposition"]).to_numpy())
    apart = [clear & (sign * harder >= SHOWN) for clear, sign in zip(apart, signs(softer, wider), strict=True)]
    size = np.where(same, np.fmax(*(np.abs(x) * clear for x, clear in zip((softer, wider), apart, strict=True))), 0.0)
    found = []
    while np.nanmax(size, initial=0.0) >= np.log(1 + SHARE):
        k = middle_of_highest(size)
        at = int(np.searchsorted(seen.breaths["breath"].to_numpy(), told["breath"][k]))
        changes = tuple(100 * (np.exp(float(x[k])) - 1) for x in (softer, wider))
        values = tuple(zip(("change_of_compliance_percent", "change_of_resistance_percent"), changes, strict=True))
        sure = graded(float(size[k]) - np.log(1 + SHARE), np.log(MUCH))
        found.append(at_breath(KIND, (RULE, VERSION), seen, at, sure, words_for(*changes), *values))
        size[max(0, k - BREATHS) : k + BREATHS + 1] = 0.0
    return found


def middle_of_highest(size: Times) -> int:
    """Index in the middle of the first run of the highest values."""
    highest = np.flatnonzero(size == np.nanmax(size))
    run = highest[highest - highest[0] == np.arange(len(highest))]
    return int(run[len(run) // 2])


def words_for(compliance: float, resistance: float) -> str:
    """What changed by how many per cent, and where that usually lies."""
    told = [
        f"{name} {'rose' if change > 0 else 'fell'} by {abs(change):.0f} %"
        for name, change in (("Compliance", compliance), ("Resistance", resistance))
        if abs(np.log1p(change / 100)) >= np.log(1 + SHARE)
    ]
    place = "tube or airway" if len(told) == 1 and told[0].startswith("R") else "lung or chest wall"
    place = "tube, airway or lung" if len(told) > 1 else place
    return f"{' and '.join(told)} against the {BREATHS} breaths before, at the same PEEP: {place}."


def signs(softer: Times, wider: Times) -> tuple[Times, Times]:
    """Which way the needed pressure must go with each change: up where compliance falls or resistance rises."""
    return -np.sign(softer), np.sign(wider)


def apart_by(values: pl.Series) -> Flags:
    """True where all of the breaths from each on lie above, or all below, all of those before it."""
    low, high = values.rolling_min(BREATHS), values.rolling_max(BREATHS)
    above = low.shift(1 - BREATHS) > high.shift(1)
    below = high.shift(1 - BREATHS) < low.shift(1)
    return (above | below).fill_null(value=False).to_numpy()
