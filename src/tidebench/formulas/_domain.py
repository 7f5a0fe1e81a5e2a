"""Domains of formulas: numbers outside are refused, array elements outside become NaN."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NoReturn, TypeVar, cast

import numpy as np
import numpy.typing as npt

from tidebench.errors import OptionError

Samples = npt.NDArray[np.float64]

Number = TypeVar("Number", float, Samples)
"""All numbers or all arrays: what goes in is what comes out."""


def within(
    parameter: str,
    value: Number,
    low: float = -np.inf,
    high: float = np.inf,
    *,
    unit: str = "",
    above: bool = False,
) -> Number:
    """The value where it lies from ``low`` to ``high`` (above ``low`` where ``above`` is set).

    Infinite values lie outside every domain. NaN is passed on.

    Raises
    ------
    OptionError
        A number outside. Array elements outside become NaN instead.
    """
    given = np.asarray(value, dtype=np.float64)
    inside = (given > low if above else given >= low) & (given <= high) & np.isfinite(given)
    if given.ndim:
        return cast(Number, np.where(inside, given, np.nan))
    if not inside and not np.isnan(given):
        refuse(parameter, f"{given:g}", _span(low, high, unit, above))
    number: Any = float(given)
    return cast(Number, number)


def positive(parameter: str, value: Number, high: float = np.inf, *, unit: str = "") -> Number:
    """The value where it is above zero, and not above ``high``: see :func:`within`."""
    return within(parameter, value, 0.0, high, unit=unit, above=True)


def known(parameter: str, value: str, allowed: Iterable[str]) -> str:
    """The word, where it is one of those allowed."""
    words = tuple(allowed)
    if value not in words:
        refuse(parameter, repr(value), ", ".join(repr(word) for word in words))
    return value


def only_where(condition: npt.NDArray[np.bool_] | bool, value: Number, parameter: str, expected: str) -> Number:
    """The value where a condition between several arguments holds; NaN in arrays and refused in numbers elsewhere.

    Where an argument is NaN the condition can't be told and must be given as true: NaN then passes through.
    """
    if isinstance(value, np.ndarray):
        return cast(Number, np.where(condition, value, np.nan))
    if not condition:
        refuse(parameter, f"{value:g}", expected)
    return value


def refuse(parameter: str, arrived: str, expected: str) -> NoReturn:
    """Refuse an argument: which, what arrived, what is allowed."""
    raise OptionError(f"{arrived} can't be used", where=parameter, expected=expected)


def _span(low: float, high: float, unit: str, above: bool) -> str:
    tail = f" {unit}" if unit else ""
    if np.isinf(low) and np.isinf(high):
        return f"a finite number{tail}"
    if np.isinf(high):
        return f"{'above' if above else 'at least'} {low:g}{tail}"
    if np.isinf(low):
        return f"at most {high:g}{tail}"
    return f"{'above ' if above else ''}{low:g} to {high:g}{tail}"
