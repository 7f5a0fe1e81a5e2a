"""How gases went over a stay, and what was changed between them."""

from __future__ import annotations

from itertools import pairwise

from tidebench.care.gases.records import Conditions, GasReading, TrendRow
from tidebench.quantities import quantity

FOLLOWED = (
    "ph",
    "paco2_mmhg",
    "pao2_mmhg",
    "hco3_mmol_l",
    "base_excess_mmol_l",
    "pf_ratio_mmhg",
    "sf_ratio",
    "oxygenation_index",
    "oxygen_saturation_index",
    "aa_difference_mmhg",
    "rox_index",
    "ventilatory_ratio",
    "dead_space_fraction",
)


def trend(gases: tuple[GasReading, ...]) -> tuple[TrendRow, ...]:
    """Each quantity that at least two arterial gases have."""
    arterial = [gas for gas in gases if gas.conditions.site == "arterial"]
    rows = []
    for key in FOLLOWED:
        known = [(gas.number, value) for gas in arterial if (value := gas.value(key)) is not None]
        if len(known) > 1:
            numbers, values = zip(*known, strict=True)
            rows.append(TrendRow(key, numbers, values, round(values[-1] - values[0], 4)))
    return tuple(rows)


def changed(gases: tuple[GasReading, ...]) -> tuple[str, ...]:
    """What differs between the conditions of one gas and the next: a trend across it is not like with like."""
    told = []
    for before, after in pairwise(gases):
        differ = _differ(before.conditions, after.conditions)
        if differ:
            told.append(f"between gas {before.number} and {after.number}: {'; '.join(differ)}")
    return tuple(told)


def _differ(before: Conditions, after: Conditions) -> list[str]:
    words = []
    for name, key in (("FiO2", "fio2"), ("PEEP", "peep_cmh2o"), ("mode", "mode"), ("site", "site")):
        old, new = getattr(before, key), getattr(after, key)
        if key == "mode" and (before.off_ventilator or after.off_ventilator):
            continue
        if old != new:
            words.append(f"{name} {_text(key, old)} → {_text(key, new)}")
    if (before.trial == "") != (after.trial == ""):
        words.append(f"{before.trial or 'no breathing trial'} → {after.trial or 'no breathing trial'}")
    old_given, new_given = dict(before.given), dict(after.given)
    for key in dict.fromkeys((*old_given, *new_given)):
        was, now = old_given.get(key), new_given.get(key)
        if was is not None and now is not None and was != now:
            words.append(f"{quantity(key, 'settings').label} {_set(key, was)} → {_set(key, now)}")
    return words


def _set(key: str, value: float) -> str:
    return quantity(key, "settings").text(value)


def _text(key: str, value: str | float | None) -> str:
    if value is None or isinstance(value, str):
        return value or "not known"
    return quantity(key).text(value)
