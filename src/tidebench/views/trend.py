"""The whole record at a glance: breath by breath, or in bins where there are too many breaths to see."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import polars as pl

from tidebench.quantities import Quantity, quantity
from tidebench.recording import Samples
from tidebench.views.mechanics import one_resistance
from tidebench.views.numbers import EFFORT, EXPIRATORY_RESISTANCE, breath_values
from tidebench.views.wording import change_words, sentence, settings_words

if TYPE_CHECKING:
    from tidebench.interval import Interval
    from tidebench.review import Review

PANELS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("pressures", ("peak_pressure_cmh2o", "plateau_pressure_cmh2o", "total_peep_cmh2o", "peep_cmh2o")),
    ("volume", ("vte_ml",)),
    ("rate", ("rate_per_min",)),
    ("driving pressure", ("driving_pressure_cmh2o",)),
    ("compliance", ("compliance_ml_cmh2o",)),
    ("resistance", ("resistance_cmh2o_s_l", "expiratory_resistance_cmh2o_s_l")),
    ("effort", (EFFORT,)),
)
MOST_DOTS = 500
BINS = 240
FEWEST = 3  # values, below which a quantity has no course to draw


@dataclass(frozen=True)
class Series:
    """One quantity along the record. ``low`` and ``high`` are a bin's 5th and 95th percentile; equal for one breath."""

    quantity: Quantity
    time_s: Samples
    median: Samples
    low: Samples
    high: Samples


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened at one time: a change of settings (numbered) or a hold."""

    at_s: float
    kind: Literal["settings", "inspiratory hold", "expiratory hold"]
    number: int
    text: str


@dataclass(frozen=True)
class Trend:
    """The whole record. ``bin_s`` is 0 where every breath is shown."""

    duration_s: float
    panels: tuple[tuple[Series, ...], ...]
    marks: tuple[Mark, ...]
    gaps: tuple[Interval, ...]
    bin_s: float
    settings: str


def trend_page(review: Review) -> Trend:
    """What the trend page shows."""
    duration_s = review.recording.duration_s
    bin_s = duration_s / BINS if review.breaths.height > MOST_DOTS else 0.0
    panels = (tuple(_series(review, keys, bin_s)) for _, keys in PANELS)
    return Trend(
        duration_s=duration_s,
        panels=tuple(panel for panel in panels if panel),
        marks=tuple(marks(review)),
        gaps=review.recording.gaps,
        bin_s=bin_s,
        settings=settings_words(review.case.settings[0].model_dump(exclude_none=True)) if review.case.settings else "",
    )


def marks(review: Review) -> Iterator[Mark]:
    """Changes of settings, numbered as the steps are, then holds."""
    for number, step in enumerate(review.steps, start=1):
        yield Mark(step.at_s, "settings", number, change_words(step.changed))
    for number, hold in enumerate(review.holds, start=1):
        kind: Literal["inspiratory hold", "expiratory hold"] = (
            "inspiratory hold" if hold.kind == "inspiratory" else "expiratory hold"
        )
        yield Mark(hold.at_s, kind, number, kind)


def settings_sentences(review: Review) -> Iterator[tuple[float, str]]:
    """The first settings in full, later ones by what they changed, each with the time from which it held."""
    held: dict[str, float | str] = {}
    for setting in review.case.settings:
        said = setting.model_dump(exclude={"at_s"}, exclude_none=True)
        if not held:
            yield setting.at_s, settings_words(said)
        changed = {key: (held.get(key), value) for key, value in said.items() if held.get(key) != value}
        if held and changed:
            yield setting.at_s, sentence(change_words(changed))
        held |= said


def _series(review: Review, keys: tuple[str, ...], bin_s: float) -> Iterator[Series]:
    for key in keys:
        known = review.breaths.select(pl.col("start_s"), pl.col(key).alias("value")).drop_nulls()
        idle = key == EFFORT and breath_values(review, EFFORT).is_empty()
        idle |= key == EXPIRATORY_RESISTANCE and one_resistance(review)
        if known.height >= max(1, min(FEWEST, review.breaths.height)) and not idle:
            yield _binned(quantity(key), known, bin_s) if bin_s else _single(quantity(key), known, review)


def _single(record: Quantity, known: pl.DataFrame, review: Review) -> Series:
    """Breath by breath; the line is broken where breaths are missing, at a gap or where nothing could be measured."""
    time, value = known["start_s"].to_numpy(), known["value"].to_numpy()
    usual = review.breaths["start_s"].diff().median()
    apart = np.diff(time) > 2.5 * usual if isinstance(usual, float) else np.zeros(len(time) - 1, dtype=bool)
    broken = np.flatnonzero(apart) + 1
    time, value = np.insert(time, broken, np.nan), np.insert(value, broken, np.nan)
    return Series(record, time, value, value, value)


def _binned(record: Quantity, known: pl.DataFrame, bin_s: float) -> Series:
    table = (
        known.group_by((pl.col("start_s") // bin_s).alias("bin"))
        .agg(
            pl.col("value").median().alias("median"),
            pl.col("value").quantile(0.05).alias("low"),
            pl.col("value").quantile(0.95).alias("high"),
        )
        .sort("bin")
    )
    middle = (table["bin"].to_numpy() + 0.5) * bin_s
    broken = np.flatnonzero(np.diff(middle) > 1.5 * bin_s) + 1  # an empty bin breaks the line
    median, low, high = (np.insert(table[name].to_numpy(), broken, np.nan) for name in ("median", "low", "high"))
    return Series(record, np.insert(middle, broken, np.nan), median, low, high)
