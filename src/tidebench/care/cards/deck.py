"""The cards, read from the tables that ship with the program."""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from tidebench.errors import OptionError
from tidebench.limits import Policy
from tidebench.limits.policy import SIGNS
from tidebench.quantities import COMMON_PRACTICE

PRE_USE = "pre-use"
"""The name of the record of the check before use."""


@dataclass(frozen=True, slots=True)
class Card:
    """One page for one sign.

    Attributes
    ----------
    sign, title, sees : str
        Its name, its heading, and what one sees.
    first : tuple of str
        What comes first, the same on every card: the patient.
    sudden : str
        What doesn't wait.
    clues : tuple of (str, str, str)
        What holds and curves tell, what usually lies behind it, where people look next.
    never : str
        What is not done.
    house : tuple of str
        What a house's policy adds for this sign.
    source : str
    """

    sign: str
    title: str
    sees: str
    first: tuple[str, ...]
    sudden: str
    clues: tuple[tuple[str, str, str], ...]
    never: str
    house: tuple[str, ...] = ()
    source: str = f"{COMMON_PRACTICE}, unless a line says otherwise"


@dataclass(frozen=True, slots=True)
class Check:
    """A line of the record: what is checked, how, and what is written down."""

    what: str
    how: str
    note: str


@dataclass(frozen=True, slots=True)
class PreUse:
    """The record of the check before use."""

    title: str
    lead: str
    checks: tuple[Check, ...]
    source: str = f"{COMMON_PRACTICE}, unless a line says otherwise"


def card(sign: str, policy: Policy | None = None) -> Card:
    """The card of a sign, with what a house's policy adds to it.

    Raises
    ------
    OptionError
        No card has that name.
    """
    if sign not in SIGNS:
        near = difflib.get_close_matches(sign, (*SIGNS, PRE_USE), n=1, cutoff=0.5)
        raise OptionError(
            f"there is no card {sign!r}", where="SIGN", expected=", ".join((*SIGNS, PRE_USE, "all")),
            remedy=f"Nearest: {near[0]}." if near else "",
        )  # fmt: skip
    told = _table("cards.toml")
    own = told[sign]
    clues = tuple((seen, behind, look) for seen, behind, look in own["clues"])
    said = () if policy is None else tuple(f"{one.text} ({policy.name})" for one in policy.cards if one.sign == sign)
    return Card(sign, own["title"], own["sees"], tuple(told["first"]), own["sudden"], clues, told["never"], said)


def pre_use() -> PreUse:
    """The record of the check before use."""
    told = _table("pre_use.toml")
    return PreUse(told["title"], told["lead"], tuple(Check(**item) for item in told["item"]))


@cache
def _table(name: str) -> dict[str, Any]:
    return tomllib.loads(files("tidebench.care.cards").joinpath(name).read_text(encoding="utf-8"))
