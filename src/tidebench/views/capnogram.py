"""Carbon dioxide over expired volume, as pages show it: the curve that best stands for the recording, and medians."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.measures.capnography import KEYS, curve_of
from tidebench.quantities import quantity
from tidebench.views.numbers import Number, spread_over
from tidebench.views.wording import clock, of_breaths, sentence

if TYPE_CHECKING:
    from tidebench.review import Review

Samples = npt.NDArray[np.float64]


@dataclass(frozen=True)
class CapnogramPage:
    """The curve of one breath with its upright and line, and the numbers over all.

    Attributes
    ----------
    breath : int
    lead : str
        Which breath is drawn, how many could be read, the commonest reason of those that could not.
    volume_ml, pco2_mmhg : ndarray, shape (samples,)
    dead_space_ml, expired_ml : float
        Where the upright stands, and where the breath ends.
    line_mmhg : (float, float)
        The alveolar line at the upright and at the end.
    mixed_mmhg : float
    numbers : tuple of Number
    """

    breath: int
    lead: str
    volume_ml: Samples
    pco2_mmhg: Samples
    dead_space_ml: float
    expired_ml: float
    line_mmhg: tuple[float, float]
    mixed_mmhg: float
    numbers: tuple[Number, ...]


def capnogram_page(review: Review) -> CapnogramPage | None:
    """The page; None where no breath could be read."""
    capnogram = review.capnogram
    if capnogram is None:
        return None
    read = capnogram.breaths.filter(pl.col("why").is_null())
    if read.is_empty():
        return None
    far = pl.sum_horizontal([(pl.col(key) / pl.col(key).median() - 1).abs() for key in KEYS[:6]])
    row = read.sort(far, "breath").row(0, named=True)
    volume, pco2 = curve_of(review.recording, review.mechanics, capnogram, row["breath"])
    dead, expired = row["airway_dead_space_ml"], 1000 * float(volume[-1])
    middle, half = row["alveolar_pco2_mmhg"], row["alveolar_slope_mmhg_l"] * (expired - dead) / 2000
    return CapnogramPage(
        row["breath"],
        _lead(capnogram.breaths, row["start_s"]),
        1000 * volume,
        pco2,
        dead,
        expired,
        (middle - half, middle + half),
        row["mixed_expired_pco2_mmhg"],
        tuple(Number(quantity(key), spread_over(capnogram.breaths[key])) for key in KEYS),
    )


def _lead(breaths: pl.DataFrame, start_s: float) -> str:
    missed = breaths["why"].drop_nulls()
    why = f", the others mostly since {missed.value_counts(sort=True)['why'][0]}" if len(missed) else ""
    told = of_breaths(breaths.height - len(missed), breaths.height)
    return f"{sentence(f'read on {told}{why}')} Drawn is the breath at {clock(start_s)}, nearest to the medians."
