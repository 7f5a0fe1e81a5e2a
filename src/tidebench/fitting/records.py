"""What a fit hands on: parameters with their doubt, and why some can't be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.errors import InputError

Samples = npt.NDArray[np.float64]
LOW, HIGH = 0.05, 0.95
"""Edges of the 90 % intervals."""


class FitError(InputError):
    """A stretch from which no patient can be fitted: what is missing, and what would show it."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of a fitted patient.

    Attributes
    ----------
    key, unit : str
    value, low, high : float or None
        Estimate and 90 % interval; None where it can't be told.
    identifiable : bool
        False where the stretch does not show it: it was taken from elsewhere, assumed, or left out.
    why : str
        Where it comes from, or why it can't be told.
    """

    key: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    identifiable: bool
    why: str


def interval(draws: Samples) -> tuple[float, float]:
    """The 90 % interval of draws."""
    low, high = np.quantile(draws, [LOW, HIGH])
    return float(low), float(high)
