"""One record per quantity: its name, symbol, unit, decimals, plausible range, definition and source.

Tables, terminal, report, page and exports ask here; no label, unit or number of decimals is written anywhere else.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from tidebench.errors import OptionError


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
        Unit in which it is shown, and in which values under ``key`` are given. Empty for words and counts.
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
    """

    key: str
    label: str
    symbol: str
    unit: str
    decimals: int
    plausible: tuple[float, float]
    definition: str
    source: str = ""
    canonical: str = ""

    @property
    def heading(self) -> str:
        """Label with unit, for the head of a column or an axis."""
        return f"{self.label} [{self.unit}]" if self.unit else self.label

    def text(self, value: float | None, *, unit: bool = True) -> str:
        """A value in words: rounded as this quantity is, with its unit; an en dash where it is missing."""
        if value is None:
            return "–"
        number = f"{value:.{self.decimals}f}"
        return f"{number} {self.unit}" if unit and self.unit else number


_CHANNELS = (
    Quantity(
        "airway_pressure",
        "airway pressure",
        "Paw",
        "cmH2O",
        1,
        (-60, 140),
        "Pressure at the airway opening, at the wye unless the case says otherwise.",
        "ISO 19223",
    ),
    Quantity(
        "flow",
        "flow",
        "V′",
        "L/min",
        1,
        (-400, 400),
        "Gas flow at the airway opening, towards the patient positive.",
        "ISO 19223",
        canonical="L/s",
    ),
    Quantity(
        "volume",
        "volume",
        "V",
        "mL",
        0,
        (-10000, 10000),
        "Gas volume above an arbitrary level, as recorded.",
        "ISO 19223",
        canonical="L",
    ),
    Quantity(
        "oesophageal_pressure",
        "oesophageal pressure",
        "Pes",
        "cmH2O",
        1,
        (-120, 120),
        "Pressure of an oesophageal balloon, an estimate of pleural pressure.",
        "common practice, no source",
    ),
    Quantity(
        "gastric_pressure",
        "gastric pressure",
        "Pga",
        "cmH2O",
        1,
        (-60, 200),
        "Pressure of a gastric balloon, an estimate of abdominal pressure.",
        "common practice, no source",
    ),
    Quantity(
        "tracheal_pressure",
        "tracheal pressure",
        "Ptr",
        "cmH2O",
        1,
        (-60, 140),
        "Airway pressure less the pressure drop of the tube.",
        "Guttmann, Anesthesiology 1993;79:503",
    ),
    Quantity(
        "diaphragm_activity",
        "diaphragm electrical activity",
        "EAdi",
        "µV",
        1,
        (-5, 500),
        "Electrical activity of the diaphragm.",
        "common practice, no source",
    ),
    Quantity(
        "co2",
        "carbon dioxide",
        "PCO2",
        "mmHg",
        1,
        (-5, 200),
        "Partial pressure of carbon dioxide at the airway opening.",
        "common practice, no source",
    ),
)

QUANTITIES: dict[str, Quantity] = {quantity.key: quantity for quantity in _CHANNELS}


def quantity(key: str) -> Quantity:
    """The record of a quantity; an unknown key is refused, with the nearest known ones."""
    try:
        return QUANTITIES[key]
    except KeyError:
        near = difflib.get_close_matches(key, QUANTITIES, n=3, cutoff=0.4)
        raise OptionError(
            f"there is no quantity {key!r}",
            expected="a key that `tidebench quantities` lists",
            remedy=f"Nearest: {', '.join(near)}." if near else "",
        ) from None
