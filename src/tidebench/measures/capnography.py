"""Volumetric capnography: carbon dioxide over the volume of each expiration, where both were recorded.

The curve is that of :mod:`tidebench.formulas.capnography`. Its alveolar line is fitted over the middle half of what
lies between airway dead space and the end of expiration, and both are sought together, starting from where PCO2 first
reaches half its highest. (Tang 2007 has 40 to 80 % of the expired volume, which is the same at a dead space of a fifth
to a third, and lies in the rise where it is more.)

Carbon dioxide often arrives late; by how much is read by :mod:`tidebench.measures.co2_delay`, and taken off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.formulas.capnography import (
    bohr_dead_space_fraction,
    co2_volume_ml,
    fowler_dead_space_l,
    mean_alveolar_pco2_mmhg,
)
from tidebench.kernels import kernel
from tidebench.measures.co2_delay import LEAST_MMHG, delay_s, earlier
from tidebench.quantities import quantity
from tidebench.recording import Recording

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Columns = Mapping[str, npt.NDArray[Any]]

KEYS = (
    "etco2_mmhg",
    "mixed_expired_pco2_mmhg",
    "alveolar_pco2_mmhg",
    "alveolar_slope_mmhg_l",
    "airway_dead_space_ml",
    "bohr_dead_space_fraction",
    "co2_elimination_ml_min",
    "inspired_pco2_mmhg",
)
CAPNOGRAM_COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "breath": pl.Int64,
    "start_s": pl.Float64,
    "end_s": pl.Float64,
    **dict.fromkeys(KEYS, pl.Float64),
    "why": pl.String,
}
"""A row per breath; ``why`` says what stands against its numbers where they are null, and is null elsewhere."""

MOST_INSPIRED_MMHG = 2.0
MOST_LEAK = 0.1
ROUNDS = 6
"""All of these: this house's choice."""

AT_VENTILATOR = "flow was measured at the ventilator, and carbon dioxide at the patient: their volumes are not the same"
HELIOX = "flow is not known with heliox"
LEAKS = "more than a tenth of the gas leaks away unseen"
GAP = "carbon dioxide or flow is missing in it"
NONE_COMES = "no carbon dioxide to speak of comes out"
INSPIRED = "carbon dioxide is breathed in, or its sensor does not read zero"
NO_PLATEAU = "the curve has no alveolar part"


@dataclass(frozen=True)
class Capnogram:
    """Breaths with their capnograms; where none can be told, the reason.

    Attributes
    ----------
    breaths : DataFrame
        Columns of :data:`CAPNOGRAM_COLUMNS`.
    delay_s : float or None
        By which carbon dioxide was recorded after flow; it is taken off.
    reason : str
        Why nothing is told; empty where something is.
    """

    breaths: pl.DataFrame
    delay_s: float | None = None
    reason: str = ""

    @property
    def warnings(self) -> tuple[str, ...]:
        """What a reader must know before believing it."""
        if self.reason:
            return (f"No volumetric capnography: {self.reason}.",)
        if not self.delay_s:
            return ()
        word = "after" if self.delay_s > 0 else "before"
        late = quantity("co2_delay_s").text(abs(self.delay_s))
        return (f"Carbon dioxide is recorded {late} {word} flow, told by its fall as inspirations begin; taken off.",)


def capnogram_of(
    recording: Recording, columns: Columns, *, at_ventilator: bool = False, heliox: bool = False
) -> Capnogram | None:
    """The capnograms of a recording; None where no carbon dioxide was recorded.

    Parameters
    ----------
    recording : Recording
        With ``co2`` [mmHg] and ``flow`` [L/s, BTPS].
    columns : mapping
        Of the line: ``start``, ``turn``, ``end`` (samples), ``offset`` [L/s], ``leak_fraction``.
    at_ventilator, heliox : bool
        Flow was measured there, or of such a gas: nothing is told then.
    """
    if "co2" not in recording:
        return None
    nothing = pl.DataFrame(schema=CAPNOGRAM_COLUMNS)
    if at_ventilator or heliox or not columns:
        return Capnogram(
            nothing, reason=AT_VENTILATOR if at_ventilator else HELIOX if heliox else "no breath was found"
        )
    rate = float(recording.rate_hz)
    start, turn, end = (np.asarray(columns[name], np.int64) for name in ("start", "turn", "end"))
    delay, reason = delay_s(recording["flow"], recording["co2"], start, end, rate)
    if delay is None or reason:
        return Capnogram(nothing, delay, reason)
    curves = _curves(recording["flow"], earlier(recording["co2"], delay * rate), (start, turn, end), columns, 1 / rate)
    told = pl.DataFrame({"breath": np.arange(len(start)), "start_s": start / rate, "end_s": end / rate, **curves})
    return Capnogram(told.with_columns(pl.col(pl.Float64).fill_nan(None)).cast(pl.Schema(CAPNOGRAM_COLUMNS)), delay)


def curve_of(recording: Recording, columns: Columns, capnogram: Capnogram, breath: int) -> tuple[Samples, Samples]:
    """Expired volume [L] and PCO2 [mmHg] along one expiration, the delay taken off; shape (samples that expire,)."""
    turn, end = int(columns["turn"][breath]), int(columns["end"][breath])
    aligned = earlier(recording["co2"], (capnogram.delay_s or 0.0) * recording.rate_hz)[turn:end]
    moved = np.maximum(columns["offset"][breath] - recording["flow"][turn:end], 0.0) / recording.rate_hz
    out = moved > 0.0
    return (np.cumsum(moved) - 0.5 * moved)[out], aligned[out]


@kernel
def expirations(
    flow: Samples, co2: Samples, start: Indices, turn: Indices, end: Indices, offset: Samples, dt: float
) -> Samples:
    """Of each breath: expired volume, area under PCO2, volume at half the highest PCO2, PCO2 over the last twentieth,
    and PCO2 over the last half of the inspired volume; shape (5, breaths), NaN where a sample is missing.
    """
    out = np.full((5, len(start)), np.nan)
    for k in range(len(start)):
        volume = area = highest = inspired = 0.0
        for i in range(start[k], end[k]):
            moved = (flow[i] - offset[k]) * dt
            if i < turn[k]:
                inspired += max(moved, 0.0)
            elif not moved >= 0.0:
                volume -= moved
                area -= moved * co2[i]
                highest = max(highest, co2[i])
        halved = late = late_area = seen = 0.0
        found = False
        for i in range(turn[k], end[k]):
            moved = -(flow[i] - offset[k]) * dt
            if moved <= 0.0:
                continue
            if not found and co2[i] >= 0.5 * highest:
                found, halved = True, seen
            seen += moved
            if seen > 0.95 * volume:
                late += moved
                late_area += moved * co2[i]
        taken = half = half_area = 0.0
        for i in range(start[k], turn[k]):
            moved = max((flow[i] - offset[k]) * dt, 0.0)
            taken += moved
            if taken > 0.5 * inspired:
                half += moved
                half_area += moved * co2[i]
        if volume > 0.0:
            out[0, k], out[1, k], out[2, k] = volume, area, halved
            out[3, k] = late_area / late if late > 0.0 else np.nan
            out[4, k] = half_area / half if half > 0.0 else 0.0
    return out


@kernel
def alveolar_lines(
    flow: Samples, co2: Samples, turn: Indices, end: Indices, offset: Samples, low: Samples, high: Samples, dt: float
) -> Samples:
    """Of each breath: PCO2 at volume zero and slope of the line fitted, by volume, from ``low`` to ``high`` [L], and
    the area under the curve up to ``high``; shape (3, breaths).
    """
    out = np.full((3, len(turn)), np.nan)
    for k in range(len(turn)):
        w = x = y = xx = xy = area = seen = 0.0
        for i in range(turn[k], end[k]):
            moved = -(flow[i] - offset[k]) * dt
            if moved <= 0.0:
                continue
            at = seen + 0.5 * moved
            area += min(moved, max(high[k] - seen, 0.0)) * co2[i]
            seen += moved
            if low[k] <= at <= high[k]:
                w, x, y = w + moved, x + moved * at, y + moved * co2[i]
                xx, xy = xx + moved * at * at, xy + moved * at * co2[i]
        spread = w * xx - x * x
        if spread > 1e-12 * w * xx:
            slope = (w * xy - x * y) / spread
            out[0, k], out[1, k], out[2, k] = (y - slope * x) / w, slope, area
    return out


def _curves(
    flow: Samples, co2: Samples, at: tuple[Indices, Indices, Indices], columns: Columns, dt: float
) -> dict[str, Any]:
    """Every number of every breath, and why there is none."""
    start, turn, end = at
    offset = np.asarray(columns["offset"], np.float64)
    volume, area, halved, last, inspired = expirations(flow, co2, start, turn, end, offset, dt)
    with np.errstate(invalid="ignore", divide="ignore"):
        leak = np.asarray(columns["leak_fraction"], np.float64)
        why = np.select(
            [leak > MOST_LEAK, ~np.isfinite(area + last + inspired), last < LEAST_MMHG, inspired > MOST_INSPIRED_MMHG],
            [LEAKS, GAP, NONE_COMES, INSPIRED],
            "",
        )
        dead = np.where(why == "", halved, np.nan)
        at_zero = slope = np.full(len(start), np.nan)
        for _ in range(ROUNDS):
            low, high = 0.75 * dead + 0.25 * volume, 0.25 * dead + 0.75 * volume
            at_zero, slope, under = alveolar_lines(flow, co2, turn, end, offset, low, high, dt)
            dead = fowler_dead_space_l(under, high, at_zero, slope)
        why = np.where((why == "") & ~np.isfinite(dead), NO_PLATEAU, why)
        alveolar = mean_alveolar_pco2_mmhg(dead, volume, at_zero, slope)
        mixed = np.where(np.isin(why, (LEAKS, GAP, INSPIRED)), np.nan, area / volume)
        return {
            "etco2_mmhg": np.where(np.isin(why, (GAP, NONE_COMES)), np.nan, last),
            "mixed_expired_pco2_mmhg": mixed,
            "alveolar_pco2_mmhg": alveolar,
            "alveolar_slope_mmhg_l": slope,
            "airway_dead_space_ml": 1000.0 * dead,
            "bohr_dead_space_fraction": bohr_dead_space_fraction(alveolar, mixed),
            "co2_elimination_ml_min": 60.0 * co2_volume_ml(mixed * volume) / ((end - start) * dt),
            "inspired_pco2_mmhg": inspired,
            "why": pl.Series(why).replace("", None),
        }
