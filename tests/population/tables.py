"""Tables of what a population showed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl

ENOUGH_EVENTS = 3
BIN = 0.1


@dataclass(frozen=True)
class Measured:
    """Patients, events (true ones and findings) and errors of effort ends, a row each."""

    people: pl.DataFrame
    events: pl.DataFrame
    ends: pl.DataFrame

    def write(self, folder: Path) -> None:
        """As Parquet."""
        folder.mkdir(exist_ok=True)
        for name in ("people", "events", "ends"):
            getattr(self, name).write_parquet(folder / f"{name}.parquet")


def by_kind(events: pl.DataFrame, *by: str) -> pl.DataFrame:
    """Sensitivity (pooled, and mean over patients with three events or more) and predictive value by kind."""
    each = events.filter("true").group_by("kind", *by, "patient").agg(n=pl.len(), share=pl.col("found").mean())
    means = (
        each.filter(pl.col("n") >= ENOUGH_EVENTS)
        .group_by("kind", *by)
        .agg(patients=pl.len(), mean=pl.col("share").mean())
    )
    right = (pl.col("true") & pl.col("found")).sum()
    pooled = events.group_by("kind", *by).agg(
        events=pl.col("true").sum(),
        sensitivity=right / pl.col("true").sum(),
        ppv=right / pl.col("found").sum(),
        wrong=(~pl.col("true")).sum(),
    )
    return pooled.join(means, on=["kind", *by], how="left").sort("kind", *by)


def reliability(events: pl.DataFrame, *by: str) -> pl.DataFrame:
    """Of the findings in each tenth of confidence: how many, from how many patients, and how many were right."""
    tenth = (pl.col("confidence") / BIN + 1e-9).floor() * BIN
    return (
        events.filter("found")
        .group_by(*(by or ("kind",)), tenth.round(1).alias("from"))
        .agg(
            n=pl.len(),
            patients=pl.col("patient").n_unique(),
            confidence=pl.col("confidence").mean(),
            right=pl.col("true").mean(),
        )
        .sort(*(by or ("kind",)), "from")
    )
