"""The patient's effort: pressure over time, drive, and what an occlusion tells of it."""

from __future__ import annotations

import numpy as np

from tidebench.formulas._domain import Number, Samples, only_where, positive, refuse, within

OCCLUSION_TO_MUSCLE = -0.75
OCCLUSION_TO_LUNG = -2.0 / 3.0
"""Bertoni, Crit Care 2019;23:346, rounded from −0.74 and −0.66 (secondary source)."""

P01_TIME_S = 0.1


def pressure_time_product_cmh2o_s(muscle_pressure_cmh2o: Samples, interval_s: float) -> float:
    """Muscle pressure integrated over an effort: ``∫ Pmus dt`` [cmH2O·s], trapezoidal.

    Parameters
    ----------
    muscle_pressure_cmh2o : ndarray, shape (n,)
        [cmH2O], from the effort's onset to its end; at least two samples.
    interval_s : float
        Time from sample to sample [s], above zero.

    Returns
    -------
    float
        NaN where a sample is NaN. Times the rate it is the product per minute.

    Raises
    ------
    OptionError
        Fewer than two samples, or an interval not above zero.
    """
    interval = positive("interval_s", float(interval_s), unit="s")
    pressure = np.asarray(muscle_pressure_cmh2o, dtype=np.float64)
    if pressure.ndim != 1 or len(pressure) < 2:
        refuse("muscle_pressure_cmh2o", f"an array of shape {pressure.shape}", "shape (n,), n ≥ 2")
    return float(np.trapezoid(pressure, dx=interval))


def occlusion_pressure_p01_cmh2o(airway_pressure_cmh2o: Samples, interval_s: float) -> float:
    """P0.1: fall of airway pressure in the first 0.1 s of an effort against an occluded airway.

    Parameters
    ----------
    airway_pressure_cmh2o : ndarray, shape (n,)
        [cmH2O]; the first sample is the effort's onset. The airway must stay occluded for 0.1 s.
    interval_s : float
        Time from sample to sample [s], above zero.

    Returns
    -------
    float
        [cmH2O], positive; between samples a straight line is drawn. NaN where the samples it needs are NaN, or where
        the array ends before 0.1 s: the occlusion did not last.

    Notes
    -----
    Telias, Am J Respir Crit Care Med 2020;201:1086 (secondary source).
    """
    interval = positive("interval_s", float(interval_s), unit="s")
    pressure = np.asarray(airway_pressure_cmh2o, dtype=np.float64)
    if pressure.ndim != 1 or len(pressure) == 0:
        refuse("airway_pressure_cmh2o", f"an array of shape {pressure.shape}", "shape (n,), n ≥ 1")
    times = np.arange(len(pressure)) * interval
    return float(pressure[0] - np.interp(P01_TIME_S, times, pressure, right=np.nan))


def muscle_pressure_from_occlusion_cmh2o(swing_cmh2o: Number) -> Number:
    """Peak muscle pressure of the breaths around an occlusion: ``−0.75·ΔPocc`` [cmH2O].

    ``swing_cmh2o`` is the fall below PEEP during the occluded effort, zero or negative. Bertoni, Crit Care 2019;23:346
    (secondary source). An estimate: single patients differ widely from the factor.
    """
    return OCCLUSION_TO_MUSCLE * within("swing_cmh2o", swing_cmh2o, high=0.0, unit="cmH2O")


def transpulmonary_pressure_from_occlusion_cmh2o(
    peak_pressure_cmh2o: Number, peep_cmh2o: Number, swing_cmh2o: Number
) -> Number:
    """Swing of the pressure across the lung in an assisted breath: ``(Ppeak − PEEP) − ⅔·ΔPocc`` [cmH2O].

    ``swing_cmh2o`` is zero or negative, peak at least PEEP. Bertoni, Crit Care 2019;23:346 (factor 0.66, from memory).
    """
    peak = only_where(
        ~np.less(peak_pressure_cmh2o, peep_cmh2o), peak_pressure_cmh2o, "peak_pressure_cmh2o", "at least PEEP"
    )
    return peak - peep_cmh2o + OCCLUSION_TO_LUNG * within("swing_cmh2o", swing_cmh2o, high=0.0, unit="cmH2O")


def tension_time_index(
    mean_pressure_cmh2o: Number, max_pressure_cmh2o: Number, inspiratory_time_s: Number, cycle_s: Number
) -> Number:
    """How near inspiratory muscles are to tiring: ``(P/Pmax)·(TI/Ttot)``, without unit.

    Parameters
    ----------
    mean_pressure_cmh2o
        Mean muscle pressure in inspiration [cmH2O], at least zero.
    max_pressure_cmh2o
        The most that the muscles can give [cmH2O], written positive; above zero.
    inspiratory_time_s, cycle_s
        [s], above zero; inspiration at most the cycle.

    Notes
    -----
    Bellemare & Grassino, J Appl Physiol 1982;53:1190 (from memory): above 0.15 a diaphragm tires.
    """
    pressure = within("mean_pressure_cmh2o", mean_pressure_cmh2o, 0.0, unit="cmH2O")
    cycle = positive("cycle_s", cycle_s, unit="s")
    time = positive("inspiratory_time_s", inspiratory_time_s, unit="s")
    time = only_where(~np.greater(time, cycle), time, "inspiratory_time_s", "at most the cycle")
    return pressure / positive("max_pressure_cmh2o", max_pressure_cmh2o, unit="cmH2O") * time / cycle
