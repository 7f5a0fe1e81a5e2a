"""Units at the edges: a unit written in any usual form, and the exact factor between two of one dimension.

Inside the package everything is canonical (cmH2O, L/s, L, s, mmHg for gas tensions, fractions), so only readers and
writers come here.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction

from tidebench.errors import OptionError


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: its usual spelling, what it measures, and its exact size in the dimension's SI unit.

    Attributes
    ----------
    name : str
        Usual spelling, ``"cmH2O"``.
    dimension : str
        ``"pressure"``, ``"flow"``, ``"volume"``, ``"time"``, ``"voltage"`` or ``"fraction"``.
    size : Fraction
        How many Pa, m³/s, m³, s, V or 1 it is. Exact.
    """

    name: str
    dimension: str
    size: Fraction


def _units(dimension: str, sizes: dict[str, str]) -> dict[str, Unit]:
    return {name: Unit(name, dimension, Fraction(size)) for name, size in sizes.items()}


_SIMPLE: dict[str, Unit] = {
    **_units(
        "pressure",
        {
            "cmH2O": "98.0665",
            "mmH2O": "9.80665",
            "mbar": "100",
            "bar": "100000",
            "hPa": "100",
            "kPa": "1000",
            "Pa": "1",
            "mmHg": "133.322387415",
            "Torr": "101325/760",
        },
    ),
    **_units("volume", {"L": "1/1000", "dL": "1/10000", "mL": "1/1000000"}),
    **_units("time", {"s": "1", "ms": "1/1000", "µs": "1/1000000", "ns": "1/1000000000", "min": "60", "h": "3600"}),
    **_units("voltage", {"V": "1", "mV": "1/1000", "µV": "1/1000000"}),
    **_units("fraction", {"fraction": "1", "%": "1/100"}),
}
_FLOWS: dict[str, Unit] = {
    f"{volume}/{time}": Unit(f"{volume}/{time}", "flow", _SIMPLE[volume].size / _SIMPLE[time].size)
    for volume in ("L", "dL", "mL")
    for time in ("s", "min", "h")
}
UNITS: dict[str, Unit] = {**_SIMPLE, **_FLOWS}
"""Every unit that is understood, by its usual spelling."""

_OTHER_SPELLINGS = {
    "cmH2O": ("cmh20", "cmwater"),
    "mmH2O": ("mmh20",),
    "mbar": ("millibar", "mb"),
    "hPa": ("hectopascal",),
    "kPa": ("kilopascal",),
    "Pa": ("pascal",),
    "L": ("litre", "litres", "liter", "liters", "ltr"),
    "mL": ("cc", "cm3", "ccm", "millilitre", "millilitres", "milliliter", "milliliters"),
    "s": ("sec", "secs", "second", "seconds"),
    "ms": ("msec", "msecs", "millisecond", "milliseconds"),
    "µs": ("usec", "microsecond", "microseconds"),
    "min": ("mins", "minute", "minutes"),
    "h": ("hr", "hrs", "hour", "hours"),
    "%": ("percent", "pct", "vol%", "%vol"),
    "L/min": ("lpm",),
    "mL/min": ("mlpm", "ccpm"),
    "L/s": ("lps",),
}


def _plain(text: str) -> str:
    """Letters, digits and slash only: what is left when case, blanks, brackets, dots and typography are set aside."""
    text = unicodedata.normalize("NFKC", text).casefold().replace("μ", "u").replace("−", "-")
    text = re.sub(r"[\s\[\]{}()·⋅*^.]", "", text).replace("per", "/")
    return re.sub(r"^(.+?)/?(min|s|sec|h)-1$", r"\1/\2", text)


def _spellings() -> dict[str, Unit]:
    table = {_plain(name): unit for name, unit in UNITS.items()}
    table |= {_plain(word): UNITS[name] for name, words in _OTHER_SPELLINGS.items() for word in words}
    return table


_SPELLINGS = _spellings()


def parse_unit(text: str, dimension: str = "") -> Unit:
    """The unit that a text means.

    Parameters
    ----------
    text : str
        A unit in any usual form: case, blanks, brackets and typography don't matter (``"cm H2O"``, ``"l·min⁻¹"``).
    dimension : str
        The dimension that is wanted, where known: the message for an unknown unit keeps to it.

    Raises
    ------
    OptionError
        An unknown unit; the message names the nearest known ones.
    """
    plain = _plain(text)
    unit = _SPELLINGS.get(plain) or _quotient(plain)
    if unit is None:
        raise OptionError(
            f"the unit {text.strip()!r} is not known", expected=f"one such as {_nearest(plain, dimension)}"
        )
    return unit


def _nearest(plain: str, dimension: str) -> str:
    known = [word for word, unit in _SPELLINGS.items() if dimension in ("", unit.dimension)]
    near = difflib.get_close_matches(plain, known, n=5, cutoff=0.5) or known
    return ", ".join(list(dict.fromkeys(_SPELLINGS[word].name for word in near))[:3])


def _quotient(plain: str) -> Unit | None:
    """A flow whose two halves are known in any spelling."""
    above, slash, below = plain.partition("/")
    volume, time = _SPELLINGS.get(above), _SPELLINGS.get(below)
    if not slash or volume is None or time is None:
        return None
    return _FLOWS.get(f"{volume.name}/{time.name}")


def factor(have: Unit | str, want: Unit | str) -> float:
    """What a number in ``have`` is multiplied by to stand in ``want``; rounded once, from the exact ratio.

    Raises
    ------
    OptionError
        An unknown unit, or two units of different dimensions.
    """
    source = parse_unit(have) if isinstance(have, str) else have
    target = parse_unit(want) if isinstance(want, str) else want
    if source.dimension != target.dimension:
        raise OptionError(
            f"{source.name} is a unit of {source.dimension}, {target.name} of {target.dimension}",
            expected=f"a unit of {target.dimension}",
        )
    return float(source.size / target.size)
