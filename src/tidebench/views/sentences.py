"""Settings as sentences with places in them that can be changed: each place is a number, or a choice."""

from __future__ import annotations

from dataclasses import dataclass

from tidebench.case import Setting
from tidebench.quantities import Quantity, quantity
from tidebench.views.rehearsal import REACH, SMALL_VOLUME
from tidebench.views.wording import mode_words

MODES = ("A/C-VC", "A/C-PC", "A/C-vtPC", "SIMV-VC\\PS", "SIMV-PC\\PS", "CSV-PS", "CSV-vtPS", "CPAP")
"""Modes among which a sentence lets one choose; another that is set stands among them too."""

FURTHER: dict[str, tuple[float, float, float]] = {
    "trigger_flow_l_min": (0.1, 10, 0.1), "trigger_pressure_cmh2o": (0.5, 10, 0.5),
}  # fmt: skip
"""As :data:`~tidebench.views.rehearsal.REACH`, for what only a bench moves: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Blank:
    """A number that can be written anew; ``unit`` is as the sentence says it."""

    quantity: Quantity
    value: float
    low: float
    high: float
    step: float
    unit: str


@dataclass(frozen=True, slots=True)
class Choice:
    """A word that can be exchanged for another: each of ``options`` is a value and how it is said."""

    key: str
    label: str
    value: str
    options: tuple[tuple[str, str], ...]


Part = str | Blank | Choice
Sentence = tuple[Part, ...]


def settings_sentences(setting: Setting) -> tuple[Sentence, ...]:
    """What is set, in sentences whose numbers and mode can be changed; only what the mode has a use for."""
    return tuple(
        tuple(part for part in parts if part != "")
        for parts in (_mode(setting), _mandatory(setting), _support(setting), _trigger(setting), _base(setting))
        if parts
    )


def _mode(setting: Setting) -> Sentence:
    modes = MODES if setting.mode in MODES else (setting.mode or "", *MODES)
    told = mode_words(setting.mode).rpartition(" (")[0] + (" on two levels" if setting.bi_level else "")
    options = tuple((mode, told if mode == setting.mode else mode_words(mode).rpartition(" (")[0]) for mode in modes)
    return "Ventilation is", Choice("mode", "mode", setting.mode or "", options), "."


def _mandatory(setting: Setting) -> Sentence:
    kind = setting.mandatory_type
    if setting.bi_level:
        return (
            "Pressure stays at", _blank(setting, "pressure_high_cmh2o"), "for", _blank(setting, "time_high_s"),
            ", then at", _blank(setting, "pressure_low_cmh2o"), "for", _blank(setting, "time_low_s"), ".",
        )  # fmt: skip
    if kind is None:
        return ()
    rate = _blank(setting, "rate_per_min", "breaths a minute" if setting.rate_per_min != 1 else "breath a minute")
    least = "At least" if setting.pattern == "A/C" else "The clock begins"
    return least, rate, ", each", *_inflation(setting, kind), "."


def _inflation(setting: Setting, kind: str) -> Sentence:
    """What one mandatory inflation is."""
    lasts: Sentence = ("for", _blank(setting, "inspiratory_time_s")) if setting.inspiratory_time_s else ()
    rise: Sentence = (", reached within", _blank(setting, "rise_s")) if setting.rise_s is not None else ()
    if kind == "PC":
        return (
            "raising pressure by", _blank(setting, "pressure_control_cmh2o"), "above PEEP", *lasts, *rise
        )  # fmt: skip
    volume = _blank(setting, "tidal_volume_ml")
    if kind == "vtPC":
        return "aiming at", volume, "with the pressure that the last ones needed", *lasts, *rise
    if setting.inspiratory_time_s:
        flow: Sentence = ("within", _blank(setting, "inspiratory_time_s"))
    else:
        flow = ("at", _blank(setting, "inspiratory_flow_l_min")) if setting.inspiratory_flow_l_min else ()
    pause: Sentence = (", a pause of", _blank(setting, "pause_s"), "included") if setting.pause_s is not None else ()
    if pause and not setting.inspiratory_time_s:
        pause = (", then a pause of", _blank(setting, "pause_s"))
    return "of", volume, *flow, *pause


def _support(setting: Setting) -> Sentence:
    kind = setting.support_type
    if kind is None:
        free = setting.pattern in ("CSV", "CPAP") or (setting.pattern in ("IMV", "SIMV") and not setting.bi_level)
        return ("Breaths of the patient's own get no support.",) if free else ()
    until: Sentence = (
        (", until flow has fallen to", _blank(setting, "cycling_percent"), "of its peak")
        if setting.cycling_percent
        else ()
    )
    if kind == "vtPS":
        return (
            "Breaths of the patient's own get the pressure that", _blank(setting, "tidal_volume_ml"), "needs", *until,
            ".",
        )  # fmt: skip
    return (
        "Breaths of the patient's own get", _blank(setting, "pressure_support_cmh2o"), "above PEEP", *until, "."
    )  # fmt: skip


def _trigger(setting: Setting) -> Sentence:
    if setting.pattern in ("CMV", "CPAP"):
        return ()
    if setting.trigger_pressure_cmh2o:
        return "An effort is answered once pressure falls", _blank(setting, "trigger_pressure_cmh2o"), "below PEEP."
    if setting.trigger_flow_l_min:
        return "An effort is answered once it draws", _blank(setting, "trigger_flow_l_min"), "."
    return ()


def _base(setting: Setting) -> Sentence:
    oxygen: Sentence = ("the oxygen fraction is", _blank(setting, "fio2"), ".") if setting.fio2 else (".",)
    if setting.bi_level:
        return "Of the gas", *oxygen
    if setting.peep_cmh2o is None:
        return ()
    between: Sentence = ("Between breaths pressure stays at", _blank(setting, "peep_cmh2o"))
    return (*between, ";", *oxygen) if setting.fio2 else (*between, *oxygen)


def _blank(setting: Setting, key: str, unit: str = "") -> Blank:
    low, high, step = REACH.get(key) or FURTHER[key]
    value = float(getattr(setting, key) or 0.0)
    if key == "tidal_volume_ml" and value < SMALL_VOLUME:
        high, step = max(3 * value, 10.0), 0.5
    record = quantity(key, "settings")
    return Blank(record, float(f"{value:.4g}"), min(low, value), max(high, value), step, unit or record.unit)
