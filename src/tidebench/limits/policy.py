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

A limit of the house stands instead of the published ones of the same quantity and group; ``use = false`` takes away the
published one of that quantity, group and condition.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictBool, ValidationError, model_validator

from tidebench.case_errors import explain
from tidebench.entries import refusal
from tidebench.errors import OptionError
from tidebench.limits.published import WEANING
from tidebench.limits.record import Condition, Group, Limit
from tidebench.quantities import quantity

Bound = Annotated[float, Field(strict=True, allow_inf_nan=False)]


_ADULT_TRIAL = tuple(limit.key for limit in WEANING if (limit.group, limit.condition) == ("adult", "breathing trial"))
ASKED_BY_WEANING: dict[Condition | None, dict[Group, tuple[str, ...]]] = {
    "readiness to wean": {"adult": tuple(limit.key for limit in WEANING if limit.condition == "readiness to wean")},
    "breathing trial": {"adult": _ADULT_TRIAL, "child": ("rate_per_min", "spo2", "vt_per_weight_ml_kg")},
}
"""What a house may bound under weaning's conditions, by group."""


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
    """

    title: str
    day: date | None
    limits: tuple[Limit, ...]
    unused: frozenset[tuple[str, Group, Condition | None]]

    @property
    def name(self) -> str:
        """Title and day."""
        return f"{self.title} ({self.day.isoformat()})" if self.day else self.title

    @property
    def policy_hash(self) -> str:
        """Hash of what the policy says: the same statements have the same hash, in whatever order and layout."""
        said = [self.name, sorted(map(str, (asdict(limit) for limit in self.limits))), sorted(map(str, self.unused))]
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


def _tables(value: object) -> object:
    return (value,) if isinstance(value, dict) else value


class _File(_Table):
    """All of ``policy.toml``."""

    title: Annotated[str, Field(min_length=1)]
    day: Annotated[date | None, Field(alias="date")] = None
    limits: Annotated[tuple[_Entry, ...], BeforeValidator(_tables), Field(alias="limit")] = ()


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
    return Policy(stated.title, stated.day, limits, unused)


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


def _toml(file: Path) -> dict[str, object]:
    if not file.is_file():
        raise OptionError("there is no such file", where=str(file), expected="a policy.toml")
    try:
        return tomllib.loads(file.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise OptionError(f"this can't be read ({error.strerror or error})", where=str(file)) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise OptionError(f"not TOML: {error}", where=file.name) from None
