"""Cuff-leak volume: what does not come back past a deflated cuff."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tidebench.errors import OptionError

LEAST_ML = 110.0
LEAST_PERCENT = (10.0, 24.0)
LEAST_INSPIRED_ML = 10.0
"""Below it nobody has a tube with a cuff (this house's choice)."""
LOWEST = 3
WHOLE = 6
SOURCE = (
    "Miller & Cole, Chest 1996;110:1035 (abstract): below 110 mL; others below 10 to 24 % of the inspired volume (from "
    "memory)"
)


@dataclass(frozen=True, slots=True)
class CuffLeak:
    """A leak with the cuff down, from volumes that somebody noted.

    Attributes
    ----------
    volume_ml, percent : float
        Inspired less expired volume, also in per cent of the inspired.
    below_110_ml : bool
        Less than the published volume.
    below_percent : bool or None
        Less than the published part; None between its two bounds.
    notes : tuple of str
    """

    volume_ml: float
    percent: float
    below_110_ml: bool
    below_percent: bool | None
    notes: tuple[str, ...]


def cuff_leak(inspired_ml: float, expired_ml: Sequence[float]) -> CuffLeak:
    """The leak from the inspired volume and expired ones, cuff deflated.

    Of six expired volumes the three lowest count (Miller & Cole, Chest 1996;110:1035; which of them count is from
    memory); of fewer, all.

    Raises
    ------
    OptionError
        A volume that can't be, no expired one, or more out than in.
    """
    where = "cuff leak"
    if not expired_ml:
        raise OptionError("no expired volume is given", where=where, expected="six, with the cuff deflated")
    for value in (inspired_ml, *expired_ml):
        if not (math.isfinite(value) and 0 <= value <= 4000) or inspired_ml <= 0:
            raise OptionError(f"{value:g} is no volume", where=where, expected="0 to 4000 mL, inspired above 0")
    if inspired_ml < LEAST_INSPIRED_ML:
        raise OptionError(
            f"an inspired volume of {inspired_ml:g} mL is none", where=where,
            expected=f"at least {LEAST_INSPIRED_ML:g} mL",
            remedy=f"In litres it would be {1000 * inspired_ml:g} mL: give millilitres." if inspired_ml < 4 else "",
        )  # fmt: skip
    taken = sorted(expired_ml)[:LOWEST] if len(expired_ml) >= WHOLE else list(expired_ml)
    leak = inspired_ml - sum(taken) / len(taken)
    if leak < 0:
        raise OptionError(
            "more is expired than inspired", where=where, remedy="Check which of the volumes is which, and the sensor."
        )
    percent = 100 * leak / inspired_ml
    low, high = LEAST_PERCENT
    notes = () if len(expired_ml) >= WHOLE else (f"{len(expired_ml)} expired volumes, where six were published.",)
    return CuffLeak(
        leak, percent, leak < LEAST_ML, True if percent < low else False if percent >= high else None, notes
    )
