"""A stretch of the signals as a screen can show it: peaks survive, gaps stay gaps, breaths and holds are marked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.quantities import Quantity, quantity
from tidebench.recording import Samples
from tidebench.units import factor
from tidebench.views.wording import DELIVERIES

if TYPE_CHECKING:
    from tidebench.kept import KeptReview
    from tidebench.review import Review

FIRST = ("airway_pressure", "flow", "volume")
MOST_BREATHS = 240
"""More are not shaded one by one: a stretch of ten minutes at 24 per minute."""
FEWEST_POINTS, MOST_POINTS = 200, 8000

PASSIVITY: dict[bool | None, str] = {True: "passive", False: "with effort", None: "passive or not can't be told"}
TRIGGERS: dict[str | None, str] = {"patient": "patient", "machine": "machine", None: "not known"}


@dataclass(frozen=True)
class Trace:
    """One channel of a stretch, in the unit it is shown in; ``time_s`` counts from the stretch's start."""

    quantity: Quantity
    derived: bool
    time_s: Samples
    values: Samples


@dataclass(frozen=True, slots=True)
class BreathMark:
    """One breath as it is shaded: its times, and words for how it began and was delivered."""

    breath: int
    start_s: float
    turn_s: float
    end_s: float
    trigger: str
    delivery: str
    mandatory: bool | None
    passivity: str


@dataclass(frozen=True, slots=True)
class EffortMark:
    """One inspiratory effort as it is marked."""

    start_s: float
    end_s: float
    outcome: str


@dataclass(frozen=True, slots=True)
class HoldMark:
    """One hold as it is labelled."""

    start_s: float
    end_s: float
    label: str


@dataclass(frozen=True)
class Marks:
    """What stands over the signals of a stretch; ``breaths`` is None where there are too many to see."""

    breaths: tuple[BreathMark, ...] | None
    efforts: tuple[EffortMark, ...]
    holds: tuple[HoldMark, ...]


def clipped(review: Review, from_s: float, to_s: float) -> tuple[float, float]:
    """A stretch inside the record, of at least a tenth of a second."""
    end = review.recording.duration_s
    least = min(0.1, end)
    start = min(max(0.0, from_s), end - least)
    return start, min(max(to_s, start + least), end)


def first_stretch(review: Review, breath: int | None) -> tuple[float, float]:
    """What is looked at first: about ten breaths around one; half a minute where there is none."""
    if breath is None:
        return clipped(review, 0.0, 30.0)
    row = review.breaths.row(breath, named=True)
    usual = review.breaths.select((pl.col("end_s") - pl.col("start_s")).median()).item()
    return clipped(review, row["start_s"] - 5 * usual, row["end_s"] + 5 * usual)


def traces(kept: KeptReview, from_s: float, to_s: float, points: int) -> tuple[Trace, ...]:
    """Every channel of a stretch with at most about ``points`` points: the lowest and highest of each bin.

    Pressure, flow and volume first. Where volume was not recorded it is flow added up, and says so.
    """
    recording = kept.review.recording
    from_s, to_s = clipped(kept.review, from_s, to_s)
    first = int(np.floor(from_s * recording.rate_hz))
    last = min(len(recording), int(np.ceil(to_s * recording.rate_hz)) + 1)
    points = min(max(points, FEWEST_POINTS), MOST_POINTS)
    channels: dict[str, npt.NDArray[np.floating]] = {**recording.channels, "volume": kept.volume}
    names = [*FIRST, *(name for name in channels if name not in FIRST)]
    return tuple(
        _trace(name, channels[name][first:last], first / recording.rate_hz - from_s, recording.rate_hz, points,
               derived=name == "volume" and kept.volume_from == "flow")
        for name in names
    )  # fmt: skip


def _trace(
    name: str, samples: npt.NDArray[np.floating], offset_s: float, rate_hz: float, points: int, *, derived: bool
) -> Trace:
    record = quantity(name)
    seen = np.ascontiguousarray(samples)
    index = downsampled(seen, points)
    scale = factor(record.canonical, record.unit) if record.canonical else 1.0
    return Trace(record, derived, index / rate_hz + offset_s, np.asarray(seen[index], np.float64) * scale)


def downsampled(samples: npt.NDArray[np.floating], points: int) -> npt.NDArray[np.int64]:
    """Which samples are drawn: all, or the lowest and highest of each bin, and one missing where any is."""
    if len(samples) <= points:
        return np.arange(len(samples))
    from tsdownsample import NaNMinMaxDownsampler

    chooser = NaNMinMaxDownsampler()  # type: ignore[no-untyped-call]
    return np.asarray(chooser.downsample(samples, n_out=points - points % 2), np.int64)


def marks_within(review: Review, from_s: float, to_s: float) -> Marks:
    """Breaths, efforts and holds that reach into a stretch."""
    from_s, to_s = clipped(review, from_s, to_s)
    within = (pl.col("end_s") > from_s) & (pl.col("start_s") < to_s)
    rows = review.breaths.filter(within)
    few = rows.height <= MOST_BREATHS
    efforts = review.efforts.filter(within) if few else review.efforts.head(0)
    return Marks(
        breaths=tuple(_breath(row) for row in rows.iter_rows(named=True)) if few else None,
        efforts=tuple(
            EffortMark(row["start_s"], row["end_s"], row["outcome"]) for row in efforts.iter_rows(named=True)
        ),
        holds=tuple(
            HoldMark(hold.at_s - hold.duration_s, hold.at_s, f"{hold.kind} hold")
            for hold in review.holds
            if hold.at_s > from_s and hold.at_s - hold.duration_s < to_s
        ),
    )


def _breath(row: dict[str, object]) -> BreathMark:
    start, turn, end, breath = row["start_s"], row["expiration_s"], row["end_s"], row["breath"]
    assert isinstance(start, float)
    assert isinstance(turn, float)
    assert isinstance(end, float)
    assert isinstance(breath, int)
    mandatory, passive, trigger = row["mandatory"], row["passive"], row["trigger"]
    return BreathMark(
        breath=breath,
        start_s=start,
        turn_s=turn,
        end_s=end,
        trigger=TRIGGERS[trigger if isinstance(trigger, str) else None],
        delivery=DELIVERIES.get(str(row["delivery"]), "delivery not known"),
        mandatory=mandatory if isinstance(mandatory, bool) else None,
        passivity=PASSIVITY[passive if isinstance(passive, bool) else None],
    )
