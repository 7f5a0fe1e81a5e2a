"""Where ventilation starts and where alarms are set, one record for each item, group and condition of the lungs.

Most of it is common practice without a source, and says so. A house's ``policy.toml`` may put its own in place.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import get_args

from tidebench.case import Lungs
from tidebench.limits.record import Group, Kind

LUNGS: tuple[Lungs, ...] = get_args(Lungs)


@dataclass(frozen=True, slots=True)
class Item:
    """What a record of practice is about.

    Attributes
    ----------
    label : str
        As a person reads it.
    unit : str
        Unit of its bounds; empty for fractions.
    low, high : float
        What a house may set: beyond, something was mistyped, or would do harm.
    """

    label: str
    unit: str
    low: float
    high: float


ITEMS: dict[str, Item] = {
    "tidal_volume_ml_kg": Item("tidal volume", "mL/kg", 3, 12),
    "minute_volume_ml_kg_min": Item("minute volume", "mL/kg/min", 40, 500),
    "rate_per_min": Item("rate", "/min", 4, 90),
    "inspiratory_time_s": Item("inspiratory time", "s", 0.2, 3),
    "expiratory_parts": Item("expiration for one part of inspiration", "", 0.5, 10),
    "peep_cmh2o": Item("PEEP", "cmH2O", 0, 24),
    "fio2": Item("FiO2 at the start", "", 0.21, 1),
    "trigger_flow_l_min": Item("flow trigger", "L/min", 0.1, 10),
    "trigger_pressure_cmh2o": Item("pressure trigger, below PEEP", "cmH2O", 0.2, 5),
    "rise_s": Item("rise", "s", 0, 0.6),
    "cycling_percent": Item("cycling, of peak flow", "%", 5, 80),
    "spo2": Item("SpO2 aimed at", "", 0.8, 1),
    "pao2_mmhg": Item("PaO2 aimed at", "mmHg", 40, 150),
    "paco2_mmhg": Item("PaCO2 aimed at", "mmHg", 25, 90),
    "ph": Item("pH aimed at", "", 7.1, 7.5),
    "time_constant_s": Item("time constant expected", "s", 0.02, 4),
    "compliance_ml_cmh2o": Item("compliance expected", "mL/cmH2O", 5, 150),
    "compliance_ml_cmh2o_kg": Item("compliance expected", "mL/cmH2O/kg", 0.2, 3),
    "mask_support_cmh2o": Item("support above PEEP by mask", "cmH2O", 2, 30),
    "spo2_at_term": Item("SpO2 aimed at, newborn at term", "", 0.85, 1),
    "mask_peep_cmh2o": Item("PEEP by mask", "cmH2O", 2, 15),
    "mask_fio2": Item("FiO2 by mask at the start", "", 0.21, 1),
    "mask_rate_per_min": Item("backup rate by mask", "/min", 4, 60),
    "mask_cycling_percent": Item("cycling by mask, of peak flow", "%", 10, 80),
    "mask_longest_inspiration_s": Item("longest inspiration by mask", "s", 0.3, 3),
    "adult_tube_mm": Item("tube, women to men", "mm", 5, 10),
    "adult_tube_depth_cm": Item("depth of the tube, women to men", "cm", 17, 28),
    "cuffed_tube_over_age_mm": Item("cuffed tube of a child, over age/4", "mm", 2.5, 4.5),
    "uncuffed_tube_over_age_mm": Item("uncuffed tube of a child, over age/4", "mm", 3, 5),
    "tube_depth_over_age_cm": Item("depth of a child's tube, over age/2", "cm", 10, 14),
    "newborn_tube_mm": Item("tube of a newborn, uncuffed", "mm", 2, 4.5),
    "tube_depth_over_weight_cm": Item("depth of a newborn's tube, over the weight in kg", "cm", 4.5, 7.5),
    "instrumental_dead_space_percent": Item("instrumental dead space, of tidal volume", "%", 1, 60),
    "circuit_compliance_ml_cmh2o": Item("compliance of the breathing system", "mL/cmH2O", 0.05, 8),
    "alarm_pressure_above_peak_cmh2o": Item("high pressure, above peak", "cmH2O", 2, 25),
    "alarm_pressure_cap_cmh2o": Item("high pressure, at most", "cmH2O", 15, 80),
    "mask_alarm_pressure_cap_cmh2o": Item("high pressure by mask, at most", "cmH2O", 10, 50),
    "alarm_pressure_below_peak_cmh2o": Item("low pressure, below peak", "cmH2O", 2, 20),
    "alarm_minute_volume_below_percent": Item("low minute volume, below what is delivered", "%", 5, 70),
    "alarm_minute_volume_above_percent": Item("high minute volume, above what is delivered", "%", 5, 150),
    "alarm_volume_low_percent": Item("low tidal volume, of the target", "%", 20, 95),
    "alarm_volume_high_percent": Item("high tidal volume, of the target", "%", 105, 250),
    "alarm_rate_high_per_min": Item("high rate", "/min", 15, 120),
    "alarm_rate_under_set_per_min": Item("low rate, under the set one", "/min", 0, 15),
    "alarm_apnoea_s": Item("apnoea", "s", 5, 60),
    "alarm_fio2_around": Item("FiO2, around the set one", "", 0.01, 0.2),
    "alarm_spo2_under": Item("low SpO2, under the lowest aimed at", "", 0, 0.15),
    "alarm_spo2_floor": Item("low SpO2, not below", "", 0.7, 0.98),
    "alarm_peep_under_cmh2o": Item("low PEEP, under the set one", "cmH2O", 0.5, 8),
    "alarm_peep_over_cmh2o": Item("high PEEP, over the set one", "cmH2O", 1, 15),
    "alarm_etco2_mmhg": Item("EtCO2", "mmHg", 15, 100),
    "alarm_disconnection_s": Item("delay of the disconnection alarm", "s", 1, 30),
    "cylinder_reserve_bar": Item("left in a cylinder when it is changed", "bar", 0, 100),
    "journey_factor": Item("oxygen taken along, of what the journey needs", "times", 1, 5),
    "unstated_base_flow_l_min": Item("base flow where it is not stated", "L/min", 0, 40),
    "unstated_leak_l_min": Item("leak where it is not stated", "L/min", 0, 60),
    "unstated_drive_gas_l_min": Item("drive gas where it is not stated", "L/min", 0, 20),
}
"""Every item, with what a house may set."""

NEWBORN_FIO2_BELOW = 1.0
"""A newborn's ventilation never starts from pure oxygen."""


@dataclass(frozen=True, slots=True)
class Practice:
    """What is done at the start, for one group and condition.

    Attributes
    ----------
    item : str
        A key of :data:`ITEMS`.
    group : str
        Whom it is for, by age.
    low, high : float
        The usual span; equal where there is one value.
    kind, source : str
        What it is and who says so, as of a :class:`~tidebench.limits.Limit`.
    text : str
        Why, or what to know of it.
    lungs : str or None
        The condition that it is for; None where it is for all that have none of their own.
    below_years : float
        It is for those younger.
    below_kg : float
        It is for those lighter, by actual weight; nobody of unknown weight is.
    """

    item: str
    group: Group
    low: float
    high: float
    kind: Kind
    source: str
    text: str = ""
    lungs: Lungs | None = None
    below_years: float = 150.0
    below_kg: float = math.inf


def chosen(
    records: Iterable[Practice],
    item: str,
    group: Group,
    age_years: float | None,
    lungs: Lungs | None,
    weight_kg: float | None = None,
) -> Practice | None:
    """The record that holds: the condition's own before the general one, of weights the least, of ages the youngest."""
    age, weight = 0.0 if age_years is None else age_years, math.nan if weight_kg is None else weight_kg
    of_item = [p for p in records if p.item == item and p.group == group]
    fitting = [p for p in of_item if age < p.below_years and (weight < p.below_kg or math.isinf(p.below_kg))]
    for condition in dict.fromkeys((lungs, None)):
        own = [p for p in fitting if p.lungs == condition]
        if own:
            return min(own, key=lambda p: (p.below_kg, p.below_years))
    return None
