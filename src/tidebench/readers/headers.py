"""What a header says: which quantity a column holds, and in which unit.

The names are data; the code below only applies them.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tidebench.errors import OptionError, SignalError
from tidebench.quantities import QUANTITIES
from tidebench.units import Unit, parse_unit

TIME = "time"
IGNORE = "ignore"

NAMES: dict[str, tuple[str, ...]] = {
    TIME: (
        *("t", "time", "timestamp", "datetime", "elapsed", "elapsed time", "relative time", "clock"),
        *("zeit", "temps", "tiempo", "tempo", "tijd"),
    ),
    "airway_pressure": (
        *("p", "pressure", "airway pressure", "pressure airway", "airway opening pressure", "circuit pressure"),
        *("paw", "pao", "pairway", "pwye", "druck", "pression", "presión", "pressione", "druk"),
    ),
    "flow": (
        *("flow", "airflow", "air flow", "net flow", "airway flow", "flow airway", "flow rate", "v'", "vdot"),
        *("fluss", "débit", "flujo", "flusso"),
    ),
    "volume": ("v", "vol", "volume", "lung volume", "volumen", "vt"),
    "oesophageal_pressure": ("pes", "peso", "poes", "oesophageal pressure", "esophageal pressure", "pesophageal"),
    "gastric_pressure": ("pga", "pgas", "gastric pressure", "pgastric"),
    "tracheal_pressure": ("ptr", "ptrach", "ptrachea", "tracheal pressure"),
    "diaphragm_activity": ("eadi", "edi", "diaphragm activity", "diaphragm electrical activity", "emgdi"),
    "co2": ("co2", "pco2", "carbon dioxide", "capno", "capnogram"),
}
"""Header names per quantity. Case, blanks, underscores, hyphens and accents don't count."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column that will be read: where it stands, what it holds, in which unit (None: stamps, or not said)."""

    index: int
    header: str
    quantity: str
    unit: Unit | None


def _plain(name: str) -> str:
    name = re.sub("[\u0307'′’]", "dot", unicodedata.normalize("NFKD", name)).casefold()
    return re.sub(r"[\W_]|[\u0300-\u036f]", "", name)


_QUANTITY_OF = {_plain(name): key for key, names in NAMES.items() for name in (key, *names)}
_BRACKETED = re.compile(r"^(?P<name>[^\[(<]+?)\s*[\[(<](?P<unit>.+)[\])>]\s*$")


def dimension_of(quantity: str) -> str:
    """The dimension in which a quantity is measured: ``"pressure"``, ``"flow"``, ...; ``"time"`` for the clock."""
    return "time" if quantity == TIME else canonical_unit(quantity).dimension


def canonical_unit(quantity: str) -> Unit:
    """The unit of a quantity inside the package."""
    if quantity == TIME:
        return parse_unit("s")
    record = QUANTITIES[quantity]
    return parse_unit(record.canonical or record.unit)


def split_header(header: str) -> tuple[str | None, str]:
    """Quantity and unit text of one header; the quantity is None where the name is not known.

    ``flow [L/min]``, ``Flow (mL/s)``, ``flow_L/min`` and ``flow`` are understood; the last has no unit text.
    """
    name, unit = name_and_unit(header)
    if unit:
        return _QUANTITY_OF.get(_plain(name)), unit
    for cut in re.finditer(r"[\s_,:/-]+", header):
        quantity = _QUANTITY_OF.get(_plain(header[: cut.start()]))
        if quantity is not None and _known_unit(header[cut.end() :]):
            return quantity, header[cut.end() :]
    return _QUANTITY_OF.get(_plain(header)), ""


def name_and_unit(header: str) -> tuple[str, str]:
    """A header without its unit in brackets, and that unit; empty where it has none."""
    bracketed = _BRACKETED.match(header.strip())
    return (bracketed["name"], bracketed["unit"].strip()) if bracketed else (header, "")


def _known_unit(text: str) -> bool:
    try:
        parse_unit(text)
    except OptionError:
        return False
    return True


def understand(
    headers: Sequence[str], mapping: Mapping[str, str] | None, where: str
) -> tuple[dict[str, Column], tuple[str, ...]]:
    """Which column holds which quantity.

    Parameters
    ----------
    headers : sequence of str
        The file's headers, in order.
    mapping : mapping of str to str or None
        What the case says of headers: ``"quantity [unit]"`` or ``"ignore"``.
    where : str
        The file, for messages.

    Returns
    -------
    columns : dict of str to Column
        By quantity: ``time``, ``airway_pressure`` and ``flow`` always, others where recorded.
    left_out : tuple of str
        Headers that are not known and were left out.

    Raises
    ------
    SignalError
        A header twice claimed, a unit missing or unknown, a needed column absent, a mapping of no column.
    """
    told = _told(headers, mapping or {}, where)
    columns: dict[str, Column] = {}
    left_out = []
    for index, header in enumerate(headers):
        text = told.get(header, header)
        if text == IGNORE:
            continue
        quantity, unit_text = split_header(text)
        if quantity is None:
            left_out += [header] if header else []
            continue
        if quantity in columns:
            raise _claimed_twice(quantity, columns[quantity].header, header, where)
        columns[quantity] = Column(index, header, quantity, _unit(quantity, unit_text, header, where))
    _require(columns, left_out, where)
    return columns, tuple(left_out)


def _told(headers: Sequence[str], mapping: Mapping[str, str], where: str) -> dict[str, str]:
    """The mapping by the file's own spelling of its headers; each of its entries checked."""
    by_plain = {" ".join(header.split()).casefold(): header for header in headers}
    told = {}
    for key, text in mapping.items():
        header = by_plain.get(" ".join(key.split()).casefold())
        if header is None:
            near = difflib.get_close_matches(key, headers, n=1, cutoff=0.3)
            raise SignalError(
                f"the column map names {key!r}, and the file has no such column",
                where=where,
                expected=f"one of {_listed(headers)}",
                remedy=f"Nearest: {near[0]!r}." if near else "",
            )
        if text.strip().casefold() != IGNORE and split_header(text)[0] is None:
            raise SignalError(
                f"the column map says {text!r} of {key!r}",
                where=where,
                expected=f'"quantity [unit]" or "ignore", a quantity being one of {", ".join(NAMES)}',
            )
        told[header] = IGNORE if text.strip().casefold() == IGNORE else text
    return told


def _unit(quantity: str, text: str, header: str, where: str) -> Unit | None:
    at = f"{where}, column {header!r}"
    if not text and quantity == TIME:
        return None
    example = f'Add to [recording.columns]: "{header}" = "{quantity} [{_example(quantity)}]", or "ignore".'
    if not text:
        raise SignalError(f"{quantity} has no unit", where=at, remedy=example)
    if quantity == TIME and text.casefold().replace(" ", "") in ("iso", "iso8601", "utc", "date"):
        return None
    try:
        unit = parse_unit(text, dimension_of(quantity))
    except OptionError as error:
        raise SignalError(error.problem, where=at, expected=error.expected, remedy=example) from None
    if unit.dimension != dimension_of(quantity) and not (quantity == "co2" and unit.dimension == "fraction"):
        raise SignalError(
            f"by its name this is {quantity}, yet {unit.name} is a unit of {unit.dimension}", where=at, remedy=example
        )
    return unit


def _example(quantity: str) -> str:
    return {TIME: "s", "volume": "mL"}.get(quantity) or (QUANTITIES[quantity].unit)


def _claimed_twice(quantity: str, first: str, second: str, where: str) -> SignalError:
    return SignalError(
        f"both {first!r} and {second!r} claim to be {quantity}",
        where=where,
        remedy=f'Say in [recording.columns] which one to leave: "{second}" = "ignore".',
    )


def _require(columns: Mapping[str, Column], left_out: Sequence[str], where: str) -> None:
    for quantity in (TIME, "airway_pressure", "flow"):
        if quantity not in columns:
            known = _listed([column.header for column in columns.values()])
            raise SignalError(
                f"no column holds {quantity}",
                where=where,
                expected="columns of time, airway pressure and flow",
                remedy=f"Understood: {known}; not understood: {_listed(left_out)}. Say in [recording.columns] what "
                f'they hold: "their header" = "{quantity} [{_example(quantity)}]".',
            )


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(repr(name[:40]) for name in names[:12]) or "none"
    return f"{shown} and {len(names) - 12} more" if len(names) > 12 else shown
