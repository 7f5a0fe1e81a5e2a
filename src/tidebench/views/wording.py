"""Numbers, times and settings as a person says them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from tidebench.mode import parse_mode
from tidebench.quantities import QUANTITIES, TABLES, quantity

PATTERNS = {
    "CMV": "continuous mandatory",
    "A/C": "assist/control",
    "IMV": "intermittent mandatory",
    "SIMV": "synchronized intermittent mandatory",
    "S/T": "spontaneous/timed",
    "CSV": "continuous spontaneous",
    "CPAP": "continuous positive airway pressure",
}
INFLATIONS = {
    "VC": "volume control",
    "PC": "pressure control",
    "vtPC": "volume-targeted pressure control",
    "PS": "pressure support",
    "vtPS": "volume-targeted pressure support",
}
"""ISO 19223 ventilation patterns and inflation types, in words."""

DELIVERIES = {
    "volume-control": "volume control",
    "pressure-control": "pressure control",
    "pressure-support": "pressure support",
    "volume-targeted-pressure": "volume-targeted pressure control",
    "high-level": "bi-level",
    "unassisted": "unassisted",
}
"""Values of the ``delivery`` column, in words."""

ABSOLUTE = "inspiratory_pressure_cmh2o"
ABOVE_PEEP = {"pressure_control_cmh2o", "pressure_support_cmh2o"}

SPOKEN = (
    "tidal_volume_ml",
    "pressure_control_cmh2o",
    "pressure_support_cmh2o",
    ABSOLUTE,
    "pressure_high_cmh2o",
    "pressure_low_cmh2o",
    "time_high_s",
    "time_low_s",
    "rate_per_min",
    "inspiratory_time_s",
    "inspiratory_flow_l_min",
    "flow_pattern",
    "pause_s",
    "rise_s",
    "cycling_percent",
    "trigger_flow_l_min",
    "trigger_pressure_cmh2o",
    "peep_cmh2o",
    "fio2",
)
"""Settings in the order in which people say them."""


def count(number: int, noun: str, plural: str = "") -> str:
    """``1 breath``, ``2 breaths``, ``no breaths``."""
    many = plural or f"{noun}s"
    return f"no {many}" if number == 0 else f"{number} {noun if number == 1 else many}"


def share(part: int, whole: int) -> str:
    """``12 of 130 (9 %)``, ``all 130``, ``none of 130``; without a percentage where the whole is under ten.

    Of a single one it is ``1 of 1``: neither "all" nor "none" goes with it.
    """
    if part in (0, whole) and whole != 1:
        return f"all {whole}" if part else f"none of {whole}"
    if whole < 10:
        return f"{part} of {whole}"
    percent = 100 * part / whole
    shown = "under 1" if 0 < percent < 1 else "over 99" if 99 < percent < 100 else f"{percent:.0f}"
    return f"{part} of {whole} ({shown} %)"


def of_breaths(part: int, whole: int) -> str:
    """A share of breaths with its noun: ``12 of 130 (9 %) breaths``, ``1 of 1 breath``."""
    return f"{share(part, whole)} {'breath' if whole == 1 else 'breaths'}"


def listed(words: Iterable[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    *head, last = list(words) or [""]
    return f"{', '.join(head)} and {last}" if head else last


def sentence(text: str) -> str:
    """With a capital at the start and a full stop at the end; a symbol such as pH or f/VT stays as it is."""
    text = text.strip()
    if not text:
        return ""
    symbol = text[1:2].isupper() or text[1:2] == "/"
    return (text if symbol else text[0].upper() + text[1:]) + ("" if text[-1] in ".!?" else ".")


def clock(time_s: float) -> str:
    """A place on the case clock: ``4:05`` (minutes, seconds), ``26:04:05`` from an hour on."""
    sign, whole = ("−" if time_s < 0 else ""), int(abs(time_s) + 1e-6)  # 66 s added up from samples are 66 s
    hours, minutes, seconds = whole // 3600, whole // 60 % 60, whole % 60
    return f"{sign}{hours}:{minutes:02}:{seconds:02}" if hours else f"{sign}{minutes}:{seconds:02}"


def duration(time_s: float) -> str:
    """A length of time: ``9.5 s``, ``4 min 5 s``, ``24 h 10 min``."""
    if time_s < 60:
        return quantity("duration_s").text(time_s) if time_s < 10 else f"{time_s:.0f} s"
    minutes, seconds = divmod(round(time_s), 60)
    if minutes < 60:
        return f"{minutes} min {seconds} s" if seconds else f"{minutes} min"
    hours, minutes = divmod(round(time_s / 60), 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def mode_words(mode: str | None) -> str:
    r"""An ISO 19223 code in words: ``SIMV-VC\PS``, synchronized intermittent mandatory, volume control with ..."""
    if not mode:
        return "mode not stated"
    parsed = parse_mode(mode)
    kinds = [INFLATIONS[kind] for kind in (parsed.mandatory, parsed.support) if kind]
    pattern = PATTERNS[parsed.pattern]
    return f"{pattern}, {' with '.join(kinds)} ({mode})" if kinds else f"{pattern} ({mode})"


def setting_words(key: str, value: float | str | None) -> str:
    """One setting as said in a sentence: ``set PEEP 8.0 cmH2O``."""
    if value is None:
        return f"{_label(key)} not stated"
    if isinstance(value, str):
        return f"{_label(key)} {mode_words(value) if key == 'mode' else value}"
    return f"{_label(key)} {quantity(key, 'settings').text(value)}"


def change_words(changed: Mapping[str, tuple[float | str | None, float | str | None]]) -> str:
    """What was changed: ``set PEEP 5.0 → 8.0 cmH2O``; a change only seen in the signals has no settings to name.

    An absolute pressure that only follows from a change of pressure above PEEP is not said again.
    """
    if not changed:
        return "seen in the signals, not recorded"
    told = [key for key in changed if key != ABSOLUTE or not ABOVE_PEEP & set(changed)]
    return "; ".join(_change(key, *changed[key]) for key in told)


def settings_words(setting: Mapping[str, float | str | None]) -> str:
    """A whole set of settings as a sentence, mode first."""
    parts = [setting_words(key, setting[key]) for key in SPOKEN if setting.get(key) is not None]
    mode = setting.get("mode")
    levels = ", bi-level" if setting.get("pressure_high_cmh2o") is not None else ""
    words = mode_words(mode if isinstance(mode, str) else None)
    return sentence(f"{words}{levels}: {', '.join(parts) or 'nothing more stated'}")


def _change(key: str, before: float | str | None, after: float | str | None) -> str:
    if isinstance(before, str) or isinstance(after, str):
        return f"{_label(key)} {before or 'not stated'} → {after or 'not stated'}"
    record = quantity(key, "settings")
    return f"{_label(key)} {record.text(before, unit=after is None)} → {record.text(after)}"


def _label(key: str) -> str:
    if key in TABLES["settings"]:
        return TABLES["settings"][key].label
    if key in QUANTITIES:
        return f"set {QUANTITIES[key].label}"
    return "mode" if key == "mode" else f"set {key.replace('_', ' ')}"
