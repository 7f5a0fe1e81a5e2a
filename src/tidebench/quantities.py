"""One record per quantity: its name, symbol, unit, decimals, plausible range, definition and source.

Tables, terminal, report, page and exports ask here; no label, unit or number of decimals is written anywhere else.

A key may mean a set value in one table of a case and a measured one elsewhere: ``peep_cmh2o`` under ``[[settings]]`` is
the set PEEP, ``compliance_ml_cmh2o`` under ``[circuit]`` is the tubing's. ``quantity(key, table)`` tells them apart;
``quantity(key)`` alone is the measured one.
"""

from __future__ import annotations

import difflib

from tidebench._quantities import breaths, case, channels, gases, mechanics
from tidebench._quantities.record import COMMON_PRACTICE, Quantity
from tidebench.errors import OptionError

__all__ = ["COMMON_PRACTICE", "QUANTITIES", "TABLES", "Quantity", "quantity"]


def _by_key(*groups: tuple[Quantity, ...]) -> dict[str, Quantity]:
    """Records by key; of two with one key the first stands."""
    found: dict[str, Quantity] = {}
    for group in groups:
        for record in group:
            found.setdefault(record.key, record)
    return found


TABLES: dict[str, dict[str, Quantity]] = {
    "patient": _by_key(case.PATIENT),
    "airway": _by_key(case.AIRWAY),
    "circuit": _by_key(case.CIRCUIT),
    "recording": _by_key(case.RECORDING),
    "settings": _by_key(case.SETTINGS),
    "blood_gases": _by_key(case.BLOOD_GASES),
    "observed": _by_key(case.OBSERVED),
}
"""What the tables of a case say with numbers of their own, by table and key."""

QUANTITIES: dict[str, Quantity] = _by_key(
    channels.CHANNELS,
    breaths.TIMES,
    breaths.WORDS,
    breaths.VOLUMES,
    breaths.PRESSURES,
    breaths.FLOWS,
    mechanics.MECHANICS,
    mechanics.EFFORT,
    mechanics.POWER,
    mechanics.INDICES,
    gases.GASES,
    case.PATIENT,
    case.AIRWAY,
    case.BLOOD_GASES,
    case.OBSERVED,
    case.CIRCUIT,
    case.RECORDING,
    case.SETTINGS,
)
"""Every quantity by key; where a key is both measured and set, the measured one."""


def quantity(key: str, table: str = "") -> Quantity:
    """The record of a quantity, as a table of a case means it where one is named.

    Parameters
    ----------
    key : str
        Its name.
    table : str
        A table of a case (``"settings"``, ``"circuit"``, ...), or empty. A key that the table has no record of its own
        for means there what it means everywhere.

    Raises
    ------
    OptionError
        An unknown key, with the nearest known ones.
    """
    record = TABLES.get(table, {}).get(key) or QUANTITIES.get(key)
    if record is None:
        near = difflib.get_close_matches(key, QUANTITIES, n=3, cutoff=0.4)
        raise OptionError(
            f"there is no quantity {key!r}",
            expected="a key that `tidebench quantities` lists",
            remedy=f"Nearest: {', '.join(near)}." if near else "",
        )
    return record
