"""From settings as a case file writes them to the numbers that the ventilator's kernel reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tidebench.case import Setting
from tidebench.errors import CaseError
from tidebench.simulation import layout
from tidebench.simulation.patient import Ventilator

PATTERNS = {
    "CMV": layout.CMV, "A/C": layout.ASSIST_CONTROL, "IMV": layout.IMV, "SIMV": layout.SIMV,
    "S/T": layout.SPONTANEOUS_TIMED, "CSV": layout.SPONTANEOUS, "CPAP": layout.SPONTANEOUS,
}  # fmt: skip
TYPES = {
    None: layout.NONE, "VC": layout.VOLUME, "PC": layout.PRESSURE, "vtPC": layout.TARGETED_PRESSURE,
    "PS": layout.SUPPORT, "vtPS": layout.TARGETED_SUPPORT,
}  # fmt: skip
SHAPES = {None: layout.CONSTANT, "constant": layout.CONSTANT, "decelerating": layout.DECELERATING, "sine": layout.SINE}
PEAK_TO_MEAN = {layout.CONSTANT: 1.0, layout.DECELERATING: 2.0, layout.SINE: 1.5707963267948966}
ROUNDING = 1e-9  # of a flow that was worked out from volume and time
INSPIRATION_SHARE = 1 / 3
"""Of a breath, where neither time nor flow is set; a rise of 0.1 s and cycling at a quarter of peak flow likewise
(common practice, no source).
"""
RISE_S, CYCLING = 0.1, 0.25
TRIGGERS_L_MIN = {2.0: 0.3, 5.0: 0.5, 15.0: 1.0, 35.0: 1.5, float("inf"): 2.0}
"""Below which weight (kg) which flow triggers, where nothing is set (common practice, no source)."""


def machine_values(setting: Setting, built: Ventilator, kg: float, where: str) -> dict[str, float]:
    """Values of :data:`layout.MACHINE` for one setting, ``kg`` being the patient's weight.

    Raises
    ------
    CaseError
        The mode lacks what it needs, or the settings can't be: an inflation longer than the breath, a flow beyond the
        source's.
    """
    if setting.mode is None:
        raise CaseError("no mode is set", where=where, expected="mode, such as A/C-VC")
    mode = setting.parsed_mode
    assert mode is not None
    pattern = layout.BI_LEVEL if setting.bi_level else PATTERNS[mode.pattern]
    need = _Needs(setting, where)
    _refuse_impossible(setting, built, where)
    values = {
        "pattern": float(pattern),
        "mandatory": float(TYPES[mode.mandatory]),
        "support": float(TYPES[mode.support]),
        "peep": setting.peep_cmh2o or 0.0,
        "fio2": setting.fio2 or 0.21,
        "rate": setting.rate_per_min or 0.0,
        "rise": RISE_S if setting.rise_s is None else setting.rise_s,
        "cycling": CYCLING if setting.cycling_percent is None else setting.cycling_percent / 100,
        "trigger_flow": 0.0 if setting.trigger_pressure_cmh2o else trigger_l_min(setting, kg) / 60,
        "trigger_pressure": setting.trigger_pressure_cmh2o or 0.0,
        "pause": setting.pause_s or 0.0,
        "flow_shape": float(SHAPES[setting.flow_pattern]),
    }
    if setting.bi_level:
        keys = ("pressure_high_cmh2o", "pressure_low_cmh2o", "time_high_s", "time_low_s")
        high, low, long, short = (need.number(key) for key in keys)
        values |= {"pressure_high": high, "pressure_low": low, "time_high": long, "time_low": short, "peep": low}
    elif mode.mandatory is not None:
        values |= _mandatory(setting, mode.mandatory, need)
        _refuse_flow(values, built, where)
    if mode.support is not None:
        values |= _support(mode.support, need)
    if values["pattern"] == layout.SPONTANEOUS and built.backup_rate_per_min > 0:
        period = 60 / built.backup_rate_per_min
        values["control_time"] = setting.inspiratory_time_s or period * INSPIRATION_SHARE
        _fits(values["control_time"], period, f"backup_rate_per_min {built.backup_rate_per_min:g}", where)
    return values | built_values(built)


def _refuse_impossible(setting: Setting, built: Ventilator, where: str) -> None:
    """Levels that are not all there, or that the pressure limit never lets be."""
    levels = [key for key in LEVELS if getattr(setting, key) is not None]
    if levels and not setting.bi_level:
        raise CaseError(
            f"{levels[0]} is set, and two pressure levels are not", where=where,
            expected=f"{', '.join(LEVELS)} together, or none of them",
        )  # fmt: skip
    limit = built.pressure_limit_cmh2o
    key = "pressure_high_cmh2o" if setting.bi_level else "peep_cmh2o"
    level = getattr(setting, key) or 0.0
    if level >= limit:
        raise CaseError(
            f"{key} {level:g} is not below pressure_limit_cmh2o {limit:g}", where=where,
            expected=f"{key} below {limit:g}", remedy="Lower it, or raise [ventilator] pressure_limit_cmh2o.",
        )  # fmt: skip


def _refuse_flow(values: dict[str, float], built: Ventilator, where: str) -> None:
    """A set flow that the source can't give."""
    if "volume_time" not in values:
        return
    flow = 60 * values["tidal_volume"] / values["volume_time"] * PEAK_TO_MEAN[int(values["flow_shape"])]
    most = built.highest_flow_l_min
    if flow > most * (1 + ROUNDING):
        raise CaseError(
            f"a set flow of {flow:.4g} L/min is above highest_flow_l_min {most:g}", where=where,
            expected=f"a flow of at most {most:g} L/min",
            remedy="Give the volume more time, or raise [ventilator] highest_flow_l_min.",
        )  # fmt: skip


def trigger_l_min(setting: Setting, kg: float) -> float:
    """The flow that triggers: as set, or as usual at this weight."""
    if setting.trigger_flow_l_min is not None:
        return setting.trigger_flow_l_min
    return next(flow for weight, flow in TRIGGERS_L_MIN.items() if kg < weight)


class _Needs:
    """Asks a setting for numbers that its mode can't do without."""

    def __init__(self, setting: Setting, where: str) -> None:
        self.setting, self.where = setting, where

    def number(self, key: str) -> float:
        value = getattr(self.setting, key)
        if value is None:
            raise CaseError(f"{key} is missing", where=self.where, expected=f"{key} for {self.setting.mode}")
        return float(value)


def _mandatory(setting: Setting, kind: str, need: _Needs) -> dict[str, float]:
    """What mandatory inflations need; their time has to fit into the breath."""
    rate = need.number("rate_per_min")
    if rate <= 0 and setting.pattern in ("CMV", "IMV"):
        raise CaseError("rate_per_min is 0", where=need.where, expected="a rate above 0 where only time begins breaths")
    period = 60.0 / rate if rate > 0 else float("inf")
    values: dict[str, float] = {}
    seconds, pause = setting.inspiratory_time_s, setting.pause_s or 0.0
    if kind == "VC":
        volume = need.number("tidal_volume_ml") / 1000
        flow = setting.inspiratory_flow_l_min
        if seconds is None:
            peak = PEAK_TO_MEAN[SHAPES[setting.flow_pattern]]
            seconds = volume * peak / (flow / 60) if flow else min(period, 6.0) * INSPIRATION_SHARE
            seconds += pause
        if seconds <= pause:
            raise CaseError(
                f"an inspiration of {seconds:g} s is over before its pause of {pause:g} s", where=need.where,
                expected="inspiratory_time_s, pause included, above pause_s",
            )  # fmt: skip
        values = {"tidal_volume": volume, "volume_time": seconds - pause}
    else:
        seconds = min(period, 6.0) * INSPIRATION_SHARE if seconds is None else seconds
        values = {"control_time": seconds, "control": setting.pressure_control_cmh2o or 0.0}
        if kind == "vtPC":
            values["tidal_volume"] = need.number("tidal_volume_ml") / 1000
        elif setting.pressure_control_cmh2o is None:
            need.number("pressure_control_cmh2o")
    _fits(seconds, period, f"{rate:g} per minute", need.where)
    return values


def _fits(seconds: float, period: float, at: str, where: str) -> None:
    """Refuse an inflation that its breath has no room for."""
    if seconds >= period:
        raise CaseError(
            f"an inflation of {seconds:.3g} s does not fit into a breath of {period:.3g} s", where=where,
            expected=f"less than {period:.3g} s at {at}", remedy="Shorten it, or lower the rate.",
        )  # fmt: skip


def _support(kind: str, need: _Needs) -> dict[str, float]:
    if kind == "vtPS":
        return {"tidal_volume": need.number("tidal_volume_ml") / 1000}
    return {"support_above": need.number("pressure_support_cmh2o")}


def built_values(built: Ventilator) -> dict[str, float]:
    """Values that belong to the ventilator itself."""
    return {
        "trigger_delay": built.trigger_delay_s,
        "refractory": built.refractory_s,
        "shortest_inflation": built.shortest_inflation_s,
        "longest_support": built.longest_support_s,
        "pressure_limit": built.pressure_limit_cmh2o,
        "target_step": built.largest_change_cmh2o,
        "synchronising": built.synchronising_share,
        "apnoea_time": built.apnoea_s,
        "backup_rate": built.backup_rate_per_min,
        "backup_above": built.backup_above_peep_cmh2o,
        "leak_compensation": built.leak_compensation,
        "source_resistance": built.source_resistance_cmh2o_s_l,
        "valve_resistance": built.valve_resistance_cmh2o_s_l,
        "valve_time": built.valve_time_s,
        "highest_flow": built.highest_flow_l_min / 60,
        "base_flow": built.base_flow_l_min / 60,
    }


ABOVE_PEEP = ("pressure_control_cmh2o", "pressure_support_cmh2o")
LEVELS = ("pressure_high_cmh2o", "pressure_low_cmh2o", "time_high_s", "time_low_s")
GIVE_WAY = {
    "inspiratory_pressure_cmh2o": ABOVE_PEEP,
    **dict.fromkeys(ABOVE_PEEP, ("inspiratory_pressure_cmh2o",)),
    "trigger_flow_l_min": ("trigger_pressure_cmh2o",),
    "trigger_pressure_cmh2o": ("trigger_flow_l_min",),
    "mode": LEVELS,
}
"""What a key that is set anew takes back, where it was set before and is not set again."""


def merged(settings: Sequence[Mapping[str, Any]]) -> tuple[dict[str, Any], ...]:
    """Settings, each with what was set before and is not set anew."""
    told: dict[str, Any] = {}
    out = []
    for row in settings:
        gone = {old for key in row if row[key] != told.get(key) for old in GIVE_WAY.get(key, ())}
        told = {**{key: value for key, value in told.items() if key not in gone}, **row}
        out.append(told)
    return tuple(out)
