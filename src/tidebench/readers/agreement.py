"""Do signals fit what the case says? Volumes against weight and set tidal volume, pressure against the set levels."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.case import Case, Patient, Setting
from tidebench.errors import SignalError
from tidebench.formulas.weight import LOWEST_FITTED_HEIGHT_CM, predicted_body_weight_kg
from tidebench.quantities import QUANTITIES
from tidebench.readers.headers import Column, canonical_unit
from tidebench.readers.plausible import windows
from tidebench.recording import Recording
from tidebench.units import UNITS, Unit, factor

Samples = npt.NDArray[np.float64]
Range = tuple[float, float]

POSSIBLE_ML_KG, USUAL_ML_KG = (0.8, 40.0), (2.0, 20.0)
"""Breath upon breath: 40 mL/kg is more than half of a vital capacity, 0.8 a third of the anatomical dead space.
Normal and common volumes are far from either (common practice, no source)."""
POSSIBLE_OF_SET, USUAL_OF_SET = (1 / 5, 5.0), (1 / 3, 3.0)
"""Times the set tidal volume: two breaths may be stacked, half may leak; the units of flow lie 16.7 and more apart."""
MOST_ML = 6000.0
"""No one breathes a whole vital capacity breath upon breath."""
_TOLD_PEEP_CMH2O = 2.0  # below, a set PEEP tells nothing of the unit
_FLOWS, _PRESSURES = ("L/min", "mL/s", "L/s", "mL/min"), ("cmH2O", "kPa", "mmHg", "Pa")


@dataclass(frozen=True)
class _Yardstick:
    """What volumes [mL] are held against: its size, how a volume is said by it, and the ranges."""

    size_ml: Range
    said_in: str
    possible: Range
    usual: Range

    def of(self, ranges: Range) -> Range:
        return self.size_ml[0] * ranges[0], self.size_ml[1] * ranges[1]

    def says(self, volume_ml: float) -> str:
        return f"{volume_ml / self.size_ml[volume_ml > self.of(self.usual)[0]]:.3g} {self.said_in}"


def check_agreement(recording: Recording, columns: Mapping[str, Column], case: Case) -> tuple[str, ...]:
    """What is doubtful about flow and pressure by what the case says, a sentence each.

    Parameters
    ----------
    recording : Recording
        Signals as read.
    columns : mapping of str to Column
        Where they came from, and the units in which their numbers were taken.
    case : Case
        Weight, height and settings; what it does not say is not asked.

    Raises
    ------
    SignalError
        Only another unit explains the signals; the message says which.
    """
    doubts = (_flow_doubt(recording, columns["flow"], case), _pressure_doubt(recording, columns, case.settings))
    return tuple(doubt for doubt in doubts if doubt)


def check_anyone(recording: Recording, columns: Mapping[str, Column]) -> None:
    """Refuse volumes that no one can breathe.

    Raises
    ------
    SignalError
        More than 6 L in and out, breath upon breath.
    """
    volume = breath_volumes_ml(recording)[0]
    if volume > MOST_ML:
        raise SignalError(
            f"flow makes breaths of {volume / 1000:.3g} L, taken as {_unit('flow', columns['flow']).name}",
            where=_where(recording, columns["flow"]),
            expected=f"less than {MOST_ML / 1000:g} L",
            remedy="Say the unit in [recording.columns].",
        )


def breath_volumes_ml(recording: Recording) -> Range:
    """Tidal volume between changes of flow's sign, from below and from above [mL].

    Volumes in and volumes out, each weighted by itself so that noise about zero doesn't count: the smaller of the two
    medians, since a leak adds to one of them; and the larger of the two 90th percentiles.
    """
    inward, outward = [], []
    for piece in windows(len(recording), recording.rate_hz):
        flow = np.nan_to_num(recording["flow"][piece])
        starts = np.flatnonzero(np.diff(flow > 0)) + 1
        volumes = np.add.reduceat(flow, np.concatenate(([0], starts))) * (1000 / recording.rate_hz)
        inward.append(volumes[volumes > 0])
        outward.append(-volumes[volumes < 0])
    (in_mid, in_high), (out_mid, out_high) = _by_volume(np.concatenate(inward)), _by_volume(np.concatenate(outward))
    return min(in_mid, out_mid), max(in_high, out_high)


def _by_volume(volumes: Samples) -> Range:
    """Half of all volume, and nine tenths, go in excursions up to these; 0 where there are none."""
    if not len(volumes):
        return 0.0, 0.0
    ordered = np.sort(volumes)
    total = np.cumsum(ordered)
    mid, high = ordered[np.searchsorted(total, (0.5 * total[-1], 0.9 * total[-1]))]
    return float(mid), float(high)


def _yardsticks(case: Case) -> Iterator[_Yardstick]:
    weights, patient = _weights(case.patient), case.patient
    if weights:
        said = "mL/kg" if patient.weight_kg else "mL per kg of predicted body weight"
        yield _Yardstick((min(weights), max(weights)), said, POSSIBLE_ML_KG, USUAL_ML_KG)
    volumes = [setting.tidal_volume_ml for setting in case.settings]
    if (set_ml := [volume for volume in volumes if volume]) and len(set_ml) == len(volumes):
        size = min(set_ml), max(set_ml)
        yield _Yardstick(size, "times the set tidal volume", POSSIBLE_OF_SET, USUAL_OF_SET)


def _weights(patient: Patient) -> list[float]:
    """Actual and predicted body weight [kg], as far as they are known."""
    weights = [patient.weight_kg] if patient.weight_kg else []
    if patient.sex and patient.height_cm and patient.height_cm >= LOWEST_FITTED_HEIGHT_CM:
        weights.append(float(predicted_body_weight_kg(patient.height_cm, patient.sex)))
    return weights


def _flow_doubt(recording: Recording, column: Column, case: Case) -> str:
    yardsticks, volumes = list(_yardsticks(case)), breath_volumes_ml(recording)
    off = [(stick, volume) for stick in yardsticks if (volume := _outside(volumes, stick.of(stick.usual))) is not None]
    if not off or not volumes[1]:
        return ""
    read_as, (stick, volume) = _unit("flow", column), off[0]
    fits = [
        unit
        for unit in _others(_FLOWS, read_as)
        if all(_within(volume * factor(unit, read_as), other.of(other.usual)) for other in yardsticks)
    ]
    impossible = all(_outside(volumes, other.of(other.possible)) is not None for other in yardsticks)
    problem = f"flow makes breaths of {stick.says(volume)} ({volume:.3g} mL), taken as {read_as.name}"
    if impossible and fits:
        raise SignalError(
            problem,
            where=_where(recording, column),
            expected=f"{stick.usual[0]:.2g} to {stick.usual[1]:.2g} {stick.said_in}",
            remedy=f"{_fitting('flow', column, fits[0])} If not, check weight, height and settings in the case.",
        )
    return f"{problem}: are the unit of flow, and weight, height and settings in the case right?"


def _outside(volumes: Range, allowed: Range) -> float | None:
    """The volume that lies outside, seen from the cautious side; None where none does."""
    low, high = volumes
    if low > allowed[1]:
        return low
    return high if high < allowed[0] else None


def _within(value: float, allowed: Range) -> bool:
    return allowed[0] <= value <= allowed[1]


def _pressure_doubt(recording: Recording, columns: Mapping[str, Column], settings: Sequence[Setting]) -> str:
    """Airway pressure against the set PEEP; empty where it fits or where nothing, or hardly any PEEP, is set."""
    peeps = [setting.peep_cmh2o or 0.0 for setting in settings]
    if not peeps or min(peeps) < _TOLD_PEEP_CMH2O:
        return ""
    least, most, top = min(peeps), max(peeps), max(map(_top, settings))
    pieces = windows(len(recording), recording.rate_hz)
    some = np.concatenate([recording["airway_pressure"][piece] for piece in pieces])
    low, high = (float(value) for value in np.nanpercentile(some, (10, 95)))
    if not (low < 0.25 * least and high < least) and low <= max(4 * most + 10, 1.5 * top):
        return ""
    column = columns["airway_pressure"]
    read_as = _unit("airway_pressure", column)
    usual = (0.6 * least - 1, max(1.5 * most + 3, top))
    fits = [unit for unit in _others(_PRESSURES, read_as) if low > 0 and _within(low * factor(unit, read_as), usual)]
    problem = (
        f"airway pressure lies between {low:.3g} and {high:.3g} cmH2O most of the time, taken as {read_as.name}, "
        f"and the set PEEP is {least:g} cmH2O"
    )
    if fits:
        raise SignalError(
            problem,
            where=_where(recording, column),
            expected="pressure about the set PEEP",
            remedy=_fitting("airway_pressure", column, fits[0]),
        )
    return f"{problem}: are the unit, the zero of the sensor and the settings right?"


def _top(setting: Setting) -> float:
    """The highest pressure that is set [cmH2O]."""
    peep, above = setting.peep_cmh2o or 0.0, (setting.pressure_control_cmh2o, setting.pressure_support_cmh2o)
    absolute = (setting.inspiratory_pressure_cmh2o, setting.pressure_high_cmh2o)
    return max(peep, *(peep + (value or 0.0) for value in above), *(value or 0.0 for value in absolute))


def _unit(key: str, column: Column) -> Unit:
    return column.unit or canonical_unit(key)


def _others(names: Sequence[str], read_as: Unit) -> Iterator[Unit]:
    return (UNITS[name] for name in names if UNITS[name] != read_as)


def _where(recording: Recording, column: Column) -> str:
    return f"{recording.source}, column {column.header!r}"


def _fitting(key: str, column: Column, unit: Unit) -> str:
    label = QUANTITIES[key].label
    return f'{unit.name} would fit: say so in [recording.columns], "{column.header}" = "{label} [{unit.name}]".'
