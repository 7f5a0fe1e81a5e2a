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
from tidebench.simulation.truth import respiratory_compliance_ml_cmh2o
from tidebench.simulation.write import case_tables

SEEDS = 20
SMALL = ("preterm-800g", "preterm-1200g", "newborn-term", "infant")  # their flow sensors resolve less
HEAD = """\
# What a review finds of drawn patients

Three minutes each of {count} patients, {seeds} drawn from each of the library's, with 0.1 cmH2O of noise on pressure
and 0.2 L/min on flow (0.03 below a year). Truth is the simulation's, by the same people; [other truths](validated.md)
are not.

```
python -m tests.drawn > docs/explanation/drawn-measured.md
```

Breaths: found within 0.1 s, of those in the truth. Compliance, of passive breaths: patients of whom it is told, of them
within 3 %, and the worst error, %. With effort: breaths with a compliance although muscles moved them, which should be
none. Total PEEP: 95th percentile of its error, cmH2O, and on how many breaths it is told.

| patient | breaths | compliance told | within 3 % | worst | with effort | total PEEP | told on |
| --- | --- | --- | --- | --- | --- | --- | --- |
"""


class Found(NamedTuple):
    """One patient: counts of breaths; error of compliance as a share, or None; errors of total PEEP, cmH2O."""

    breaths: int
    found: int
    with_effort: int
    with_effort_told: int
    compliance: float | None
    total_peep: list[float]


def drawn(who: str, seed: int) -> tuple[Solution, Review, float | None]:
    """A drawn patient's simulation, its review from what a case says, and its compliance where it has one."""
    noise = {"pressure_noise_cmh2o": 0.1, "flow_noise_l_min": 0.03 if who in SMALL else 0.2}
    told = scenario_from({**sample(who, seed), "duration_s": 180, "seed": seed + 10, "sensors": noise})
    said = {key: table for key, table in case_tables(told, "").items() if key not in ("recording", "events")}
    solution = simulate(told)
    return solution, review(case_from(said), solution.recording), respiratory_compliance_ml_cmh2o(told)


def of_patient(run: tuple[str, int]) -> Found:
    """What the review of one drawn patient found."""
    solution, done, compliance = drawn(*run)
    near = solution.breaths.select("start_s", "passive", truth="total_peep_cmh2o").join_asof(
        done.breaths.select("start_s", "compliance_ml_cmh2o", "total_peep_cmh2o", found=pl.lit(1)),
        on="start_s", strategy="nearest", tolerance=0.1,
    )  # fmt: skip
    effort = near.filter(pl.col("passive") == 0)["compliance_ml_cmh2o"]
    told = near.filter(pl.col("passive") == 1)["compliance_ml_cmh2o"].drop_nulls().to_numpy()
    return Found(
        near.height,
        near["found"].count(),
        effort.len(),
        effort.count(),
        float(np.median(told)) / compliance - 1 if len(told) and compliance else None,
        (near["total_peep_cmh2o"] - near["truth"]).drop_nulls().to_list(),
    )


def row(who: str, found: list[Found]) -> str:
    """All patients of one kind."""
    errors = [100 * abs(each.compliance) for each in found if each.compliance is not None]
    peep = np.abs(np.concatenate([each.total_peep for each in found]))
    cells = [
        who,
        f"{sum(each.found for each in found)} of {sum(each.breaths for each in found)}",
        f"{len(errors)} of {len(found)}",
        str(sum(error < 3 for error in errors)),
        f"{max(errors):.1f}" if errors else "",
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
