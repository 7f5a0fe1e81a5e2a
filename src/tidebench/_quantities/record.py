"""What is known of one quantity."""

from __future__ import annotations

import math
from dataclasses import dataclass

COMMON_PRACTICE = "common practice, no source"
MINUS = "−"


@dataclass(frozen=True, slots=True)
class Quantity:
    """What is known of one quantity.

    Attributes
    ----------
    key : str
        Its name in tables, files and options. Where the unit stands in the name, values under this key carry it.
    label : str
        Its name in the trade, as a person reads it, lower case.
    symbol : str
        Short form for axes and tight tables.
    unit : str
        Unit in which it is shown, and in which values under ``key`` are given. Empty for words, counts and fractions.
    decimals : int
        Decimals when shown.
    plausible : tuple of float
        Lowest and highest value, in ``unit``, that a patient or machine can produce, preterm to adult.
    definition : str
        What it is, one or two sentences.
    source : str
        After whom it is defined or computed; ``"common practice, no source"`` where that is so.
    canonical : str
        Unit inside the package, where it differs from ``unit`` (sampled channels).
    figures : int
        Significant figures that small values keep, beyond ``decimals``: a newborn's 6.2 mL is not shown as 6 mL.
    percent : bool
        True for a fraction that people say in per cent.
    """

    key: str
    label: str
    symbol: str
    unit: str
    decimals: int
    plausible: tuple[float, float]
    definition: str
    source: str = COMMON_PRACTICE
    canonical: str = ""
    figures: int = 0
    percent: bool = False

    @property
    def heading(self) -> str:
        """Label with unit, for the head of a column or an axis."""
        return f"{self.label} [{self.unit}]" if self.unit else self.label

    def text(self, value: float | None, *, unit: bool = True) -> str:
        """A value in words: rounded as this quantity is, with its unit; an en dash where it is missing or NaN."""
        if value is None or math.isnan(value):
            return "–"
        if self.percent:
            return f"{round(100 * value)}{' %' if unit else ''}".replace("-", MINUS)
        number = f"{value:z.{self._places(value)}f}".replace("-", MINUS)
        return f"{number} {self.unit}" if unit and self.unit else number

    def bounds(self, *edges: float) -> str:
        """Limits in words, as given and not rounded, with the unit: ``30 cmH2O``, ``7.30 to 7.45``, ``50 %``."""
        unit = "%" if self.percent else self.unit
        given = [f"{100 * edge if self.percent else edge:g}" for edge in edges]
        places = max((len(edge.partition(".")[2]) for edge in given), default=0)
        alike = [edge if "e" in edge else f"{float(edge):.{places}f}".replace("-", MINUS) for edge in given]
        return f"{' to '.join(alike)} {unit}".rstrip()

    def _places(self, value: float) -> int:
        if not self.figures or value == 0 or math.isinf(value):
            return self.decimals
        wanted = self.figures - 1 - math.floor(math.log10(abs(value)))
        return min(max(self.decimals, wanted), self.decimals + self.figures)
