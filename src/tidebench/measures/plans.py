"""What is set at each breath, from a case's settings, as the columns that the inflations stage asks for."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from tidebench.case import Setting
from tidebench.inflations import delivery as kinds
from tidebench.inflations.delivery import Plan

Times = npt.NDArray[np.float64]

MANDATORY = {"VC": kinds.VOLUME, "PC": kinds.PRESSURE, "vtPC": kinds.TARGETED}
SUPPORT = {"PS": kinds.SUPPORT, "vtPS": kinds.SUPPORT}
SPONTANEOUS = ("CSV", "CPAP")
MIXED = ("IMV", "SIMV", "S/T")
NAN = float("nan")

Row = tuple[int, int, bool, bool, bool, bool, float, float, float, float, float, float, float]
NOTHING: Row = (kinds.UNKNOWN, kinds.UNKNOWN, False, False, False, False, NAN, NAN, NAN, NAN, 0.0, NAN, NAN)


def row(setting: Setting) -> Row:
    """One setting as a row of :class:`Plan`."""
    mode = setting.parsed_mode
    bi_level = setting.bi_level
    mandatory = kinds.HIGH_LEVEL if bi_level else MANDATORY.get(mode.mandatory or "" if mode else "", kinds.UNKNOWN)
    support = SUPPORT.get(mode.support or "" if mode else "", kinds.UNASSISTED)
    period = 60 / setting.rate_per_min if setting.rate_per_min else NAN
    if bi_level and setting.time_high_s and setting.time_low_s:
        period = setting.time_high_s + setting.time_low_s
    spontaneous = mode is not None and mode.pattern in SPONTANEOUS
    return (
        mandatory,
        support,
        mode is not None or bi_level,
        spontaneous,
        mode is not None and mode.pattern in MIXED and not bi_level,
        setting.flow_pattern == "constant",
        NAN if spontaneous else period,
        number(setting.pressure_control_cmh2o),
        number(setting.pressure_support_cmh2o),
        number(setting.cycling_percent) / 100,
        setting.pause_s or 0.0,
        number(setting.time_high_s if bi_level else setting.inspiratory_time_s),
        number(setting.peep_cmh2o),
    )


def number(value: float | None) -> float:
    """A number, NaN for none."""
    return NAN if value is None else float(value)


def plan_for(settings: Sequence[Setting], time_s: Times) -> Plan:
    """What was set at each time; the first setting also holds for what came before it."""
    rows = [row(setting) for setting in settings] or [NOTHING]
    begins = np.array([setting.at_s for setting in settings] or [0.0])
    at = np.maximum(np.searchsorted(begins, time_s, side="right") - 1, 0)
    columns = [np.array(column)[at] for column in zip(*rows, strict=True)]
    mandatory, support = (column.astype(np.int8) for column in columns[:2])
    known, spontaneous, mixed, constant_flow = (column.astype(np.bool_) for column in columns[2:6])
    numbers = (column.astype(np.float64) for column in columns[6:])
    return Plan(mandatory, support, known, spontaneous, mixed, constant_flow, *numbers)


def peep_set(settings: Sequence[Setting], rate_hz: float) -> Callable[[npt.NDArray[np.int64]], Times]:
    """From samples to the PEEP set then, cmH2O, NaN where it isn't known."""
    return lambda at: plan_for(settings, at / rate_hz).peep_cmh2o
