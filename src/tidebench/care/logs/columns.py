"""Which column of a log holds what: told by a person, else proposed where a header says so plainly."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tidebench.care.logs.words import ROLES, Role, plain, role_of
from tidebench.errors import LogError, OptionError
from tidebench.readers.headers import name_and_unit
from tidebench.units import Unit, parse_unit

NAMES: dict[Role, tuple[str, ...]] = {
    "time": (
        "time",
        "timestamp",
        "date time",
        "datetime",
        "date and time",
        "when",
        "event time",
        "start",
        "start time",
    ),
    "date": ("date", "day", "event date"),
    "until": ("until", "end", "end time", "off time", "cleared at"),
    "duration": ("duration", "length"),
    "bed": ("bed", "place", "room", "station"),
    "kind": ("kind", "type", "event", "event type", "category", "class"),
    "priority": ("priority", "alarm priority", "severity", "urgency"),
    "state": ("state", "status", "on/off"),
    "name": ("name", "alarm", "alarm name", "parameter", "what"),
    "text": ("text", "message", "description", "details", "alarm text"),
    "value": ("value", "new value", "new"),
    "before": ("before", "old value", "old", "previous"),
}
"""Plain header words by role. Case, blanks and signs don't count; of two that fit, the first of the file is taken."""

TIMED = ("time", "duration")


@dataclass(frozen=True, slots=True)
class Column:
    """A column that is read.

    Attributes
    ----------
    index : int
        Where it stands, from 0.
    header : str
    unit : Unit or None
        Of a time or duration that is a number; None for stamps.
    told : bool
        True where a person said so; False where its header was taken at its word.
    """

    index: int
    header: str
    unit: Unit | None
    told: bool


def understand(headers: Sequence[str], told: Mapping[str, str], where: str) -> dict[Role, Column]:
    """The columns by role.

    Parameters
    ----------
    headers : sequence of str
        The file's headers, in order.
    told : mapping of str to str
        What a person says of headers, such as ``{"When": "time", "Length": "duration [s]"}``.
    where : str
        The file, for messages.

    Raises
    ------
    LogError
        A header that the file lacks, two columns for one role, a unit that is none of time; no column of times, or
        none of kind, name or text.
    """
    columns: dict[Role, Column] = {}
    said = _by_header(headers, told, where)
    for index, header in enumerate(headers):
        if header in said:
            _claim(columns, index, header, said[header], where, told=True)
    for index, header in enumerate(headers):
        name, unit = name_and_unit(header)
        role = _PROPOSED.get(plain(name))
        if header not in said and role is not None and role not in columns:
            _claim(columns, index, header, f"{role} [{unit}]" if unit and role in TIMED else role, where, told=False)
    _require(columns, headers, where)
    return columns


_PROPOSED: dict[str, Role] = {plain(name): role for role, names in NAMES.items() for name in names}


def _by_header(headers: Sequence[str], told: Mapping[str, str], where: str) -> dict[str, str]:
    """What was told, by the file's own spelling."""
    known = {" ".join(header.split()).casefold(): header for header in headers}
    said = {}
    for key, meaning in told.items():
        header = known.get(" ".join(key.split()).casefold())
        if header is None:
            near = difflib.get_close_matches(key, headers, n=1, cutoff=0.3)
            raise LogError(
                f"the words name a column {key!r}, and the file has none of that name",
                where=where,
                expected=f"one of {listed(headers)}",
                remedy=f"Nearest: {near[0]!r}." if near else "",
            )
        said[header] = meaning
    return said


def _claim(columns: dict[Role, Column], index: int, header: str, meaning: str, where: str, *, told: bool) -> None:
    name, unit = role_of(meaning)
    role = next(known for known in ROLES if known == name)
    if role == "ignore":
        return
    if role in columns:
        raise LogError(
            f"both {columns[role].header!r} and {header!r} are to be {role}", where=where, expected="one column each"
        )
    columns[role] = Column(index, header, _unit(role, unit, header, where), told)


def _unit(role: Role, text: str, header: str, where: str) -> Unit | None:
    if not text or text.casefold() in ("iso", "utc", "hh:mm:ss"):
        return None
    try:
        unit = parse_unit(text, "time")
    except OptionError as error:
        raise LogError(error.problem, where=f"{where}, column {header!r}", expected=error.expected) from None
    if unit.dimension != "time" or role not in TIMED:
        raise LogError(
            f"{unit.name} is no unit of {role}", where=f"{where}, column {header!r}", expected="s, ms, min or h of time"
        )
    return unit


def _require(columns: Mapping[Role, Column], headers: Sequence[str], where: str) -> None:
    """A log needs times, and something that says what happened."""
    lacking = "time" if "time" not in columns else "" if {"kind", "name", "text"} & columns.keys() else "name"
    if not lacking:
        return
    read = ", ".join(f"{role} from {column.header!r}" for role, column in columns.items()) or "nothing"
    raise LogError(
        f"no column holds {'the time' if lacking == 'time' else 'what happened'}",
        where=where,
        expected=f"columns of time, and of kind, name or text, among {listed(headers)}",
        remedy=f'Read: {read}. Say which: --column "their header={lacking}".',
    )


def listed(names: Sequence[str]) -> str:
    """Names in quotes, the first dozen."""
    shown = ", ".join(repr(name[:40]) for name in names[:12]) or "none"
    return f"{shown} and {len(names) - 12} more" if len(names) > 12 else shown
