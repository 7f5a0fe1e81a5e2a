"""How gases went over a stay, and what was changed between them."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from tidebench.care.gases.records import Conditions, GasReading, TrendRow
from tidebench.quantities import Quantity, quantity

Numbers = tuple[tuple[str, float], ...]
WORTH_TELLING = 0.1
"""Of rate and minute volume, a change that is told (this house's choice)."""
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
    set_pairs = ((key, was, now) for key, was, now in _pairs(before.given, after.given) if was != now)
    words += [_step(quantity(key, "settings"), was, now) for key, was, now in set_pairs]
    words += [
        _step(quantity(key), was, now)
        for key, was, now in _pairs(before.breathed, after.breathed)
        if abs(now - was) >= WORTH_TELLING * was
    ]
    return words


def _step(record: Quantity, was: float, now: float) -> str:
    return f"{record.label} {record.text(was)} → {record.text(now)}"


def _pairs(before: Numbers, after: Numbers) -> Iterator[tuple[str, float, float]]:
    """Keys that both have, with both values."""
    later = dict(after)
    return ((key, was, later[key]) for key, was in before if key in later)


def _text(key: str, value: str | float | None) -> str:
    if value is None or isinstance(value, str):
        return value or "not known"
    return quantity(key).text(value)
