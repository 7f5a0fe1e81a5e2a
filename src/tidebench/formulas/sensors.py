"""Offset and gain of a sensor against a reference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tidebench.errors import OptionError
from tidebench.formulas._domain import Samples


@dataclass(frozen=True, slots=True)
class SensorLine:
    """``measured = offset + gain·reference``.

    Attributes
    ----------
    offset, gain : float
        In the sensor's unit, and without one.
    largest : float
        Largest distance of a reading from the line.
    """

    offset: float
    gain: float
    largest: float


def sensor_line(reference: Samples, measured: Samples) -> SensorLine:
    """The line by least squares through readings at two or more references.

    Raises
    ------
    OptionError
        Lengths differ, or all references are alike: offset and gain then can't be told apart.
    """
    wanted, read = (np.asarray(values, dtype=np.float64) for values in (reference, measured))
    if wanted.shape != read.shape or wanted.size == 0:
        raise OptionError(f"{wanted.size} references and {read.size} readings", expected="a reading for each reference")
    if np.ptp(wanted) == 0.0:
        raise OptionError("all references are alike", expected="at least two, such as 0 and 30 cmH2O")
    gain, offset = np.polyfit(wanted, read, 1)
    return SensorLine(float(offset), float(gain), float(np.abs(read - offset - gain * wanted).max()))


def syringe_gain(strokes: Samples, syringe: float) -> tuple[float, float]:
    """Mean of the strokes over the syringe's volume, and their coefficient of variation (NaN of one stroke).

    Volumes in one unit, under the same conditions of gas, all above zero.
    """
    volumes = np.asarray(strokes, dtype=np.float64)
    if volumes.size == 0 or not (volumes > 0).all() or not syringe > 0:
        raise OptionError("a stroke or the syringe is not above zero", expected="volumes above zero")
    spread = float(volumes.std(ddof=1) / volumes.mean()) if volumes.size > 1 else float("nan")
    return float(volumes.mean() / syringe), spread
