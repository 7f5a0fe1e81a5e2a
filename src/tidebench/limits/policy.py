"""A house's own limits: ``policy.toml``.

::

    title = "Ventilation policy, adult intensive care"
    date = 2031-03-01

    [[limit]]
    quantity = "plateau_pressure_cmh2o"
    group = "adult"
    high = 28
    text = "Agreed in March."

    [[limit]]
    quantity = "mechanical_power_j_min"
    group = "adult"
    use = false

    [[practice]]
    item = "rate_per_min"
    group = "adult"
    lungs = "obstructive"
    low = 8
    high = 10

    [[peep_table]]
    group = "adult"
    rows = [[0.3, 5], [0.4, 8], [0.6, 12], [1.0, 18]]

    [[card]]
    sign = "high-pressure"
    text = "Needle and drain: in the red box."

A limit of the house stands instead of the published ones of the same quantity and group; ``use = false`` takes away the
published one of that quantity, group and condition. Items of practice and tables of FiO2 and PEEP stand instead of what
is listed in :mod:`tidebench.limits.starts`.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import math
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictBool, ValidationError, model_validator

from tidebench.case import Lungs
from tidebench.case_errors import explain
from tidebench.entries import refusal, toml_text
from tidebench.errors import OptionError
from tidebench.limits.practice import ITEMS, NEWBORN_FIO2_BELOW, Practice
from tidebench.limits.published import WEANING
from tidebench.limits.record import Condition, Group, Limit
from tidebench.limits.starts import Pair
from tidebench.quantities import quantity

Sign = Literal["high-pressure", "falling-volume", "falling-saturation", "no-trigger", "stacking", "leak"]
"""What one sees at sudden trouble, in the order of how often it calls: a card each."""
SIGNS: tuple[Sign, ...] = get_args(Sign)
MOST_OF_A_CARD = 2
"""Lines that a house may add to a card, which stays one page."""
Bound = Annotated[float, Field(strict=True, allow_inf_nan=False)]
MOST_BYTES = 1 << 20
MOST_ROWS = 60


_ADULT_TRIAL = tuple(limit.key for limit in WEANING if (limit.group, limit.condition) == ("adult", "breathing trial"))
ASKED_BY_WEANING: dict[Condition | None, dict[Group, tuple[str, ...]]] = {
    "readiness to wean": {"adult": tuple(limit.key for limit in WEANING if limit.condition == "readiness to wean")},
    "breathing trial": {"adult": _ADULT_TRIAL, "child": ("rate_per_min", "spo2", "vt_per_weight_ml_kg")},
}
"""What a house may bound under weaning's conditions, by group."""


@dataclass(frozen=True, slots=True)
class CardLine:
    """A line that a house adds to the card of a sign."""

    sign: Sign
    text: str


@dataclass(frozen=True, slots=True)
class Policy:
    """The limits of a house.

    Attributes
    ----------
    title : str
        What the house calls it.
    day : date or None
        As of when.
    limits : tuple of Limit
        Of kind ``house policy``.
    unused : frozenset of (str, str, str or None)
        Quantity, group and condition of published limits that this house does not use.
    practice : tuple of Practice
        Where this house starts and sets its alarms.
    peep_tables : mapping of str to tuple of (float, float)
        FiO2 and PEEP [cmH2O] in ARDS, by group.
    cards : tuple of CardLine
        What this house adds to cards for sudden trouble.
    """

    title: str
    day: date | None
    limits: tuple[Limit, ...]
    unused: frozenset[tuple[str, Group, Condition | None]]
    practice: tuple[Practice, ...] = ()
    peep_tables: Mapping[Group, tuple[Pair, ...]] = field(default_factory=dict)
    cards: tuple[CardLine, ...] = ()

    @property
    def name(self) -> str:
        """Title and day."""
        return f"{self.title} ({self.day.isoformat()})" if self.day else self.title

    @property
    def policy_hash(self) -> str:
        """Hash of what the policy says: the same statements have the same hash, in whatever order and layout."""
        said: list[Any] = [
            self.name,
            sorted(map(str, (asdict(limit) for limit in self.limits))),
            sorted(map(str, self.unused)),
        ]
        if self.practice or self.peep_tables:
            own = sorted(map(str, (asdict(item) for item in self.practice)))
            said += [own, sorted((group, list(rows)) for group, rows in self.peep_tables.items())]
        if self.cards:
            said.append(sorted(map(str, (asdict(line) for line in self.cards))))
        return hashlib.blake2b(json.dumps(said).encode(), digest_size=16).hexdigest()

    @property
    def identity(self) -> dict[str, str]:
        """Name and hash, as a result keeps them."""
        return {"name": self.name, "hash": self.policy_hash}


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class _Entry(_Table):
    """One ``[[limit]]``."""

    quantity: str
    group: Group
    low: Bound | None = None
    high: Bound | None = None
    target: Bound | None = None
    condition: Condition | None = None
    text: str = ""
    use: StrictBool = True

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        try:
            plausible = quantity(self.quantity).plausible
        except OptionError as error:
            raise refusal(error.problem, error.expected, error.remedy) from None
        self._refuse_what_weaning_does_not_ask()
        bounds = [bound for bound in (self.low, self.target, self.high) if bound is not None]
        if not self.use and bounds:
            raise refusal(f"has bounds for {self.quantity}, and use = false", "one of them")
        if self.use and self.low is None and self.high is None:
            raise refusal(f"has no bound for {self.quantity}", "low, high or both")
        if bounds != sorted(bounds):
            raise refusal(f"has low, target and high for {self.quantity} as {bounds}", "low ≤ target ≤ high")
        for bound in bounds:
            if not plausible[0] <= bound <= plausible[1]:
                unit = quantity(self.quantity).unit
                raise refusal(
                    f"has {bound:g} for {self.quantity}", f"{plausible[0]:g} to {plausible[1]:g} {unit}".rstrip()
                )
        return self

    def _refuse_what_weaning_does_not_ask(self) -> None:
        if self.condition not in ASKED_BY_WEANING:
            return
        keys = ASKED_BY_WEANING[self.condition].get(self.group, ())
        if self.quantity not in keys:
            told = ", ".join(keys) if keys else 'none of this group; group = "adult"'
            raise refusal(f"has {self.quantity} under {self.condition!r}, where nothing looks at it", told)


class _Start(_Table):
    """One ``[[practice]]``."""

    item: str
    group: Group
    low: Bound
    high: Bound
    lungs: Lungs | None = None
    below_kg: Annotated[float, Field(gt=0, le=10)] | None = None
    text: str = ""

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.below_kg is not None and self.group != "newborn":
            raise refusal(f"has below_kg for the group {self.group!r}", 'below_kg with group = "newborn" alone')
        known = ITEMS.get(self.item)
        if known is None:
            near = difflib.get_close_matches(self.item, ITEMS, n=3)
            raise refusal(f"has no item {self.item!r}", ", ".join(near or ITEMS))
        if self.low > self.high:
            raise refusal(f"has low {self.low:g} above high {self.high:g} for {self.item}", "low ≤ high")
        for bound in (self.low, self.high):
            if not known.low <= bound <= known.high:
                span = f"{known.low:g} to {known.high:g} {known.unit}".rstrip()
                raise refusal(f"has {bound:g} for {self.item}", span)
        if self.item == "fio2" and self.group == "newborn" and self.high >= NEWBORN_FIO2_BELOW:
            raise refusal("has pure oxygen for newborns to start from", f"below {NEWBORN_FIO2_BELOW:g}")
        return self


class _PeepTable(_Table):
    """One ``[[peep_table]]``: rows of FiO2 and PEEP in ARDS."""

    group: Literal["adult", "child"]
    rows: Annotated[tuple[tuple[Bound, Bound], ...], Field(min_length=2, max_length=MOST_ROWS)]

    @model_validator(mode="after")
    def _rises(self) -> Self:
        for fio2, peep in self.rows:
            if not (0.21 <= fio2 <= 1.0 and 0.0 <= peep <= ITEMS["peep_cmh2o"].high):
                raise refusal(f"has the row [{fio2:g}, {peep:g}]", "FiO2 0.21 to 1, PEEP 0 to 24 cmH2O")
        if list(self.rows) != sorted(set(self.rows)):
            raise refusal("has rows that don't rise", "FiO2 and PEEP rising from row to row, none twice")
        return self


class _Card(_Table):
    """One ``[[card]]``: what a house adds to the card of a sign."""

    sign: Sign
    text: Annotated[str, Field(min_length=1, max_length=200)]


def _tables(value: object) -> object:
    return (value,) if isinstance(value, dict) else value


class _File(_Table):
    """All of ``policy.toml``."""

    title: Annotated[str, Field(min_length=1)]
    day: Annotated[date | None, Field(alias="date")] = None
    limits: Annotated[tuple[_Entry, ...], BeforeValidator(_tables), Field(alias="limit")] = ()
    practice: Annotated[tuple[_Start, ...], BeforeValidator(_tables)] = ()
    peep_table: Annotated[tuple[_PeepTable, ...], BeforeValidator(_tables)] = ()
    card: Annotated[tuple[_Card, ...], BeforeValidator(_tables)] = ()


def load_policy(path: Path | str) -> Policy:
    """The policy that a file states.

    Raises
    ------
    OptionError
        No such file, not TOML, an unknown key or quantity, a bound that no patient reaches, bounds in the wrong order,
        or two limits for the same quantity, group and condition.
    """
    file = Path(path)
    said = _toml(file)
    try:
        stated = _File.model_validate(said)
    except ValidationError as error:
        told = explain(error, said, _File, file.name)
        raise OptionError(told.problem, where=told.where, expected=told.expected, remedy=told.remedy) from None
    _refuse_twice(stated, file.name)
    name = Policy(stated.title, stated.day, (), frozenset()).name
    limits = tuple(_limit(entry, name) for entry in stated.limits if entry.use)
    unused = frozenset((entry.quantity, entry.group, entry.condition) for entry in stated.limits if not entry.use)
    own = tuple(_practice(start, name) for start in stated.practice)
    tables: dict[Group, tuple[Pair, ...]] = {table.group: table.rows for table in stated.peep_table}
    cards = tuple(CardLine(line.sign, line.text) for line in stated.card)
    return Policy(stated.title, stated.day, limits, unused, own, tables, cards)


def _practice(start: _Start, name: str) -> Practice:
    weight = math.inf if start.below_kg is None else start.below_kg
    return Practice(
        start.item, start.group, start.low, start.high, "house policy", name, start.text, start.lungs, below_kg=weight
    )


def _limit(entry: _Entry, name: str) -> Limit:
    return Limit(
        entry.quantity,
        entry.group,
        entry.low,
        entry.high,
        "house policy",
        name,
        entry.text,
        target=entry.target,
        condition=entry.condition,
    )


def _refuse_twice(stated: _File, name: str) -> None:
    seen: set[tuple[str, str, str | None]] = set()
    for entry in stated.limits:
        place = (entry.quantity, entry.group, entry.condition)
        if place in seen:
            raise OptionError(
                f"{entry.quantity} has two limits for the group {entry.group!r}",
                where=name,
                expected="one limit for each quantity, group and condition",
            )
        seen.add(place)
    items = [_place(start) for start in stated.practice]
    items += [f"peep_table, {table.group}" for table in stated.peep_table]
    for sign in SIGNS:
        if (count := sum(line.sign == sign for line in stated.card)) > MOST_OF_A_CARD:
            raise OptionError(
                f"the card {sign!r} gets {count} lines",
                where=name,
                expected=f"at most {MOST_OF_A_CARD}: it is one page",
            )
    if twice := next((item for item in items if items.count(item) > 1), None):
        raise OptionError(f"{twice} is given twice", where=name, expected="one for each item, group and lungs")


def _place(start: _Start) -> str:
    below = f", below {start.below_kg:g} kg" if start.below_kg else ""
    return f"{start.item}, {start.group}, {start.lungs or 'all lungs'}{below}"


def _toml(file: Path) -> dict[str, object]:
    if not file.is_file():
        raise OptionError("there is no such file", where=str(file), expected="a policy.toml")
    try:
        if file.stat().st_size > MOST_BYTES:
            raise OptionError("the file is larger than 1 MiB", where=str(file), expected="a policy.toml")
        return tomllib.loads(toml_text(file.read_bytes()))
    except OSError as error:
        raise OptionError(f"this can't be read ({error.strerror or error})", where=str(file)) from error
    except tomllib.TOMLDecodeError as error:
        raise OptionError(f"not TOML: {error}", where=file.name) from None
