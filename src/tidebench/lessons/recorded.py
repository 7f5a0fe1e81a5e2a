"""A stretch of a de-identified reviewed case as a lesson uses it: signals, breaths, and what a reviewer confirmed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from tidebench.errors import CaseError
from tidebench.lessons.scene import Scene

SIGNALS, BREATHS = "case_signals.parquet", "case_breaths.parquet"
WEIGHT, RATE = "weight_kg", "rate_hz"


def recorded_scene(folder: Path | None) -> Scene:
    """The scene that :mod:`tidebench.lessons.making` put beside the lesson.

    Raises
    ------
    CaseError
        It isn't there, or isn't one.
    """
    try:
        if folder is None:
            raise FileNotFoundError(SIGNALS)
        signals, breaths = pl.read_parquet(folder / SIGNALS), pl.read_parquet(folder / BREATHS)
        rate = 1.0 / float(signals["time_s"][1] - signals["time_s"][0])
        channels = {name: signals[name].to_numpy() for name in signals.columns if name != "time_s"}
        return Scene(breaths, channels, rate, 70.0, np.full(breaths.height, np.nan))
    except (OSError, pl.exceptions.PolarsError, IndexError, ZeroDivisionError) as error:
        raise CaseError(
            f"the recorded case of this lesson can't be read ({error})", where=SIGNALS,
            expected="the files that `tidebench lesson new --from` wrote beside lesson.toml",
        ) from None  # fmt: skip
