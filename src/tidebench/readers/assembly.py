"""From the columns of a file to a Recording: units, clock, gaps, magnitudes, the direction of flow."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.formulas.gas_conditions import BODY_TEMPERATURE_C, water_vapour_pressure_mmhg
from tidebench.interval import Interval
from tidebench.quantities import QUANTITIES
from tidebench.readers.clock import BRIDGED_S, Sampled, on_grid
from tidebench.readers.headers import TIME, canonical_unit
from tidebench.readers.movement import MOVING, refuse_still, still_stretches
from tidebench.readers.plausible import check_magnitude, flow_is_turned, refuse_swapped, volume_against_flow
from tidebench.readers.table import Table
from tidebench.recording import Recording
from tidebench.units import factor

Samples = npt.NDArray[np.float64]

_LATEST_S = 1e11  # no clock shows more, whatever it counts from
_BEYOND = 10.0  # times what its record calls plausible, a value is no measurement
_OUTLIERS = 0.01  # the share of such values from which on the unit is at fault


def assemble(table: Table, barometric_pressure_mmhg: float = 760.0) -> Recording:
    """A recording from the columns of a file.

    Canonical units, one even clock from 0 s, gaps marked, inspiration positive. The barometric pressure serves a CO2
    channel in per cent only.

    Raises
    ------
    SignalError
        A clock or a magnitude that can't be, a channel that never moves, pressure and flow swapped.
    """
    values, steps = _canonical(table, barometric_pressure_mmhg)
    time_s, start = _seconds(table)
    warnings = [*table.warnings]
    for key in values:
        values[key] = _checked(table, key, values[key], warnings)
    sampled = on_grid(time_s, values, table.source)
    if start is None and sampled.offset_s:
        steps.append(f"clock re-zeroed: 0 s is {sampled.offset_s:.6g} s of the time column")
    for key in MOVING:
        refuse_still(key, sampled.channels[key], table.columns[key], table.source)
    gaps = mark_gaps(sampled)
    refuse_swapped(sampled.channels, table.columns, sampled.rate_hz, table.source)
    _turn(sampled)
    still = (still_stretches(key, sampled.channels[key], sampled.rate_hz) for key in MOVING)
    sampled.warnings.extend(text for text in still if text)
    return Recording(
        sampled.rate_hz,
        sampled.channels,
        gaps,
        start,
        steps=(*steps, *sampled.steps),
        warnings=(*warnings, *sampled.warnings),
        source=table.source,
    )


def _canonical(table: Table, barometric_pressure_mmhg: float) -> tuple[dict[str, Samples], list[str]]:
    """Every channel in its canonical unit, and the conversions."""
    scales, steps = {}, []
    for key, column in table.columns.items():
        if key == TIME or column.unit is None:
            continue
        have, want = column.unit, canonical_unit(key)
        if have.dimension == "fraction":
            dry = barometric_pressure_mmhg - water_vapour_pressure_mmhg(BODY_TEMPERATURE_C)
            scales[key] = float(have.size) * dry
            steps.append(f"{key}: {have.name} to {want.name}, of {dry:.0f} mmHg (barometric less water vapour)")
        else:
            scales[key] = factor(have, want)
            steps.extend([f"{key}: {have.name} to {want.name}"] if have != want else [])
    scaled = table.frame.select(pl.col(key) * scale if scale != 1.0 else pl.col(key) for key, scale in scales.items())
    return {series.name: series.to_numpy() for series in scaled.rechunk()}, steps


def _seconds(table: Table) -> tuple[pl.Series, datetime | None]:
    """Time of each row [s], and the wall clock of the first where the file tells."""
    time, unit = table.frame[TIME], table.columns[TIME].unit
    if unit is None:
        start = time.drop_nulls().head(1).item() if time.null_count() < len(time) else None
        return (time - start).dt.total_nanoseconds() / 1e9, start
    scale = factor(unit, "s")
    time = time if scale == 1.0 else time * scale
    possible = time.is_between(-_LATEST_S, _LATEST_S).fill_null(True)
    return (time if possible.all() else time.set(~possible, None)), None


def _checked(table: Table, key: str, samples: Samples, warnings: list[str]) -> Samples:
    """A channel whose magnitude may be, values that no patient and no gauge can produce made missing ones."""
    most = _BEYOND * max(map(abs, QUANTITIES[key].plausible)) * factor(QUANTITIES[key].unit, canonical_unit(key))
    if len(samples) and not (samples.min() >= -most and samples.max() <= most):
        if empty := np.count_nonzero(np.isnan(samples)):
            warnings.append(f"{QUANTITIES[key].label}: cells without a number: {empty} of {len(samples)}")
        impossible = np.abs(samples) > most
        if impossible.mean() >= _OUTLIERS:  # the unit is at fault, and said to be
            impossible = np.isinf(samples)
        if count := np.count_nonzero(impossible):
            samples = np.where(impossible, np.nan, samples)
            warnings.append(f"{QUANTITIES[key].label}: impossible values, taken as missing: {count}")
    warning = check_magnitude(key, samples, table.columns[key], table.source)
    if warning:
        warnings.append(warning)
    return samples


def mark_gaps(sampled: Sampled) -> tuple[Interval, ...]:
    """Short holes interpolated, gaps found: all channels become NaN where pressure or flow are missing."""
    channels = sampled.channels
    holed = [name for name, samples in channels.items() if not _all_finite(samples)]
    for name in holed:
        channels[name] = _bridged(name, sampled)
    if all(_all_finite(channels[name]) for name in ("airway_pressure", "flow") if name in holed):
        return ()
    missing = np.isnan(channels["airway_pressure"]) | np.isnan(channels["flow"])
    for name, samples in channels.items():
        channels[name] = np.where(missing, np.nan, samples)
    starts, ends = _runs(missing)
    rate = sampled.rate_hz
    return tuple(Interval(float(a / rate), float(b / rate)) for a, b in zip(starts, ends, strict=True))


def _all_finite(samples: Samples) -> bool:
    """True where no sample is NaN or infinite: one pass, no copy, since a sum hides neither."""
    with np.errstate(invalid="ignore", over="ignore"):
        return bool(np.isfinite(samples.sum()))


def _runs(mask: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False]))))
    return edges[::2], edges[1::2]


def _bridged(name: str, sampled: Sampled) -> Samples:
    """A channel with linear interpolation over holes of 0.05 s at the most."""
    samples = sampled.channels[name].copy()
    starts, ends = _runs(np.isnan(samples))
    short = (ends - starts <= BRIDGED_S * sampled.rate_hz + 1e-9) & (starts > 0) & (ends < len(samples))
    starts, ends = starts[short], ends[short]
    for start, end in zip(starts, ends, strict=True):
        samples[start:end] = np.interp(np.arange(start, end), (start - 1, end), (samples[start - 1], samples[end]))
    if len(starts):
        sampled.steps.append(
            f"{name}: missing samples interpolated: {(ends - starts).sum()}, in stretches: {len(starts)}"
        )
    return samples


def _turn(sampled: Sampled) -> None:
    """Flow made positive towards the patient, and a recorded volume with it."""
    if flow_is_turned(sampled.channels, sampled.rate_hz):
        _negate("flow", sampled)
        sampled.warnings.append("flow was recorded with expiration positive: told from pressure, and turned")
    if "volume" not in sampled.channels:
        return
    ratio = volume_against_flow(sampled.channels, sampled.rate_hz)
    if ratio < 0:
        _negate("volume", sampled)
    if not 0.5 < abs(ratio) < 2 and np.isfinite(ratio):
        sampled.warnings.append(
            f"volume moves {abs(ratio):.3g} times as fast as flow says: one of the two units may be wrong"
        )


def _negate(name: str, sampled: Sampled) -> None:
    sampled.channels[name] = -sampled.channels[name]
    sampled.steps.append(f"{name}: sign turned, inspiration is positive")
