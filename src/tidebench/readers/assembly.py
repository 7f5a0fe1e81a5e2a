"""From columns of a file to a Recording: units, clock, gaps, sign, plausible magnitudes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.errors import SignalError
from tidebench.interval import Interval
from tidebench.readers.clock import BRIDGED_S, Sampled, on_grid
from tidebench.readers.headers import TIME, canonical_unit
from tidebench.readers.table import Table
from tidebench.recording import Recording
from tidebench.units import factor

Samples = npt.NDArray[np.float64]
REQUIRED = ("airway_pressure", "flow")


def assemble(table: Table) -> Recording:
    """A recording from a table: canonical units, one even clock, gaps marked."""
    values = {key: _canonical(table, key) for key in table.columns}
    time_s = values.pop(TIME)
    sampled = on_grid(time_s, values, table.source)
    sampled.channels = {name: _bridge(samples, sampled, name) for name, samples in sampled.channels.items()}
    gaps = _gaps(sampled)
    return Recording(
        sampled.rate_hz,
        sampled.channels,
        gaps,
        steps=tuple(sampled.steps),
        warnings=(*table.warnings, *sampled.warnings),
        source=table.source,
    )


def _canonical(table: Table, key: str) -> Samples:
    unit = table.columns[key].unit
    if unit is None:
        raise SignalError("the time column has no unit", where=table.source)
    samples = table.frame[key].to_numpy(writable=True)
    scale = factor(unit, canonical_unit(key))
    if scale != 1.0:
        samples *= scale
    return samples


def _runs(mask: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False]))))
    return edges[::2], edges[1::2]


def _bridge(samples: Samples, sampled: Sampled, name: str) -> Samples:
    missing = ~np.isfinite(samples)
    if not missing.any():
        return samples
    samples[missing] = np.nan
    starts, ends = _runs(missing)
    short = (ends - starts <= BRIDGED_S * sampled.rate_hz + 1e-9) & (starts > 0) & (ends < len(samples))
    if short.any():
        holes = np.concatenate([np.arange(a, b) for a, b in zip(starts[short], ends[short], strict=True)])
        known = np.flatnonzero(~missing)
        samples[holes] = np.interp(holes, known, samples[known])
        sampled.steps.append(f"{name}: {len(holes)} single missing samples interpolated")
    return samples


def _gaps(sampled: Sampled) -> tuple[Interval, ...]:
    missing = np.isnan(sampled.channels["airway_pressure"]) | np.isnan(sampled.channels["flow"])
    for samples in sampled.channels.values():
        samples[missing] = np.nan
    starts, ends = _runs(missing)
    rate = sampled.rate_hz
    return tuple(Interval(float(a / rate), float(b / rate)) for a, b in zip(starts, ends, strict=True))
