"""One published criterion beside one number of the case."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tidebench.quantities import quantity

State = Literal["met", "not met", "not known", "not judged"]
"""``not judged``: a number is there, and was taken under other conditions than the criterion, or between two bounds."""

BOLES = "Boles, Eur Respir J 2007;29:1033"
BOLES_LIST = f"{BOLES}, list as reproduced in 2024"
BOLES_FAILURE = f"{BOLES}, table 6"
SMINA = "Smina 2003 (from memory)"

F_VT_MISSING = "rapid_shallow_index, or rate_per_min and vte_ml"
F_VT_WARNING = (
    "The published cut of 105 /min/L was found without support and PEEP; the same patients had 46 on support, 63 on "
    "CPAP and 100 on a T-piece (El-Khatib, Intensive Care Med 2008;34:505, abstract)."
)


F_VT_OF_ADULTS = "Its published cut was found in adults and is not applied here."


@dataclass(frozen=True, slots=True)
class Item:
    """A criterion, what the case holds for it, and whether it is met.

    Attributes
    ----------
    name : str
        What is asked.
    criterion, source : str
        The bound in words, and who published it.
    state : str
        ``met``, ``not met``, ``not known`` or ``not judged``.
    value : str
        The number in words; empty where there is none.
    origin : str
        Where in the case it comes from.
    at_s, age_s : float or None
        When it was, on the case clock, and how old it is; None where its time is not known.
    why : str
        What would tell it, or why it is not judged.
    """

    name: str
    criterion: str
    source: str
    state: State
    value: str = ""
    origin: str = ""
    at_s: float | None = None
    age_s: float | None = None
    why: str = ""


def number_text(key: str, value: float, *, unit: bool = True) -> str:
    """A number with its unit; of mmHg a tenth where there is one, so that what was typed in kPa comes back in kPa."""
    record = quantity(key)
    if record.unit != "mmHg":
        return record.text(value, unit=unit)
    return f"{round(value, 1):g}{' mmHg' if unit else ''}"
