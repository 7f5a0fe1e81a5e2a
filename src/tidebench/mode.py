"""Mode codes in the style of ISO 19223: a ventilation pattern, an inflation type, and what spontaneous breaths get."""

from __future__ import annotations

import difflib
import itertools
import re
from dataclasses import dataclass

PATTERNS = ("CMV", "A/C", "IMV", "SIMV", "S/T", "CSV")
MANDATORY = ("VC", "PC", "vtPC")
SUPPORT = ("PS", "vtPS")
UNASSISTED = "CPAP"
UNSUPPORTED = ("CMV", "A/C")
"""Patterns in which every breath is mandatory, so that none is supported."""

_SPELLED = {word.casefold(): word for word in (*PATTERNS, *MANDATORY, *SUPPORT)}
_CODE = re.compile(
    rf"(?P<pattern>{'|'.join(PATTERNS)})-(?P<inflation>{'|'.join((*MANDATORY, *SUPPORT))})(?P<adjunct><acap[a-z_]*>)?"
    rf"(?:\\(?P<support>{'|'.join(SUPPORT)})(?P<support_adjunct><acap[a-z_]*>)?)?",
    re.IGNORECASE,
)

_OUT_OF_SCOPE = re.compile(r"\bHF|oscillat|jet|high.?frequency", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Mode:
    """A mode code, taken apart.

    Attributes
    ----------
    code : str
        The code in its usual spelling.
    pattern : str
        Ventilation pattern: one of :data:`PATTERNS`, or ``"CPAP"``.
    mandatory : str or None
        Inflation type of mandatory breaths; None where there are none (``CSV``, ``CPAP``).
    support : str or None
        Inflation type of supported breaths; None where spontaneous breaths get none.
    """

    code: str
    pattern: str
    mandatory: str | None
    support: str | None


def parse_mode(code: str) -> Mode:
    """A mode code taken apart; case doesn't matter.

    Raises
    ------
    ValueError
        Not such a code, or one that can't be (``CSV-VC``, ``A/C-PS``); the message ends with the nearest.
    """
    plain = code.strip()
    if plain.casefold() == UNASSISTED.casefold():
        return Mode(UNASSISTED, UNASSISTED, None, None)
    match = _CODE.fullmatch(plain)
    mode = _mode(match) if match else None
    if mode is None:
        if _OUT_OF_SCOPE.search(plain):
            raise ValueError("High-frequency oscillation and jet ventilation are out of scope: leave the key out.")
        near = difflib.get_close_matches(plain, _every_code(), n=1, cutoff=0.6)
        raise ValueError(f"Nearest: {near[0]}." if near else "Leave the key out where the mode is not known.")
    return mode


def _mode(match: re.Match[str]) -> Mode | None:
    pattern, inflation = _SPELLED[match["pattern"].casefold()], _SPELLED[match["inflation"].casefold()]
    support = _SPELLED[match["support"].casefold()] if match["support"] else None
    adjuncts = [(match[name] or "").upper() for name in ("adjunct", "support_adjunct")]
    code = f"{pattern}-{inflation}{adjuncts[0]}" + (f"\\{support}{adjuncts[1]}" if support else "")
    if pattern == "CSV":
        return Mode(code, pattern, None, inflation) if inflation in SUPPORT and not support else None
    if inflation in SUPPORT or (support and pattern in UNSUPPORTED):
        return None
    return Mode(code, pattern, inflation, support)


def _every_code() -> list[str]:
    timed = [pattern for pattern in PATTERNS if pattern != "CSV"]
    plain = [f"{pattern}-{kind}" for pattern, kind in itertools.product(timed, MANDATORY)]
    mixed = [f"{code}\\{kind}" for code, kind in itertools.product(plain, SUPPORT) if not code.startswith(UNSUPPORTED)]
    return [*plain, *(f"CSV-{kind}" for kind in SUPPORT), *mixed, UNASSISTED]
