"""Settings as they would stand after a change: what a new key takes back, and what a mode or two levels don't have."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tidebench.errors import CaseError
from tidebench.mode import Mode, parse_mode
from tidebench.simulation.doubts import TYPES_WITH
from tidebench.simulation.machine import LEVELS, merged

HAVING = {**TYPES_WITH, "flow_pattern": {"VC"}, "rise_s": {"PC", "vtPC", "PS", "vtPS"}}
"""The inflation types that have a setting; a pressure's rise two levels have too."""
ON_LEVELS = "IMV-PC"  # the mode of two levels, where nobody gives one
MANDATORY_ONLY = ("rate_per_min", "inspiratory_time_s")
"""Settings without a use where no breath is mandatory."""
NOT_ON_LEVELS = ("rate_per_min", "inspiratory_time_s", "inspiratory_pressure_cmh2o", "flow_pattern", *TYPES_WITH)


def bi_level(setting: Mapping[str, Any]) -> bool:
    """True where two pressure levels are set."""
    return setting.get("pressure_high_cmh2o") is not None


def changed(now: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """The setting of now with changes made.

    A mode that is named leaves two levels behind, unless they are named with it; two levels that are named without a
    mode are mandatory pressure control. On two levels PEEP is the low one. A flow that is
    named takes back the inflation's time that stood.

    Raises
    ------
    CaseError
        A change of what the mode, or two levels, don't have.
    """
    if not changes:
        return dict(now)
    for key, value in changes.items():
        if value is None:
            raise CaseError("is given no value", where=key, expected="its new value; a key that is not named stays")
    asked = dict(changes)
    to_levels = any(key in asked for key in LEVELS)
    if to_levels and not bi_level(now):
        asked.setdefault("mode", ON_LEVELS)
    before = dict(now)
    if not isinstance(asked.get("mode", ""), str):
        raise CaseError(f"is {asked['mode']:g}", where="mode", expected="a mode in words, such as A/C-VC or CSV-PS")
    if "mode" in asked and not to_levels:
        before = {key: value for key, value in before.items() if key not in LEVELS}
    if "inspiratory_flow_l_min" in asked:
        if "inspiratory_time_s" in asked:
            raise CaseError(
                "are both named, and a set volume makes each of the other",
                where="inspiratory_flow_l_min and inspiratory_time_s", expected="one of them",
            )  # fmt: skip
        before.pop("inspiratory_time_s", None)  # it would stand in flow's way
    setting = merged([before, asked])[-1]
    if bi_level(setting):
        low = asked.get("pressure_low_cmh2o", asked.get("peep_cmh2o", setting.get("pressure_low_cmh2o")))
        if low is not None:
            setting |= {"pressure_low_cmh2o": low, "peep_cmh2o": low}
    _refuse_useless(setting, changes)
    return setting


def _refuse_useless(setting: Mapping[str, Any], changes: Mapping[str, Any]) -> None:
    if bi_level(setting):
        useless = [key for key in changes if key in NOT_ON_LEVELS]
        if useless:
            raise CaseError(
                f"two pressure levels have no {useless[0]}", where="what-if", expected=", ".join(LEVELS),
                remedy="Name another mode to leave them.",
            )  # fmt: skip
        return
    try:
        mode = parse_mode(setting["mode"])
    except ValueError:
        return  # the scenario says what a mode is
    for key in changes:
        if key in MANDATORY_ONLY and mode.mandatory is None:
            raise CaseError(
                f"{setting['mode']} has no {key}: every breath is the patient's", where="what-if",
                expected=f"another mode, or what {setting['mode']} has: {', '.join(had(mode))}",
            )  # fmt: skip
        having = HAVING.get(key)
        if having is not None and not having & {mode.mandatory, mode.support}:
            raise CaseError(
                f"{setting['mode']} has no {key}",
                where="what-if",
                expected=f"another mode, or what {setting['mode']} has: {', '.join(had(mode))}",
            )  # fmt: skip


def had(mode: Mode) -> list[str]:
    """Settings that belong to a mode's inflation types."""
    return [key for key, types in HAVING.items() if types & {mode.mandatory, mode.support}]
