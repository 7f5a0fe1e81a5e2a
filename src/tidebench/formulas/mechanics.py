"""Mechanics of one passive compartment: how it empties, what holds show, what the tubing takes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic

import numpy as np

from tidebench.formulas._domain import Number, only_where, positive, within


def _above(parameter: str, value: Number, floor: Number, expected: str, *, strictly: bool = True) -> Number:
    """The value where it lies above another (or equals it, where not strictly)."""
    below = np.less_equal(value, floor) if strictly else np.less(value, floor)
    return only_where(~below, value, parameter, expected)


def emptied_fraction(time_s: Number, time_constant_s: Number) -> Number:
    """Part of a volume gone after a time of passive emptying: ``1 − e^(−t/τ)``.

    Time [s] at least zero, time constant [s] above zero. 63.2 % after one time constant, 95.0 % after three.
    """
    time = within("time_s", time_s, 0.0, unit="s")
    fraction: Number = -np.expm1(-time / positive("time_constant_s", time_constant_s, unit="s"))
    return fraction


def time_to_empty_s(fraction: Number, time_constant_s: Number) -> Number:
    """Time of passive emptying until a part of the volume is gone: ``−τ·ln(1 − p)`` [s]; p from 0 to below 1."""
    part = within("fraction", fraction, 0.0, 1.0 - 1e-12)
    time: Number = -positive("time_constant_s", time_constant_s, unit="s") * np.log1p(-part)
    return time


def phase_times_s(rate_per_min: Number, ie_ratio: Number) -> tuple[Number, Number]:
    """Inspiratory and expiratory time [s] from rate [/min] and I:E as one number (1:2 is 0.5), both above zero."""
    cycle = 60.0 / positive("rate_per_min", rate_per_min, unit="/min")
    ratio = positive("ie_ratio", ie_ratio)
    return cycle * ratio / (1.0 + ratio), cycle / (1.0 + ratio)


def driving_pressure_cmh2o(plateau_pressure_cmh2o: Number, total_peep_cmh2o: Number) -> Number:
    """``Pplat − PEEP`` [cmH2O]: total PEEP for the driving pressure proper, set PEEP for what most trials computed.

    The plateau lies above PEEP. Amato, N Engl J Med 2015;372:747.
    """
    return _above("plateau_pressure_cmh2o", plateau_pressure_cmh2o, total_peep_cmh2o, "above PEEP") - total_peep_cmh2o


def static_compliance(volume: Number, plateau_pressure_cmh2o: Number, total_peep_cmh2o: Number) -> Number:
    """``VT/(Pplat − PEEPtot)``, in the volume's unit per cmH2O; volume above zero, plateau above total PEEP."""
    return positive("volume", volume) / driving_pressure_cmh2o(plateau_pressure_cmh2o, total_peep_cmh2o)


def dynamic_compliance(volume: Number, peak_pressure_cmh2o: Number, total_peep_cmh2o: Number) -> Number:
    """``VT/(Ppeak − PEEPtot)``, in the volume's unit per cmH2O. Resistance is in it; some subtract set PEEP."""
    peak = _above("peak_pressure_cmh2o", peak_pressure_cmh2o, total_peep_cmh2o, "above total PEEP")
    return positive("volume", volume) / (peak - total_peep_cmh2o)


@dataclass(frozen=True, slots=True)
class HoldResistances(Generic[Number]):
    """Resistances of an inspiratory hold [cmH2O·s/L]: ``maximal = minimal + additional``.

    ``minimal`` is tube and airways; ``additional`` what uneven filling and lung tissue add.
    """

    maximal: Number
    minimal: Number
    additional: Number


def hold_resistances(
    peak_pressure_cmh2o: Number,
    initial_pressure_cmh2o: Number,
    plateau_pressure_cmh2o: Number,
    flow_l_s: Number,
) -> HoldResistances[Number]:
    """Resistances from an occlusion at the end of a constant flow.

    Parameters
    ----------
    peak_pressure_cmh2o, initial_pressure_cmh2o, plateau_pressure_cmh2o
        Before, right after and long after flow stops [cmH2O]; peak ≥ initial ≥ plateau.
    flow_l_s
        Flow before it stopped [L/s], above zero.

    Notes
    -----
    ``(Ppeak − Pplat)/V'``, ``(Ppeak − P1)/V'``, ``(P1 − Pplat)/V'``: Bates, J Appl Physiol 1985;58:1840 (from memory).
    """
    flow = positive("flow_l_s", flow_l_s, unit="L/s")
    initial = _above(
        "initial_pressure_cmh2o", initial_pressure_cmh2o, plateau_pressure_cmh2o, "at least the plateau", strictly=False
    )
    peak = _above(
        "peak_pressure_cmh2o", peak_pressure_cmh2o, initial, "at least the pressure after flow stops", strictly=False
    )
    return HoldResistances(
        (peak - plateau_pressure_cmh2o) / flow, (peak - initial) / flow, (initial - plateau_pressure_cmh2o) / flow
    )


def circuit_corrected_volume_ml(
    volume_ml: Number, circuit_compliance_ml_cmh2o: Number, peak_pressure_cmh2o: Number, peep_cmh2o: Number
) -> Number:
    """Volume that reaches the patient when the tubing takes its part: ``VT − Ct·(Ppeak − PEEP)`` [mL].

    Circuit compliance [mL/cmH2O] at least zero, peak at least PEEP; zero where the tubing takes it all. The pressure is
    that at the end of the inflation, so the plateau where there was a pause. Common practice, no source.
    """
    taken = within("circuit_compliance_ml_cmh2o", circuit_compliance_ml_cmh2o, 0.0, unit="mL/cmH2O")
    peak = _above("peak_pressure_cmh2o", peak_pressure_cmh2o, peep_cmh2o, "at least PEEP", strictly=False)
    left: Number = np.maximum(within("volume_ml", volume_ml, 0.0, unit="mL") - taken * (peak - peep_cmh2o), 0.0)
    return left
