"""Does a signal look like what it claims to be? Magnitudes, and the direction of flow, from the physics."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from tidebench.errors import SignalError
from tidebench.quantities import QUANTITIES, Quantity
from tidebench.readers.headers import Column, canonical_unit
from tidebench.units import UNITS, Unit, factor, parse_unit

Samples = npt.NDArray[np.float64]

USUAL: dict[str, tuple[float, float]] = {
    "airway_pressure": (3, 80),
    "oesophageal_pressure": (2, 60),
    "gastric_pressure": (3, 60),
    "tracheal_pressure": (3, 80),
    "flow": (1.2, 200),
    "volume": (2, 3000),
    "diaphragm_activity": (1, 150),
    "co2": (8, 120),
}
"""Where the 99th percentile of a channel's magnitude usually lies, preterm to adult, in the quantity's display unit."""
_LIKELY_UNITS = ("cmH2O", "kPa", "mmHg", "Pa", "L/min", "mL/s", "L/s", "mL/min", "mL", "L", "µV", "mV", "V", "%")

_WINDOW_S, _MOST_WINDOWS = 30.0, 40
_LAG_S = 0.1
_STEP_CMH2O = 2.0
_ENOUGH_STEPS = 20
_NOISE_CMH2O, _FRO, _ONE_WAY = 1.0, 0.1, 0.02


def check_magnitude(key: str, samples: Samples, column: Column, source: str) -> str:
    """A warning where a channel's magnitude is unusual; empty where it is not.

    The 99th percentile of the magnitude is judged, so that spikes don't count.

    Parameters
    ----------
    key : str
        Channel.
    samples : ndarray, shape (n,)
        Canonical unit; NaN in gaps.
    column : Column
        Where it came from, and the unit in which its numbers were taken.
    source : str
        File, for messages.

    Raises
    ------
    SignalError
        No number at all, or a magnitude beyond what the quantity's record calls plausible.
    """
    read_as, where = column.unit or canonical_unit(key), f"{source}, column {column.header!r}"
    record, some = QUANTITIES[key], samples[:: max(1, len(samples) // 100_000)]
    some = np.abs(some[np.isfinite(some)])
    if not len(some):
        raise SignalError(f"{record.label} holds no number", where=where, expected="numbers")
    size = float(np.percentile(some, 99)) * factor(canonical_unit(key), record.unit)
    if size > max(map(abs, record.plausible)):
        raise SignalError(
            f"{record.label} reaches {size:.4g} {record.unit}, taken as {read_as.name}",
            where=where,
            expected=f"{record.plausible[0]:g} to {record.plausible[1]:g} {record.unit}",
            remedy=_looks_like(record, size, read_as) or "Say the unit in [recording.columns].",
        )
    if key in ("airway_pressure", "flow") and size < USUAL[key][0]:
        return (
            f"{record.label} hardly exceeds {size:.3g} {record.unit}, taken as {read_as.name}. "
            + _looks_like(record, size, read_as)
        ).rstrip()
    return ""


def _looks_like(record: Quantity, size: float, read_as: Unit) -> str:
    """Which unit would make the magnitude usual."""
    if read_as.dimension != parse_unit(record.unit).dimension:
        return ""
    raw = size * factor(record.unit, read_as)
    for name in _LIKELY_UNITS:
        unit = UNITS[name]
        if unit.dimension == read_as.dimension and unit != read_as:
            low, high = USUAL[record.key]
            if low <= raw * factor(unit, record.unit) <= high:
                return f"Looks like {name} read as {read_as.name}: say the unit in [recording.columns]."
    return ""


def flow_is_turned(channels: Mapping[str, Samples], rate_hz: float) -> bool:
    """True where flow counts expiration positive.

    When a ventilator begins an inflation, pressure and flow at the airway opening rise together; when it ends one, they
    fall together, whatever the patient does. So over the steep changes of pressure (2 cmH2O or more within 0.1 s) the
    changes of pressure and flow correlate positively. Without such changes (quiet breathing on CPAP), and in every case
    of doubt, the sign is left as it is.
    """
    pressure, flow = _steep_changes(channels["airway_pressure"], channels["flow"], rate_hz)
    if len(pressure) < _ENOUGH_STEPS or not flow.any():
        return False
    return bool(pressure @ flow / np.sqrt((pressure @ pressure) * (flow @ flow)) < -0.3)


def volume_against_flow(channels: Mapping[str, Samples], rate_hz: float) -> float:
    """How fast a recorded volume moves, by its flow: 1 where they agree, negative where they run against each other.

    The median over the samples of strong flow, so that resets at each breath don't count; NaN where there are none.
    """
    pieces = windows(len(channels["flow"]), rate_hz)
    moved = np.concatenate([np.diff(channels["volume"][piece]) for piece in pieces])
    flow = np.concatenate([channels["flow"][piece][1:] for piece in pieces])
    both = np.isfinite(moved) & np.isfinite(flow)
    moved, flow = moved[both], flow[both]
    strong = np.abs(flow) > np.percentile(np.abs(flow), 75) if len(flow) else both[:0]
    return float(np.median(moved[strong] * rate_hz / flow[strong])) if strong.any() else float("nan")


def refuse_swapped(channels: Mapping[str, Samples], columns: Mapping[str, Column], rate_hz: float, source: str) -> None:
    """Refuse pressure and flow that are each other's: a "pressure" that goes to and fro, a "flow" that never goes back.

    Parameters
    ----------
    channels : mapping of str to ndarray, shape (n,)
        Canonical units; NaN in gaps.
    columns : mapping of str to Column
        Where they came from.
    rate_hz : float
        Samples per second.
    source : str
        File, for messages.

    Raises
    ------
    SignalError
        Pressure is negative by a tenth of what it is positive, and flow hardly ever is.
    """
    pieces = windows(len(channels["flow"]), rate_hz)
    pressure, flow = (np.concatenate([channels[key][piece] for piece in pieces]) for key in ("airway_pressure", "flow"))
    pressure, flow = pressure[np.isfinite(pressure)], flow[np.isfinite(flow)]
    to_and_fro = np.percentile(pressure, 1) < -_NOISE_CMH2O if len(pressure) else False
    if to_and_fro and _back(pressure) > _FRO and _back(flow) < _ONE_WAY:
        names = " and ".join(repr(columns[key].header) for key in ("airway_pressure", "flow"))
        raise SignalError(
            "pressure goes to and fro about zero as a flow does, and flow never goes back",
            where=f"{source}, columns {names}",
            expected="pressure and flow, each in its column",
            remedy="The two look swapped: name them in [recording.columns].",
        )


def _back(samples: Samples) -> float:
    """The negative part of a signal by its positive part."""
    forth = float(samples[samples > 0].sum())
    return float(-samples[samples < 0].sum()) / forth if forth else float("inf")


def windows(n: int, rate_hz: float) -> list[slice]:
    """Stretches of 30 s, evenly from the whole recording; all of it where it is short."""
    width = min(round(_WINDOW_S * rate_hz), n)
    starts = np.linspace(0, n - width, min(_MOST_WINDOWS, n // width)).astype(int)
    return [slice(start, start + width) for start in starts]


def _steep_changes(pressure: Samples, flow: Samples, rate_hz: float) -> tuple[Samples, Samples]:
    """Changes over 0.1 s of pressure [cmH2O] and flow, where pressure is steep."""
    lag = max(1, round(_LAG_S * rate_hz))
    pieces = windows(len(flow), rate_hz)
    rises = np.concatenate([pressure[piece][lag:] - pressure[piece][:-lag] for piece in pieces])
    surges = np.concatenate([flow[piece][lag:] - flow[piece][:-lag] for piece in pieces])
    steep = (np.abs(rises) >= _STEP_CMH2O) & np.isfinite(surges)
    return rises[steep], surges[steep]
