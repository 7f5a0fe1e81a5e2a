"""What a person may type: numbers with their plausible range, and the slips that are asked about.

The ranges are data (:class:`Within`), found on the fields of the models in :mod:`tidebench.case`.
"""

from __future__ import annotations

import codecs
import numbers
import operator
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic import GetCoreSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

GUESSED = ("tens of per cent",)
"""Slips that are guesses: a person has to say yes, and an empty answer doesn't."""


@dataclass(frozen=True)
class Within:
    """A number from ``low`` to ``high``, both allowed.

    Attributes
    ----------
    low, high : float
        What a patient, machine or clock can produce, preterm to adult.
    unit : str
        Unit of the number.
    slips : mapping of str to float
        Units in which the number is often typed by mistake, with the factor into the right one. A refused number that
        would be plausible by one of them is asked about.
    likely : float or None
        What a slip must come to, where the range begins lower than anybody would mean.
    """

    low: float
    high: float
    unit: str = ""
    slips: Mapping[str, float] = field(default_factory=dict, hash=False)
    likely: float | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        """A strict float (no text, no true or false) that is then checked."""
        return core_schema.no_info_after_validator_function(self.check, core_schema.float_schema(strict=True))

    def check(self, value: float) -> float:
        """The value, if it lies within; NaN does not.

        Raises
        ------
        PydanticCustomError
            With ``expected`` and ``remedy`` in its context.
        """
        if self.low <= value <= self.high:
            return value
        raise refusal(f"is {value:g}", f"{self.low:g} to {self.high:g} {self.unit}".rstrip(), self._question(value))

    def slip(self, value: float) -> tuple[str, float] | None:
        """The unit in which a refused number was probably typed, and what it is in the right one."""
        least = self.low if self.likely is None else self.likely
        for unit, factor in self.slips.items():
            if unit == "per cent" and value <= 1:
                continue
            if least <= value * factor <= self.high:
                return unit, value * factor
        return None

    def _question(self, value: float) -> str:
        slip = self.slip(value)
        return "" if slip is None else f"Is that in {slip[0]}? Then write {slip[1]:.4g}."


def plain_whole(value: Any) -> Any:
    """A whole number of an array as a number of Python; anything else as it is."""
    return operator.index(value) if isinstance(value, numbers.Integral) and not isinstance(value, bool) else value


def toml_text(raw: bytes) -> str:
    """The text of a TOML file: UTF-8, with or without a mark.

    Raises
    ------
    tomllib.TOMLDecodeError
        It is in another encoding, with what to do.
    """
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        wide = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
        line = raw[: error.start].count(b"\n") + 1
        look = "UTF-16" if wide else f"Windows-1252 (line {line})"
        raise tomllib.TOMLDecodeError(
            f"this is not text in UTF-8, by its look {look}: save the file as UTF-8"
        ) from None


def refusal(problem: str, expected: str = "", remedy: str = "") -> PydanticCustomError:
    """An error of validation that carries what is allowed and what to do."""
    return PydanticCustomError("refused", "{problem}", {"problem": problem, "expected": expected, "remedy": remedy})
