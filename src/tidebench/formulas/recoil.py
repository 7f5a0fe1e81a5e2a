"""Recoil of lung and chest wall over their volume: the sigmoid of a pressure-volume curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tidebench.formulas._domain import Number, only_where, positive, within

_TANGENT = 2.0
_CURVATURE = float(np.log(2.0 + np.sqrt(3.0)))  # 1.316958: where the sigmoid's second derivative is greatest


class Corners(NamedTuple):
    """Lower and upper corner of a pressure-volume curve [cmH2O]."""

    lower_cmh2o: float
    upper_cmh2o: float


@dataclass(frozen=True, slots=True)
class Sigmoid:
    """``V = a + b / (1 + e^(−(P − c)/d))``.

    Attributes
    ----------
    lowest_l : float
        a, the volume towards which the curve falls [L], finite.
    span_l : float
        b, the volume from there to the top [L], above zero.
    middle_cmh2o : float
        c, the pressure at which the curve is steepest [cmH2O], finite.
    width_cmh2o : float
        d, which sets how fast it turns [cmH2O], above zero.

    Notes
    -----
    Venegas, J Appl Physiol 1998;84:389 (form verified in a later letter; definition of corners from memory).
    """

    lowest_l: float
    span_l: float
    middle_cmh2o: float
    width_cmh2o: float

    def __post_init__(self) -> None:
        within("lowest_l", self.lowest_l, unit="L")
        positive("span_l", self.span_l, unit="L")
        within("middle_cmh2o", self.middle_cmh2o, unit="cmH2O")
        positive("width_cmh2o", self.width_cmh2o, unit="cmH2O")

    def volume_l(self, pressure_cmh2o: Number) -> Number:
        """Volume [L] at a pressure [cmH2O], finite."""
        pressure = within("pressure_cmh2o", pressure_cmh2o, unit="cmH2O")
        # tanh says the same as the printed form and does not overflow far below the middle.
        volume: Number = self.lowest_l + self.span_l * 0.5 * (1.0 + np.tanh(self._distance(pressure) / 2.0))
        return volume

    def pressure_cmh2o(self, volume_l: Number) -> Number:
        """Pressure [cmH2O] at a volume [L] strictly between ``a`` and ``a + b``."""
        part = (within("volume_l", volume_l, unit="L") - self.lowest_l) / self.span_l
        inside = only_where(
            ~(np.less_equal(part, 0.0) | np.greater_equal(part, 1.0)),
            part,
            "volume_l, as a part of the span",
            "between 0 and 1",
        )
        pressure: Number = self.middle_cmh2o + self.width_cmh2o * np.log(inside / (1.0 - inside))
        return pressure

    def compliance_l_cmh2o(self, pressure_cmh2o: Number) -> Number:
        """Slope of the curve [L/cmH2O] at a pressure [cmH2O]; ``b/4d`` at the middle, where it is greatest."""
        pressure = within("pressure_cmh2o", pressure_cmh2o, unit="cmH2O")
        slope: Number = self.span_l / (4.0 * self.width_cmh2o) * (1.0 - np.tanh(self._distance(pressure) / 2.0) ** 2)
        return slope

    def corners(self) -> Corners:
        """Where the tangent at the middle meets the lowest and the highest volume: ``c ± 2d``."""
        return self._around_middle(_TANGENT)

    def corners_of_curvature(self) -> Corners:
        """Where the curve bends most: ``c ± 1.317·d``. Harris, Respir Care 2000 (volume and page not seen)."""
        return self._around_middle(_CURVATURE)

    def _around_middle(self, widths: float) -> Corners:
        return Corners(self.middle_cmh2o - widths * self.width_cmh2o, self.middle_cmh2o + widths * self.width_cmh2o)

    def _distance(self, pressure: Number) -> Number:
        return (pressure - self.middle_cmh2o) / self.width_cmh2o
