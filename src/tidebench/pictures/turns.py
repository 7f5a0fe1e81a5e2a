"""Where inspiration ends in each panel: one moment of the patient, seen in pressure, flow and volume."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.quantities import QUANTITIES
from tidebench.recording import Recording

Values = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

OUT = 0.15
"""Share of the greatest expired flow beyond which gas flows out, of volume's swing below its peak, and of pressure's
steepest fall: this house's, so that the three speak of one moment."""
AROUND_S = 0.35
TOGETHER_PX, TOGETHER_S = 3.0, 0.06
"""Columns of pixels, and seconds, within which they count as one moment."""


@dataclass(frozen=True)
class Turns:
    """Seconds on the recording's clock at which expiration begins, by channel; and how late each is after flow."""

    at_s: dict[str, tuple[float, ...]]
    late_s: dict[str, float]
    within_s: float

    @property
    def words(self) -> tuple[str, ...]:
        """A sentence for each channel beside flow."""
        return tuple(self._said(name, late) for name, late in self.late_s.items())

    def apart(self, name: str) -> bool:
        """True where a channel and flow can't be of one clock."""
        return abs(self.late_s[name]) > self.within_s

    def _said(self, name: str, late: float) -> str:
        what = f"Expiration begins in {QUANTITIES[name].label}"
        if not self.apart(name):
            return f"{what} where it does in flow, within {1000 * self.within_s:.0f} ms."
        when = "after" if late > 0 else "before"
        return f"{what} {1000 * abs(late):.0f} ms {when} it does in flow: check the marks of both clocks."


def turns_of(recording: Recording, per_column_s: float) -> Turns:
    """Where expiration begins in each channel of a recording that was traced."""
    rate = recording.rate_hz
    flow = recording["flow"]
    begun = _begun(flow)
    at_s = {"flow": tuple((begun / rate).tolist())}
    late_s = {}
    reach = round(AROUND_S * rate)
    for name in ("airway_pressure", "volume"):
        if name not in recording:
            continue
        pairs = [(found, place) for place in begun.tolist() if (found := _left(recording[name], place, reach, name))]
        at_s[name] = tuple(found / rate for found, _ in pairs)
        if pairs:
            late_s[name] = float(np.median([found - place for found, place in pairs])) / rate
    return Turns(at_s, late_s, max(TOGETHER_S, TOGETHER_PX * per_column_s))


def _begun(flow: Values) -> Places:
    """Samples at which flow falls below a share of the greatest expired flow, having been inspired before."""
    known = np.nan_to_num(flow)
    most = float(np.quantile(-known, 0.995))
    if most <= 0:
        return np.zeros(0, dtype=np.intp)
    out = known < -OUT * most
    falls = np.flatnonzero(~out[:-1] & out[1:]) + 1
    inspired = np.flatnonzero(known > OUT * most)
    kept: list[int] = []
    for place in falls.tolist():
        before = kept[-1] if kept else 0
        if ((inspired > before) & (inspired < place)).any():
            kept.append(place)
    return np.array(kept, dtype=np.intp)


def _left(values: Values, place: int, reach: int, name: str) -> int | None:
    """The sample around ``place`` at which a channel has begun to fall from its end-inspiratory level."""
    first, last = max(0, place - reach), min(len(values), place + reach)
    part = values[first:last]
    if len(part) < 4 or np.isnan(part).any():
        return None
    if name == "volume":
        top = int(part.argmax())
        fallen = np.flatnonzero(part[top:] < part[top] - OUT * 0.2 * (values[np.isfinite(values)].max() - part.min()))
        return first + top + int(fallen[0]) if len(fallen) else None
    slope = np.gradient(part)
    if slope.min() >= 0:
        return None
    steep = np.flatnonzero(slope <= 0.5 * slope.min())
    steepest = int(steep[np.abs(steep - (place - first)).argmin()])
    while steepest > 0 and slope[steepest - 1] < OUT * slope[steepest]:
        steepest -= 1
    return first + steepest
