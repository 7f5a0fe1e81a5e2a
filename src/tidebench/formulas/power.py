"""Mechanical power from bedside numbers: what a ventilator puts into a passive patient per minute.

Each function is one published formula, by its author. All take pressures in cmH2O, PEEP included unless said otherwise,
volumes in L, the rate per minute, and give J/min; ``j_per_cmh2o_l`` is 0.0980665 unless the customary 0.098 is asked
for. What holds for all: passive patients only; volumes and rates are at least zero; PEEP is at least −5, since a sensor
has an offset; a number outside is refused, an array element outside becomes NaN.
"""

from __future__ import annotations

from typing import Generic, NamedTuple, cast

import numpy as np

from tidebench.formulas._domain import Number, only_where, positive, within
from tidebench.formulas.work import J_PER_CMH2O_L

_LOWEST_PEEP = -5.0
_SMALL_RISE = 1e-3  # of a time constant: below, the series of the rise's term is exact to 1e-7


class PowerParts(NamedTuple, Generic[Number]):
    """The three parts of the power of constant flow [J/min]."""

    static_elastic: Number
    dynamic_elastic: Number
    resistive: Number

    @property
    def total(self) -> Number:
        """Their sum [J/min]."""
        return self.static_elastic + self.dynamic_elastic + self.resistive


def gattinoni(
    *,
    rate_per_min: Number,
    volume_l: Number,
    elastance_cmh2o_l: Number,
    resistance_cmh2o_s_l: Number,
    ie_ratio: Number,
    peep_cmh2o: Number,
    j_per_cmh2o_l: float = J_PER_CMH2O_L,
) -> PowerParts[Number]:
    """Power under constant flow, from mechanics and timing.

    Parameters
    ----------
    rate_per_min, volume_l
        [/min], [L], at least zero.
    elastance_cmh2o_l, resistance_cmh2o_s_l
        [cmH2O/L], [cmH2O·s/L], at least zero.
    ie_ratio
        Inspiratory over expiratory time, above zero: 1:2 is 0.5.
    peep_cmh2o
        Total PEEP [cmH2O].

    Returns
    -------
    PowerParts
        ``RR·VT·PEEP``, ``RR·VT²·E/2`` and ``RR·VT²·RR·(1+I:E)/(60·I:E)·R``, in J/min; ``total`` is the power.

    Notes
    -----
    Gattinoni, Intensive Care Med 2016;42:1567, the extended equation.
    """
    rate = within("rate_per_min", rate_per_min, 0.0, unit="/min")
    volume = within("volume_l", volume_l, 0.0, unit="L")
    elastance = within("elastance_cmh2o_l", elastance_cmh2o_l, 0.0, unit="cmH2O/L")
    resistance = within("resistance_cmh2o_s_l", resistance_cmh2o_s_l, 0.0, unit="cmH2O·s/L")
    ratio = positive("ie_ratio", ie_ratio)
    peep = within("peep_cmh2o", peep_cmh2o, _LOWEST_PEEP, unit="cmH2O")
    per_minute = j_per_cmh2o_l * rate
    return PowerParts(
        per_minute * volume * peep,
        per_minute * volume**2 * elastance / 2.0,
        per_minute * volume**2 * rate * (1.0 + ratio) / (60.0 * ratio) * resistance,
    )


def gattinoni_from_pressures(
    *,
    rate_per_min: Number,
    volume_l: Number,
    peak_pressure_cmh2o: Number,
    plateau_pressure_cmh2o: Number,
    peep_cmh2o: Number,
    j_per_cmh2o_l: float = J_PER_CMH2O_L,
) -> Number:
    """Power under constant flow, from pressures: ``RR·VT·(Ppeak − (Pplat − PEEP)/2)`` [J/min].

    Peak ≥ plateau ≥ PEEP, else refused (an array element becomes NaN). Gattinoni, Intensive Care Med 2016;42:1567,
    supplement. Equal to :func:`gattinoni` where resistance and elastance are those of the same breath.
    """
    rate = within("rate_per_min", rate_per_min, 0.0, unit="/min")
    volume = within("volume_l", volume_l, 0.0, unit="L")
    peep = within("peep_cmh2o", peep_cmh2o, _LOWEST_PEEP, unit="cmH2O")
    plateau = only_where(
        ~np.less(plateau_pressure_cmh2o, peep), plateau_pressure_cmh2o, "plateau_pressure_cmh2o", "at least PEEP"
    )
    peak = only_where(
        ~np.less(peak_pressure_cmh2o, plateau), peak_pressure_cmh2o, "peak_pressure_cmh2o", "at least the plateau"
    )
    return j_per_cmh2o_l * rate * volume * (peak - (plateau - peep) / 2.0)


def giosa(
    *,
    minute_volume_l_min: Number,
    peak_pressure_cmh2o: Number,
    peep_cmh2o: Number,
    inspiratory_flow_l_min: Number,
) -> Number:
    """Power under constant flow without a hold: ``VE·(Ppeak + PEEP + F/6)/20`` [J/min].

    A surrogate that takes resistance to be 10 cmH2O·s/L and 0.1 J/(cmH2O·L); minute volume and flow [L/min] at least
    zero. Giosa, Intensive Care Med Exp 2019;7:61, bias from −0.53 to +0.35 J/min.
    """
    minute_volume = within("minute_volume_l_min", minute_volume_l_min, 0.0, unit="L/min")
    flow = within("inspiratory_flow_l_min", inspiratory_flow_l_min, 0.0, unit="L/min")
    peep = within("peep_cmh2o", peep_cmh2o, _LOWEST_PEEP, unit="cmH2O")
    peak = only_where(~np.less(peak_pressure_cmh2o, peep), peak_pressure_cmh2o, "peak_pressure_cmh2o", "at least PEEP")
    return minute_volume * (peak + peep + flow / 6.0) / 20.0


def becher(
    *,
    rate_per_min: Number,
    volume_l: Number,
    inspiratory_pressure_cmh2o: Number,
    peep_cmh2o: Number,
    j_per_cmh2o_l: float = J_PER_CMH2O_L,
) -> Number:
    """Power under pressure control, as if pressure rose at once: ``RR·VT·(ΔPinsp + PEEP)`` [J/min].

    ``inspiratory_pressure_cmh2o`` is above PEEP, at least zero. Exact for a square pressure, too high where pressure
    takes time to rise. Becher, Intensive Care Med 2019;45:1321, simple form.
    """
    rate = within("rate_per_min", rate_per_min, 0.0, unit="/min")
    volume = within("volume_l", volume_l, 0.0, unit="L")
    pressure = within("inspiratory_pressure_cmh2o", inspiratory_pressure_cmh2o, 0.0, unit="cmH2O")
    peep = within("peep_cmh2o", peep_cmh2o, _LOWEST_PEEP, unit="cmH2O")
    return j_per_cmh2o_l * rate * volume * (pressure + peep)


def becher_slope(
    *,
    rate_per_min: Number,
    volume_l: Number,
    inspiratory_pressure_cmh2o: Number,
    peep_cmh2o: Number,
    compliance_l_cmh2o: Number,
    resistance_cmh2o_s_l: Number,
    rise_s: Number,
    j_per_cmh2o_l: float = J_PER_CMH2O_L,
) -> Number:
    """Power under pressure control whose pressure rises in a ramp.

    ``RR·[(ΔP+PEEP)·VT − ΔP²·C·(½ − τ/Ts + (τ/Ts)²·(1 − e^(−Ts/τ)))]`` [J/min], τ = R·C. ``inspiratory_pressure_cmh2o``
    is above PEEP; compliance [L/cmH2O] and resistance [cmH2O·s/L] are above zero; ``rise_s`` [s] is at least zero, and
    the simple form at zero. Becher, Intensive Care Med 2019;45:1321, comprehensive form.
    """
    compliance = positive("compliance_l_cmh2o", compliance_l_cmh2o, unit="L/cmH2O")
    resistance = positive("resistance_cmh2o_s_l", resistance_cmh2o_s_l, unit="cmH2O·s/L")
    rise = within("rise_s", rise_s, 0.0, unit="s")
    simple = becher(
        rate_per_min=rate_per_min,
        volume_l=volume_l,
        inspiratory_pressure_cmh2o=inspiratory_pressure_cmh2o,
        peep_cmh2o=peep_cmh2o,
        j_per_cmh2o_l=j_per_cmh2o_l,
    )
    saved = inspiratory_pressure_cmh2o**2 * compliance * _rise_term(rise / (resistance * compliance))
    return simple - j_per_cmh2o_l * rate_per_min * saved


def _rise_term(rise: Number) -> Number:
    """``½ − 1/u + (1 − e^−u)/u²``, u the rise in time constants; ``u/6 − u²/24`` where the first would cancel."""
    safe = np.maximum(rise, _SMALL_RISE)
    exact = 0.5 - 1.0 / safe - np.expm1(-safe) / safe**2
    return cast(Number, np.where(np.less(rise, _SMALL_RISE), rise / 6.0 - rise**2 / 24.0, exact)[()])


def van_der_meijden(
    *,
    rate_per_min: Number,
    volume_l: Number,
    inspiratory_pressure_cmh2o: Number,
    peep_cmh2o: Number,
    compliance_l_cmh2o: Number,
    resistance_cmh2o_s_l: Number,
    inspiratory_time_s: Number,
    j_per_cmh2o_l: float = J_PER_CMH2O_L,
) -> Number:
    """Power under pressure control: ``RR·VT·[PEEP + ΔP·(1 − e^(−TI/RC))]`` [J/min].

    ``inspiratory_pressure_cmh2o`` is above PEEP; compliance, resistance and inspiratory time are above zero. It counts
    the pressure reached in the lung, and so lies below the area under the airway's curve. van der Meijden, Intensive
    Care Med 2019;45:1495 (from memory).
    """
    compliance = positive("compliance_l_cmh2o", compliance_l_cmh2o, unit="L/cmH2O")
    resistance = positive("resistance_cmh2o_s_l", resistance_cmh2o_s_l, unit="cmH2O·s/L")
    time = positive("inspiratory_time_s", inspiratory_time_s, unit="s")
    reached: Number = inspiratory_pressure_cmh2o * -np.expm1(-time / (resistance * compliance))
    return becher(
        rate_per_min=rate_per_min,
        volume_l=volume_l,
        inspiratory_pressure_cmh2o=reached,
        peep_cmh2o=peep_cmh2o,
        j_per_cmh2o_l=j_per_cmh2o_l,
    )
