"""Steady ventilation of one passive compartment, in closed form.

``Paw(t) = R·V'(t) + V(t)/C + PEEP`` (passive), with resistances of its own for inspiration and expiration, against an
ideal PEEP valve. Pressures in cmH2O, volumes in L, flows in L/s, compliance in L/cmH2O, resistance in cmH2O·s/L, times
in s.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic

import numpy as np

from tidebench.formulas._domain import Number, positive, within


@dataclass(frozen=True, slots=True)
class SteadyState(Generic[Number]):
    """A passive compartment once every breath is like the last.

    Attributes
    ----------
    volume_l : Number
        Tidal volume [L].
    intrinsic_peep_cmh2o : Number
        Recoil at the end of expiration above PEEP [cmH2O].
    peak_pressure_cmh2o : Number
        Highest airway pressure [cmH2O].
    plateau_pressure_cmh2o : Number
        Recoil at the end of inflation [cmH2O].
    mean_pressure_cmh2o, mean_alveolar_pressure_cmh2o : Number
        Means over the breath, of the airway and of the lung [cmH2O].
    start_flow_l_s, end_inspiratory_flow_l_s : Number
        Flow at the start and the end of inflation, before any pause [L/s].
    peak_expiratory_flow_l_s, end_expiratory_flow_l_s : Number
        Flows out of the patient, written positive [L/s].
    """

    volume_l: Number
    intrinsic_peep_cmh2o: Number
    peak_pressure_cmh2o: Number
    plateau_pressure_cmh2o: Number
    mean_pressure_cmh2o: Number
    mean_alveolar_pressure_cmh2o: Number
    start_flow_l_s: Number
    end_inspiratory_flow_l_s: Number
    peak_expiratory_flow_l_s: Number
    end_expiratory_flow_l_s: Number


def volume_control_steady_state(
    *,
    compliance_l_cmh2o: Number,
    inspiratory_resistance_cmh2o_s_l: Number,
    expiratory_resistance_cmh2o_s_l: Number,
    volume_l: Number,
    inspiratory_time_s: Number,
    pause_s: Number,
    expiratory_time_s: Number,
    peep_cmh2o: Number,
) -> SteadyState[Number]:
    """Steady state of constant flow with an optional pause, against an ideal PEEP valve.

    Parameters
    ----------
    compliance_l_cmh2o, inspiratory_resistance_cmh2o_s_l, expiratory_resistance_cmh2o_s_l, volume_l
        Of the patient, and the volume of each breath; above zero.
    inspiratory_time_s, expiratory_time_s
        Time of flow, and of expiration [s]; above zero.
    pause_s
        Pause after the flow [s], at least zero.
    peep_cmh2o
        Set PEEP [cmH2O], finite.

    Notes
    -----
    Expiration empties ``V0 + VT`` by ``k = e^(−TE/(RE·C))`` to ``V0 = VT·k/(1 − k)``; every other number follows from
    the equation of motion (computed).
    """
    compliance = positive("compliance_l_cmh2o", compliance_l_cmh2o, unit="L/cmH2O")
    inspiratory, expiratory = _resistances(inspiratory_resistance_cmh2o_s_l, expiratory_resistance_cmh2o_s_l)
    volume = positive("volume_l", volume_l, unit="L")
    time_in = positive("inspiratory_time_s", inspiratory_time_s, unit="s")
    pause = within("pause_s", pause_s, 0.0, unit="s")
    time_out = positive("expiratory_time_s", expiratory_time_s, unit="s")
    peep = within("peep_cmh2o", peep_cmh2o, unit="cmH2O")

    flow = volume / time_in
    cycle = time_in + pause + time_out
    constants = time_out / (expiratory * compliance)
    trapped: Number = -volume * np.exp(-constants) / np.expm1(-constants)
    intrinsic = trapped / compliance
    plateau = peep + (trapped + volume) / compliance
    inflating = peep + inspiratory * flow + (trapped + volume / 2.0) / compliance
    mean = (time_in * inflating + pause * plateau + time_out * peep) / cycle
    return SteadyState(
        volume_l=volume,
        intrinsic_peep_cmh2o=intrinsic,
        peak_pressure_cmh2o=plateau + inspiratory * flow,
        plateau_pressure_cmh2o=plateau,
        mean_pressure_cmh2o=mean,
        mean_alveolar_pressure_cmh2o=mean + (expiratory - inspiratory) * volume / cycle,
        start_flow_l_s=flow,
        end_inspiratory_flow_l_s=flow,
        peak_expiratory_flow_l_s=(plateau - peep) / expiratory,
        end_expiratory_flow_l_s=intrinsic / expiratory,
    )


def pressure_control_steady_state(
    *,
    compliance_l_cmh2o: Number,
    inspiratory_resistance_cmh2o_s_l: Number,
    expiratory_resistance_cmh2o_s_l: Number,
    inspiratory_pressure_cmh2o: Number,
    inspiratory_time_s: Number,
    expiratory_time_s: Number,
    peep_cmh2o: Number,
) -> SteadyState[Number]:
    """Steady state of a square pressure.

    Parameters
    ----------
    inspiratory_pressure_cmh2o
        Above PEEP [cmH2O], above zero.
    others
        As in :func:`volume_control_steady_state`.

    Notes
    -----
    With ``ki = e^(−TI/(RI·C))`` and ``ke = e^(−TE/(RE·C))``: recoil above PEEP ``p1 = ΔP(1 − ki)/(1 − ki·ke)`` at the
    end of inflation and ``p1·ke`` at its start; ``VT = C·p1·(1 − ke)``. Marini, J Appl Physiol 1989;67:1081 and Burke,
    J Appl Physiol 1993;74:922 (model; algebra computed).
    """
    compliance = positive("compliance_l_cmh2o", compliance_l_cmh2o, unit="L/cmH2O")
    inspiratory, expiratory = _resistances(inspiratory_resistance_cmh2o_s_l, expiratory_resistance_cmh2o_s_l)
    pressure = positive("inspiratory_pressure_cmh2o", inspiratory_pressure_cmh2o, unit="cmH2O")
    time_in = positive("inspiratory_time_s", inspiratory_time_s, unit="s")
    time_out = positive("expiratory_time_s", expiratory_time_s, unit="s")
    peep = within("peep_cmh2o", peep_cmh2o, unit="cmH2O")

    cycle = time_in + time_out
    in_constants, out_constants = time_in / (inspiratory * compliance), time_out / (expiratory * compliance)
    recoil: Number = pressure * np.expm1(-in_constants) / np.expm1(-in_constants - out_constants)
    intrinsic: Number = recoil * np.exp(-out_constants)
    volume = compliance * (recoil - intrinsic)
    mean = peep + pressure * time_in / cycle
    return SteadyState(
        volume_l=volume,
        intrinsic_peep_cmh2o=intrinsic,
        peak_pressure_cmh2o=peep + pressure,
        plateau_pressure_cmh2o=peep + recoil,
        mean_pressure_cmh2o=mean,
        mean_alveolar_pressure_cmh2o=mean + (expiratory - inspiratory) * volume / cycle,
        start_flow_l_s=(pressure - intrinsic) / inspiratory,
        end_inspiratory_flow_l_s=(pressure - recoil) / inspiratory,
        peak_expiratory_flow_l_s=recoil / expiratory,
        end_expiratory_flow_l_s=intrinsic / expiratory,
    )


def minute_volume_ceiling_l_min(
    *,
    inspiratory_pressure_cmh2o: Number,
    inspiratory_resistance_cmh2o_s_l: Number,
    expiratory_resistance_cmh2o_s_l: Number,
    duty: Number,
) -> Number:
    """Minute volume that pressure control nears as the rate rises without end: ``60·ΔP·D(1−D)/(D·RE + (1−D)·RI)``.

    ``duty`` is the inspiratory part of the cycle, 0 to 1; pressure (above PEEP) and resistances are above zero; the
    result is in L/min. Marini, J Appl Physiol 1989;67:1081 (model; algebra computed).
    """
    part = within("duty", duty, 0.0, 1.0)
    pressure = positive("inspiratory_pressure_cmh2o", inspiratory_pressure_cmh2o, unit="cmH2O")
    inspiratory, expiratory = _resistances(inspiratory_resistance_cmh2o_s_l, expiratory_resistance_cmh2o_s_l)
    return 60.0 * pressure * part * (1.0 - part) / (part * expiratory + (1.0 - part) * inspiratory)


@dataclass(frozen=True, slots=True)
class RampPressure(Generic[Number]):
    """Airway pressure of a flow that falls in a straight line to zero [cmH2O], and when it peaks [s]."""

    start_cmh2o: Number
    peak_cmh2o: Number
    end_cmh2o: Number
    peak_time_s: Number


def descending_ramp_pressure(
    *,
    volume_l: Number,
    inspiratory_time_s: Number,
    compliance_l_cmh2o: Number,
    resistance_cmh2o_s_l: Number,
    total_peep_cmh2o: Number,
) -> RampPressure[Number]:
    """Airway pressure under a flow that falls from ``2·VT/TI`` to zero.

    All above zero but total PEEP, which is finite. The pressure peaks at ``TI − R·C``, or at the start where that is
    negative. Computed from the equation of motion.
    """
    volume = positive("volume_l", volume_l, unit="L")
    time = positive("inspiratory_time_s", inspiratory_time_s, unit="s")
    compliance = positive("compliance_l_cmh2o", compliance_l_cmh2o, unit="L/cmH2O")
    resistance = positive("resistance_cmh2o_s_l", resistance_cmh2o_s_l, unit="cmH2O·s/L")
    total_peep = within("total_peep_cmh2o", total_peep_cmh2o, unit="cmH2O")
    first_flow = 2.0 * volume / time
    peak_time: Number = np.maximum(time - resistance * compliance, 0.0)
    left = 1.0 - peak_time / time
    recoil = volume * (1.0 - left**2) / compliance
    return RampPressure(
        start_cmh2o=total_peep + resistance * first_flow,
        peak_cmh2o=total_peep + resistance * first_flow * left + recoil,
        end_cmh2o=total_peep + volume / compliance,
        peak_time_s=peak_time,
    )


def _resistances(inspiratory: Number, expiratory: Number) -> tuple[Number, Number]:
    """Both resistances, above zero."""
    return (
        positive("inspiratory_resistance_cmh2o_s_l", inspiratory, unit="cmH2O·s/L"),
        positive("expiratory_resistance_cmh2o_s_l", expiratory, unit="cmH2O·s/L"),
    )
