"""Leak and compliance of a closed breathing system under pressure.

A leak taken for laminar, ``V' = G·P``: near one pressure that is as good as any law; to carry a leak to another
pressure, :func:`leak_at_other_pressure` gives the span between a laminar and an orifice-like one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tidebench.errors import OptionError
from tidebench.formulas._domain import Samples, only_where, positive, within

SECONDS_PER_MINUTE = 60.0
ML_PER_L = 1000.0
LEAST_RISE_CMH2O = 5.0
"""A smaller rise of pressure tells too little of a compliance."""
LEAST_HOLD_S = 2.0
STILL = 0.05
"""Part of the highest flow below which none counts as flowing: a hold."""


@dataclass(frozen=True, slots=True)
class ClosedSystem:
    """What a recording of a filled and closed breathing system shows.

    Attributes
    ----------
    compliance_ml_cmh2o, conductance_ml_s_cmh2o : float
        How much it takes, and what it loses, for each cmH2O.
    volume_ml : float
        What flowed in.
    highest_cmh2o, last_cmh2o : float
        Highest pressure, and that of the last tenth of a second: what was left of it.
    error_ml : float
        Root mean square of what the two leave unexplained.
    """

    compliance_ml_cmh2o: float
    conductance_ml_s_cmh2o: float
    volume_ml: float
    highest_cmh2o: float
    last_cmh2o: float
    error_ml: float

    def leak_ml_min(self, pressure_cmh2o: float) -> float:
        """Leak [mL/min] at a pressure [cmH2O], laminar."""
        return SECONDS_PER_MINUTE * self.conductance_ml_s_cmh2o * pressure_cmh2o


def compliance_by_volume_ml_cmh2o(volume_ml: float, before_cmh2o: float, after_cmh2o: float) -> float:
    """``V/(P2 − P1)``: a known volume [mL] put into the closed system, and the pressures before and after [cmH2O].

    The volume as it was outside the system, at ambient pressure. What leaks while it goes in is counted as compliance.
    """
    rise = only_where(
        after_cmh2o > before_cmh2o, after_cmh2o - before_cmh2o, "after_cmh2o", "above the pressure before"
    )
    return positive("volume_ml", volume_ml, 10_000.0, unit="mL") / rise


def decay_time_constant_s(start_cmh2o: float, end_cmh2o: float, seconds: float) -> float:
    """Time constant of a falling pressure: ``t/ln(P0/P1)`` [s]. It alone tells neither leak nor compliance."""
    start = positive("start_cmh2o", start_cmh2o, unit="cmH2O")
    end = positive("end_cmh2o", end_cmh2o, unit="cmH2O")
    only_where(end < start, end, "end_cmh2o", "below the pressure at the start")
    return positive("seconds", seconds, unit="s") / float(np.log(start / end))


def leak_by_decay_ml_min(
    compliance_ml_cmh2o: float, start_cmh2o: float, end_cmh2o: float, seconds: float, at_cmh2o: float
) -> float:
    """Leak [mL/min] at a pressure, from how fast pressure falls in a system of known compliance: ``60·C·P/τ``.

    Compliance [mL/cmH2O] above zero, pressures [cmH2O], time [s]; no fall is no leak.
    """
    compliance = positive("compliance_ml_cmh2o", compliance_ml_cmh2o, 100.0, unit="mL/cmH2O")
    if start_cmh2o == end_cmh2o:
        return 0.0
    time_constant = decay_time_constant_s(start_cmh2o, end_cmh2o, seconds)
    return SECONDS_PER_MINUTE * compliance * positive("at_cmh2o", at_cmh2o, unit="cmH2O") / time_constant


def leak_at_other_pressure(leak_ml_min: float, measured_cmh2o: float, wanted_cmh2o: float) -> tuple[float, float]:
    """Least and most [mL/min] that a leak can be at another pressure [cmH2O].

    It grows with pressure where flow is laminar (long thin gaps) and with its square root through an orifice: real ones
    lie between.
    """
    leak = within("leak_ml_min", leak_ml_min, 0.0, unit="mL/min")
    ratio = positive("wanted_cmh2o", wanted_cmh2o, unit="cmH2O") / positive(
        "measured_cmh2o", measured_cmh2o, unit="cmH2O"
    )
    ends = sorted((leak * ratio**0.5, leak * ratio))
    return ends[0], ends[1]


def closed_system(pressure_cmh2o: Samples, flow_l_s: Samples, interval_s: float) -> ClosedSystem:
    """Compliance and leak of a system that is filled by a measured flow and then closed.

    Parameters
    ----------
    pressure_cmh2o, flow_l_s : ndarray, shape (n,)
        Pressure in the system, and flow into it, positive inwards. Without gaps.
    interval_s : float
        Between samples.

    Raises
    ------
    OptionError
        Nothing flowed in (a decay alone tells only the ratio of leak and compliance), pressure hardly rose, or there is
        no hold after the filling, so that leak and compliance can't be told apart.

    Notes
    -----
    ``∫V' dt = C·(P − P0) + G·∫P dt``, by least squares over all samples: what flowed in is in the system or has leaked.
    """
    pressure, flow = (np.asarray(values, dtype=np.float64) for values in (pressure_cmh2o, flow_l_s))
    volume = _integral(flow, interval_s) * ML_PER_L
    rise = pressure - pressure[0]
    if rise.max() < LEAST_RISE_CMH2O:
        raise OptionError(
            f"pressure rises by {rise.max():.1f} cmH2O", expected=f"at least {LEAST_RISE_CMH2O:g}, from a filling"
        )
    if volume.max() <= 0.0:
        raise OptionError(
            "no flow into the system is recorded, and a falling pressure alone tells only the ratio of leak and "
            "compliance",
            expected="flow recorded at the ventilator while the system fills, or a known volume",
        )
    still = len(flow) - 1 - int(np.flatnonzero(np.abs(flow) > STILL * np.abs(flow).max())[-1])
    if still * interval_s < LEAST_HOLD_S:
        raise OptionError(
            "leak and compliance can't be told apart", expected=f"a filling, then a hold of at least {LEAST_HOLD_S:g} s"
        )
    terms = np.column_stack([rise, _integral(pressure, interval_s)])
    (compliance, conductance), *_ = np.linalg.lstsq(terms, volume, rcond=None)
    left = volume - terms @ np.array([compliance, conductance])
    tail = max(1, round(0.1 / interval_s))
    return ClosedSystem(
        float(compliance),
        float(conductance),
        float(volume.max()),
        float(pressure.max()),
        float(pressure[-tail:].mean()),
        float(np.sqrt(np.mean(left**2))),
    )


def _integral(samples: Samples, interval_s: float) -> Samples:
    """Running integral by trapezoids, zero at the start."""
    steps = 0.5 * (samples[1:] + samples[:-1]) * interval_s
    return np.concatenate([[0.0], np.cumsum(steps)])
