"""Patients drawn from the library, simulated with a sensor's noise and reviewed: does a review find the truth?

python -m tests.drawn > docs/explanation/drawn-measured.md
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from typing import NamedTuple

import numpy as np
import polars as pl

from tidebench.case import case_from
from tidebench.review import Review, review
from tidebench.simulation import Solution, patient_names, sample, scenario_from, simulate
from tidebench.simulation.write import case_tables

SEEDS = 20
LEAST = 10  # passive breaths of a patient who has any to speak of
SMALL = ("preterm-800g", "preterm-1200g", "newborn-term", "infant")  # their flow sensors resolve less
HEAD = """\
# What a review finds of drawn patients

Three minutes each of {count} patients, {seeds} drawn from each of the library's, with 0.1 cmH2O of noise on pressure
and 0.2 L/min on flow (0.03 below a year). Truth is the simulation's, by the same people; [other truths](validated.md)
are not.

```
python -m tests.drawn > docs/explanation/drawn-measured.md
```

Breaths: found within 0.1 s, of those in the truth. Compliance, of passive breaths: patients of whom it is told, of
those that have passive breaths; of them within 3 %, and the worst error, %. Where recoil bends, truth is the chord over
the breath: its volume by what alveolar pressure rises. By holds: the same patients once more with two holds of 5 s, of
whom their static compliance is told, within 3 %, and the worst. With effort: breaths with a compliance although muscles
moved them, which should be none. Total PEEP: 95th percentile of its error, cmH2O, and on how many breaths it is told.

| patient | breaths | told | within 3 % | worst | by holds | within 3 % | worst | with effort | total PEEP | told on |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |
"""


HOLDS = [
    {"kind": "inspiratory hold", "at_s": 140, "duration_s": 5},
    {"kind": "expiratory hold", "at_s": 160, "duration_s": 5},
]


class Found(NamedTuple):
    """One patient: counts of breaths; errors of compliance as shares; errors of total PEEP, cmH2O.

    ``compliance`` and ``by_holds`` are None where there is none, and not a number where nothing is told.
    """

    breaths: int
    found: int
    with_effort: int
    with_effort_told: int
    compliance: float | None
    by_holds: float | None
    total_peep: list[float]


def drawn(who: str, seed: int, holds: bool = False) -> tuple[Solution, Review]:
    """A drawn patient's simulation, with two holds if asked, and its review from what a case says."""
    noise = {"pressure_noise_cmh2o": 0.1, "flow_noise_l_min": 0.03 if who in SMALL else 0.2}
    asked = {**sample(who, seed), "duration_s": 180, "seed": seed + 10, "sensors": noise}
    told = scenario_from({**asked, "manoeuvres": HOLDS} if holds else asked)
    said = {key: table for key, table in case_tables(told, "").items() if key not in ("recording", "events")}
    solution = simulate(told)
    return solution, review(case_from(said), solution.recording)


def of_patient(run: tuple[str, int]) -> Found:
    """What the review of one drawn patient found."""
    solution, done = drawn(*run)
    rise = pl.col("alveolar_peak_cmh2o") - pl.col("total_peep_cmh2o")
    near = solution.breaths.select(
        "start_s", "passive", pl.col("total_peep_cmh2o").alias("truth"),
        pl.coalesce("compliance_ml_cmh2o", pl.col("vti_ml") / rise).alias("compliance"),
    ).join_asof(
        done.breaths.select("start_s", "compliance_ml_cmh2o", "total_peep_cmh2o", found=pl.lit(1)),
        on="start_s", strategy="nearest", tolerance=0.1,
    )  # fmt: skip
    effort = near.filter(pl.col("passive") == 0)["compliance_ml_cmh2o"]
    passive = near.filter(pl.col("passive") == 1)
    error = (passive["compliance_ml_cmh2o"] / passive["compliance"] - 1).drop_nulls().to_numpy()
    compliance = float(passive["compliance"].median() or np.nan)  # type: ignore[arg-type]
    return Found(
        near.height,
        near["found"].count(),
        effort.len(),
        effort.count(),
        (float(np.median(error)) if len(error) else np.nan) if passive.height > LEAST else None,
        by_holds(*run, compliance) if passive.height > LEAST else None,
        (near["total_peep_cmh2o"] - near["truth"]).drop_nulls().to_list(),
    )


def by_holds(who: str, seed: int, compliance: float) -> float:
    """The error of what a hold at the end of inspiration tells, by the total PEEP of one at the end of expiration."""
    told = [hold.static_compliance_ml_cmh2o for hold in drawn(who, seed, holds=True)[1].holds]
    known = [value for value in told if value is not None]
    return known[0] / compliance - 1 if known else np.nan


def errors_of(errors: list[float | None]) -> list[str]:
    """Cells: told, within 3 % and the worst, %."""
    some = np.array([error for error in errors if error is not None])
    off = 100 * np.abs(some[np.isfinite(some)])
    if not len(some):
        return ["", "", ""]
    return [f"{len(off)} of {len(some)}", str(np.sum(off < 3)), f"{max(off):.1f}" if len(off) else ""]


def row(who: str, found: list[Found]) -> str:
    """All patients of one kind."""
    peep = np.abs(np.concatenate([each.total_peep for each in found]))
    cells = [
        who,
        f"{sum(each.found for each in found)} of {sum(each.breaths for each in found)}",
        *errors_of([each.compliance for each in found]),
        *errors_of([each.by_holds for each in found]),
        f"{sum(each.with_effort_told for each in found)} of {sum(each.with_effort for each in found)}",
        f"{np.quantile(peep, 0.95):.2f}" if len(peep) else "",
        str(len(peep)),
    ]
    return f"| {' | '.join(cells)} |\n"


def page() -> str:
    """Every patient of the library, as a page."""
    names = patient_names()
    runs = list(product(names, range(SEEDS)))
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        found = list(pool.map(of_patient, runs))
    rows = [row(who, found[SEEDS * k : SEEDS * (k + 1)]) for k, who in enumerate(names)]
    return HEAD.format(count=len(runs), seeds=SEEDS) + "".join(rows)


if __name__ == "__main__":
    print(page(), end="")
