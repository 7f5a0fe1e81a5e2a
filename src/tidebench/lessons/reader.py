"""What the library's own measures read from a question's signals: a reader who is not told the truth."""

from __future__ import annotations

import polars as pl

from tidebench.case import case_from
from tidebench.lessons.format import Action, Measure
from tidebench.lessons.marking import manoeuvres_of
from tidebench.lessons.stage import Stage
from tidebench.review import Review, review
from tidebench.simulation.write import case_tables

OF_HOLD = {
    "plateau_pressure_cmh2o": "plateau_pressure_cmh2o",
    "total_peep_cmh2o": "total_peep_cmh2o",
    "intrinsic_peep_cmh2o": "intrinsic_peep_cmh2o",
    "driving_pressure_cmh2o": "driving_pressure_cmh2o",
    "compliance_ml_cmh2o": "static_compliance_ml_cmh2o",
    "resistance_cmh2o_s_l": "inspiratory_resistance_max_cmh2o_s_l",
}
OF_BREATH = (
    "peak_pressure_cmh2o", "vti_ml", "vte_ml", "rate_per_min", "inspiratory_time_s", "resistance_cmh2o_s_l",
    "compliance_ml_cmh2o", "mean_pressure_cmh2o", "plateau_pressure_cmh2o", "driving_pressure_cmh2o",
)  # fmt: skip


def read_value(stage: Stage, step: Measure) -> float | None:
    """The number that a review gives for a measure step, manoeuvres done as needed; None where it gives none."""
    if stage.lesson.patients[step.figure.patient].case:
        return None
    actions = [Action(at_s=done["at_s"], manoeuvre=done["kind"]) for done in manoeuvres_of(step)]
    scene = stage.held(step.figure.patient, actions) if actions else stage.scene(step.figure.patient)
    assert scene.solution is not None
    solution = scene.solution
    done = review(case_from(case_tables(solution.scenario, "signals.csv")), solution.recording)
    return _of(done, step)


def _of(done: Review, step: Measure) -> float | None:
    first, last = step.figure.from_s, step.figure.to_s
    key = OF_HOLD.get(step.truth)
    held = [getattr(hold, key) for hold in done.holds if key and first <= hold.at_s <= last + 5.0]
    if known := [value for value in held if value is not None]:
        return float(known[-1])
    if step.truth not in OF_BREATH or step.needs:
        return None
    inside = done.breaths.filter((pl.col("start_s") >= first) & (pl.col("end_s") <= last))[step.truth].drop_nulls()
    return float(inside.median()) if len(inside) else None  # type: ignore[arg-type]
