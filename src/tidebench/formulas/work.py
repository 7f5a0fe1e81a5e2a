"""Work: pressure integrated over volume, of the ventilator or of the muscles."""

from __future__ import annotations

import numpy as np

from tidebench.formulas._domain import Number, Samples, positive, refuse, within

J_PER_CMH2O_L = 0.0980665
"""1 cmH2O·L is 0.0980665 J, exactly."""

CUSTOMARY_J_PER_CMH2O_L = 0.098
"""The rounding that bedside formulas print, 0.07 % low."""


def pressure_volume_work_j(pressure_cmh2o: Samples, flow_l_s: Samples, interval_s: float) -> float:
    """Work of a pressure over a stretch of flow: ``∫ P·V' dt``, trapezoidal.

    Parameters
    ----------
    pressure_cmh2o, flow_l_s : ndarray, shape (n,)
        Pressure [cmH2O] and flow [L/s] at even times, at least two samples. Airway pressure gives the
        ventilator's work with PEEP's share; muscle pressure gives the patient's; a whole breath gives the area of its
        loop, which is what resistance takes.
    interval_s : float
        Time from sample to sample [s], above zero.

    Returns
    -------
    float
        [J]; NaN where a sample is NaN.

    Raises
    ------
    OptionError
        Arrays of different shape or with fewer than two samples; an interval not above zero.

    Notes
    -----
    Definition of work; as used for power in Gattinoni, Intensive Care Med 2016;42:1567.
    """
    interval = positive("interval_s", float(interval_s), unit="s")
    pressure, flow = np.asarray(pressure_cmh2o, dtype=np.float64), np.asarray(flow_l_s, dtype=np.float64)
    if pressure.ndim != 1 or pressure.shape != flow.shape or len(pressure) < 2:
        refuse(
            "pressure_cmh2o and flow_l_s", f"a pair of shapes {pressure.shape}, {flow.shape}", "one shape (n,), n ≥ 2"
        )
    return float(np.trapezoid(pressure * flow, dx=interval)) * J_PER_CMH2O_L


def work_per_litre_j_l(work_j: Number, volume_l: Number) -> Number:
    """Work [J] over the volume that it moved [L], which is above zero: [J/L]."""
    return work_j / positive("volume_l", volume_l, unit="L")


def work_rate_j_min(work_j: Number, rate_per_min: Number) -> Number:
    """Work of one breath [J] times the rate [/min], which is above zero: [J/min]."""
    return work_j * within("rate_per_min", rate_per_min, 0.0, unit="/min")
