"""What the solver works on: one block of numbers with names, and the state it moves.

A simulation's parameters are one array of floats, seen in two ways: by name (``patient.tube_k2``) in the kernels, and
by position in the table of timed changes, so that whatever has a name can change while time runs.
Units: s, cmH2O, L, L/s; gas tensions mmHg; gas stores L.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]
Record = Any  # a row of a structured array: numpy and numba know its fields, the type checker does not

EXPIRATION, INFLATION, PAUSE, HELD, OCCLUDED, OPEN = range(6)
"""Phases of the ventilator: valves as in expiration, inflating, closed in a set pause, closed in an inspiratory hold,
closed in an expiratory hold, and disconnected.
"""

CMV, ASSIST_CONTROL, IMV, SIMV, SPONTANEOUS_TIMED, SPONTANEOUS, BI_LEVEL = range(7)
NONE, VOLUME, PRESSURE, TARGETED_PRESSURE, SUPPORT, TARGETED_SUPPORT, UNASSISTED, HIGH_LEVEL = range(8)
CONSTANT, DECELERATING, SINE = range(3)
INSPIRATORY_HOLD, EXPIRATORY_HOLD, DISCONNECTION, SUCTION, COUGH, OCCLUSION, RESTART = range(7)

FROM_TIME, FROM_PATIENT = 0.0, 1.0
BY_TIME, BY_FLOW, BY_PRESSURE = range(3)

LUNG = (
    "compliance",  # L/cmH2O, of the linear recoil
    "sigmoid_low", "sigmoid_span", "sigmoid_middle", "sigmoid_width",  # Venegas: L, L, cmH2O, cmH2O; span 0: linear
    "inspiratory_resistance", "expiratory_resistance",  # cmH2O·s/L, the compartment's own airway
    "limiting_resistance",  # cmH2O·s/L: expiratory flow is at most recoil over this; 0: no limitation
    "recruitable",  # share of the compartment that can close
    "opening_pressure", "opening_spread", "closing_pressure", "closing_spread",  # cmH2O, logistic
    "opening_time", "closing_time",  # s
)  # fmt: skip

UNIT = ("volume", "opened", "flow", "conductance", "against")
"""State of a compartment: litres, the share that is open, L/s inward; the last two serve one step."""

PATIENT = (
    # between wye and compartments
    "tube_k1", "tube_k2", "chest_wall_elastance", "relaxation_elastance", "relaxation_time", "pleural_pressure",
    "mask_leak", "cuff_leak", "leak_exponent", "leak_closes",
    "heart_amplitude", "heart_rate", "secretions", "condensate",
    # effort
    "effort_rate", "effort_rate_cv", "effort_size", "effort_size_cv", "effort_time", "effort_time_cv",
    "relaxing_time", "effort_bend", "expiratory_size", "periodic_cycle", "periodic_depth", "co2_gain", "co2_setpoint",
    "unloading", "unloaded_volume", "entrained_every", "entrained_delay", "entrained_delay_sd", "entrained_size",
    # gas exchange
    "co2_production", "o2_uptake", "cardiac_output", "shunt", "alveolar_dead_space", "airway_dead_space",
    "residual_volume", "haemoglobin", "bicarbonate", "barometric_pressure", "co2_store", "co2_slow_store",
    "co2_exchange", "o2_store", "tissue_volume",
)  # fmt: skip

MACHINE = (
    # set
    "pattern", "mandatory", "support", "peep", "fio2", "rate", "tidal_volume", "flow_shape", "volume_time", "pause",
    "control", "control_time", "rise", "support_above", "cycling", "trigger_flow", "trigger_pressure",
    "pressure_high", "pressure_low", "time_high", "time_low",
    # built
    "trigger_delay", "refractory", "shortest_inflation", "longest_support", "pressure_limit", "target_step",
    "synchronising", "apnoea_time", "backup_rate", "backup_above", "leak_compensation", "compensates_compliance",
    "source_resistance", "valve_resistance", "valve_time", "highest_flow", "base_flow", "circuit_compliance",
)  # fmt: skip

VENTILATOR = (
    "phase", "kind", "start", "until", "due", "trigger_at", "triggered_by", "turn",
    "high", "level_until", "base", "base_before", "base_since", "target", "command", "begun_at_pressure",
    "criterion", "armed", "calm", "peak_flow", "inhaled", "adapted", "end_pressure", "hold_kind", "hold_for", "suction",
    "pulled_below",
    "mandatory_now", "lag_step", "lag_time", "lag_gone",
)  # fmt: skip

EFFORT = (
    "next_onset", "onset", "size", "rising", "falling", "previous_onset", "previous_size", "previous_rising",
    "previous_falling", "bend", "expiratory", "cough_at", "entrained_at", "timed_starts", "last_tidal", "count",
    "paced", "felt_fast", "felt_slow",
)  # fmt: skip

MECHANICS = (
    "wye", "wye_middle", "carina", "flow", "patient_flow", "leak_flow", "volume", "relaxation", "recoil", "alveolar",
    "pleural", "muscle", "shared", "moved", "unmixed", "heart_before", "heart_after", "wet_before", "wet_after",
)  # fmt: skip

GASES = (
    "co2", "o2", "front", "co2_tension", "co2_slow_tension", "venous_o2", "arterial_co2", "arterial_o2",
    "arterial_saturation", "ph", "highest_co2", "volume", "front_top", "behind_co2", "behind_o2",
    "first_co2", "expired", "expired_co2",
)  # fmt: skip

BREATH = (
    "start", "turn", "end", "triggered_by", "kind", "cycled_by", "mandatory", "volume_start", "volume_turn",
    "volume_least", "peak_pressure", "total_peep", "plateau", "hold_pressure", "muscle_peak", "muscle_least",
    "pressure_area", "alveolar_area", "work", "muscle_work", "pleural_low", "pleural_high", "alveolar_high",
    "inhaled_at_wye", "exhaled_at_wye", "arterial_co2", "arterial_o2", "saturation", "end_tidal_co2", "held_area",
    "held_time", "ph", "sampled", "away_from", "away_until",
)  # fmt: skip
"""A breath as the kernel writes it; areas are integrals over time, ``held_*`` a closed phase's last half second,
``away_*`` when the airway was closed or open to the room.
"""

EFFORT_ROW = ("onset", "top", "over", "size", "entrained")

CHANNELS = (
    "airway_pressure", "flow", "oesophageal_pressure", "co2", "muscle_pressure", "alveolar_pressure",
    "pleural_pressure", "lung_volume", "tracheal_pressure", "arterial_co2", "arterial_o2", "arterial_saturation",
    "arterial_ph", "recoil_pressure",
)  # fmt: skip
"""What can be written at every sample: the first four are what sensors see, the others the truth. ``recoil_pressure``
is that of the whole at rest, as if compartments had settled and muscles and heart stood still.
"""


@cache
def record(names: tuple[str, ...]) -> np.dtype[Any]:
    """A structured type of floats with these names."""
    return np.dtype([(name, np.float64) for name in names])


class Memory:
    """The parameters of one simulation: patient, machine and lung compartments in one block of floats."""

    def __init__(self, compartments: int) -> None:
        self._view(np.zeros(len(PATIENT) + len(MACHINE) + compartments * len(LUNG)))

    def copy(self) -> Memory:
        """The same parameters, which may change apart from these."""
        other = Memory.__new__(Memory)
        other._view(self.block.copy())
        return other

    def _view(self, block: Samples) -> None:
        self.block = block
        a, b = len(PATIENT), len(PATIENT) + len(MACHINE)
        self.patient = self.block[:a].view(record(PATIENT))
        self.machine = self.block[a:b].view(record(MACHINE))
        self.lung = self.block[b:].view(record(LUNG))

    @staticmethod
    def position(name: str, compartment: int | None = None) -> int:
        """Where a parameter stands in the block; ``compartment`` counts from 0 for those of the lung."""
        if compartment is not None:
            return len(PATIENT) + len(MACHINE) + compartment * len(LUNG) + LUNG.index(name)
        return PATIENT.index(name) if name in PATIENT else len(PATIENT) + MACHINE.index(name)
