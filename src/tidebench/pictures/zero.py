"""Where flow's zero lies, told by the volume beside it: marks are whole pixels, and half of one is volume in the end.

Between the onsets of two rises, the volume that a display shows and flow summed up have to run alike::

    V(t) = c + a·∫f dt − a·z·t + s·f(t)        c where a display began, a the two scales, s how far clocks are apart

The slope that flow summed up has against volume is its zero ``z``. A leak is in both and moves nothing. Only ``z`` is
used, and only within what the marks of flow leave open: scales and clocks are told, not changed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tidebench.pictures.agreement import rises
from tidebench.recording import Recording

Values = npt.NDArray[np.float64]

FEWEST = 2
ASIDE = 2.0
"""Columns beside a rise's onset that are left out: there the display sets volume back."""
SHORTEST = 4
"""Times that, below which a breath shows no slope."""
LEAST_PX = 0.1
"""One standard deviation of a zero in pixels, however well breaths agree: half of a sample's own (this house's)."""
OPEN = 3.0
"""Standard deviations of what marks leave open, beyond which they were misread: that is told and nothing is moved."""
WORDS = {
    True: "The zero of flow lies {px:+.2f} pixels from its marks, within what they leave open: it is taken from the "
    "volume panel.",
    False: "The zero of flow lies {px:+.2f} pixels from its marks by the volume panel, more than they leave open: "
    "check the marks of both.",
}


@dataclass(frozen=True)
class Zero:
    """What the picture's flow reads when there is none, L/s, with one standard deviation; ``within`` what marks leave.

    ``px`` is the same in pixels.
    """

    flow: float
    sd: float
    px: float
    within: bool

    @property
    def words(self) -> str:
        """As a sentence."""
        return WORDS[self.within].format(px=self.px)


def zero_of(recording: Recording, per_row: float, per_column_s: float) -> Zero | None:
    """The zero of flow by the volume beside it, what marks say weighed in; None where fewer than two breaths show it.

    Parameters
    ----------
    recording : Recording
        With flow and volume, each traced, and their uncertainty.
    per_row, per_column_s : float
        A pixel of flow in L/s, and of time.
    """
    assert recording.uncertainty is not None
    found = _of_breaths(recording["flow"], recording["volume"], recording.rate_hz, per_column_s)
    if len(found) < FEWEST:
        return None
    marks = recording.uncertainty.offset["flow"]
    sd = float(np.hypot(found.std(ddof=1) / np.sqrt(len(found)), LEAST_PX * per_row))
    weight = marks**2 / (marks**2 + sd**2)
    flow = weight * float(np.median(found))
    return Zero(flow, float(np.sqrt(weight)) * sd, flow / per_row, abs(flow) <= OPEN * marks)


def _of_breaths(flow: Values, volume: Values, rate: float, per_column_s: float) -> Values:
    """The zero of each breath that is whole in both channels, scales and clocks being those of all."""
    summed = np.concatenate([[0.0], np.nancumsum((flow[1:] + flow[:-1]) / 2)]) / rate
    aside = int(np.ceil(ASIDE * per_column_s * rate)) + 1
    onsets = [first for first, _ in rises(volume)]
    sides, shown = [], []
    for first, last in pairwise(onsets):
        part = slice(first + aside, last - aside)
        side = np.stack([summed[part], -np.arange(part.start, part.stop) / rate, flow[part]], axis=1)
        if last - first > SHORTEST * aside and np.isfinite(side).all() and np.isfinite(volume[part]).all():
            sides.append(side - side.mean(axis=0))
            shown.append(volume[part] - volume[part].mean())
    if len(sides) < FEWEST:
        return np.zeros(0)
    theta = np.linalg.lstsq(np.concatenate(sides), np.concatenate(shown), rcond=None)[0]
    own = [
        side[:, 1] @ (part - side[:, [0, 2]] @ theta[[0, 2]]) / (side[:, 1] @ side[:, 1])
        for side, part in zip(sides, shown, strict=True)
    ]
    return np.asarray(np.array(own) / theta[0], np.float64)


def zeroed(recording: Recording, zero: Zero) -> Recording:
    """The recording with flow from its zero on, where that lies within what marks leave open.

    Else flow stays as it was, and its zero is as unsure as the two are apart.
    """
    doubt = recording.uncertainty
    assert doubt is not None
    if not zero.within:
        return replace(recording, uncertainty=replace(doubt, offset={**doubt.offset, "flow": abs(zero.flow)}))
    moved = recording.with_channel("flow", recording["flow"] - zero.flow, zero.words)
    return replace(moved, uncertainty=replace(doubt, offset={**doubt.offset, "flow": zero.sd}))
