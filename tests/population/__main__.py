"""Measures the findings on a population of virtual patients and prints the tables.

python -m tests.population open|frozen [clean|real] [--patients N] [--by way|size] [--out FOLDER]
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl

from tests.population.patients import Sensing, Set, patient
from tests.population.scoring import end_errors_s, score
from tidebench.case import load_case
from tidebench.review import review
from tidebench.simulation import simulate
from tidebench.simulation.write import write_files

PATIENTS = 220


def measured(kind: Set, sensing: Sensing, k: int) -> dict[str, Any]:
    """One patient, simulated, reviewed and scored."""
    way, size, scenario = patient(kind, k, sensing)
    done = simulate(scenario)
    with tempfile.TemporaryDirectory() as folder:
        write_files(done, Path(folder))
        found = review(load_case(folder))
    events = score(size, done.breaths, done.efforts, found.findings, scenario.duration_s)
    quiet = done.breaths.filter(pl.col("labels") == "").height
    about = {"patient": k, "way": way, "size": size}
    return {
        "about": about | {"breaths": done.breaths.height, "quiet": quiet, "efforts": done.efforts.height,
                          "mask": scenario.airway.interface == "mask"},
        "events": [about | asdict(event) for event in events],
        "ends": [about | {"error_s": error} for error in end_errors_s(done.efforts, found.efforts)],
    }  # fmt: skip


def population(kind: Set, sensing: Sensing, numbers: Sequence[int]) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Patients, events and errors of effort ends as tables."""
    with ProcessPoolExecutor() as pool:
        rows = list(pool.map(partial(measured, kind, sensing), numbers))
    return (
        pl.DataFrame([row["about"] for row in rows]),
        pl.DataFrame([event for row in rows for event in row["events"]], infer_schema_length=None),
        pl.DataFrame([error for row in rows for error in row["ends"]], infer_schema_length=None),
    )


def table(events: pl.DataFrame, *by: str) -> pl.DataFrame:
    """Sensitivity (pooled, and mean over patients with three events or more) and predictive value by kind."""
    each = events.filter("true").group_by("kind", *by, "patient").agg(n=pl.len(), share=pl.col("found").mean())
    means = each.filter(pl.col("n") >= 3).group_by("kind", *by).agg(patients=pl.len(), mean=pl.col("share").mean())
    pooled = events.group_by("kind", *by).agg(
        events=pl.col("true").sum(),
        sensitivity=(pl.col("true") & pl.col("found")).sum() / pl.col("true").sum(),
        ppv=(pl.col("true") & pl.col("found")).sum() / pl.col("found").sum(),
        wrong=(~pl.col("true")).sum(),
    )
    return pooled.join(means, on=["kind", *by], how="left").sort("kind", *by)


def main() -> None:
    """Run what the command line asks for."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("kind", choices=["open", "frozen"])
    asked.add_argument("sensing", choices=["clean", "real"], nargs="?", default="clean")
    asked.add_argument("--patients", type=int, default=PATIENTS)
    asked.add_argument("--by", choices=["way", "size"])
    asked.add_argument("--out", type=Path)
    told = asked.parse_args()
    people, events, ends = population(told.kind, told.sensing, range(told.patients))
    pl.Config.set_tbl_rows(200).set_tbl_cols(20).set_tbl_hide_dataframe_shape(active=True).set_tbl_width_chars(160)
    print(table(events, *([told.by] if told.by else [])))
    print(
        ends.select(
            pl.len(), pl.col("error_s").median(), spread=(pl.col("error_s") - pl.col("error_s").median()).abs().median()
        )
    )
    print("wrong on quiet breaths:", events.filter(~pl.col("true")).height, "of", people["quiet"].sum())
    if told.out:
        told.out.mkdir(exist_ok=True)
        people.write_parquet(told.out / "patients.parquet")
        events.write_parquet(told.out / "events.parquet")
        ends.write_parquet(told.out / "ends.parquet")


if __name__ == "__main__":
    main()
