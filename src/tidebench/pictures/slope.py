"""Flow where a picture has no panel of it: the slope of its volume, with what that leaves open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from tidebench.pictures.agreement import agreement_of
from tidebench.recording import Recording, Uncertainty

Values = npt.NDArray[np.float64]

OVER_S = 0.06
"""Seconds over which a slope is taken: shorter shows pixels, longer blunts the start of a breath. This house's."""
FEWEST = 3
STEP, ASIDE_S = 3, 0.08
LEAST_ASIDE = 2
MANY, LEAST = 4.0, 0.03
"""Samples in which volume is set back, the seconds on either side of them and their fewest samples; how many times what
volume does there it changes by, and which share of its swing at least. This house's."""
SLOPE = "flow is the slope of volume over {over:.0f} ms, since the picture has no panel of flow"
JUMPS = "Volume is set back {times} times at once: that is no flow and was left out of it. "
WORDS = (
    "The picture has no panel of flow: flow is the slope of its volume over {over:.0f} ms. What is quicker is blunted, "
    "peaks of flow are lower bounds, and a volume that is set to zero at each breath hides leaks."
)


def with_slope(recording: Recording) -> Recording:
    """A recording with pressure and volume, and flow beside them: the slope of a parabola through neighbours.

    (Savitzky and Golay, Anal Chem 1964;36:1627.) The doubt of a slope over n neighbours, each off by s, is
    s·√(12/(n·(n²−1))) a sample. Blunting grows with n², so that a third of what a slope over twice as many differs is
    what this one lacks; and what slopes summed up lack of the volume's own rises is in the scale.
    """
    rate = recording.rate_hz
    volume, _ = without_jumps(recording["volume"], rate)
    wide = _odd(OVER_S * rate)
    flow = _slope(volume, wide) * rate
    over = 1000 * wide / rate
    made = recording.with_channel("flow", flow, SLOPE.format(over=over))
    doubt = recording.uncertainty
    if doubt is None:
        return made
    unsure = doubt.samples["volume"] * rate * np.sqrt(12 / (wide * (wide**2 - 1)))
    blunted = (flow - _slope(volume, 2 * wide - 1) * rate) / 3
    samples = {**doubt.samples, "flow": np.hypot(unsure, blunted)}
    agreement = agreement_of(made)
    lost = 0.0 if agreement is None or agreement.ratio is None else abs(1 - agreement.ratio)
    above = {**doubt.above, "flow": np.maximum(blunted, 0.0)}
    below = {**doubt.below, "flow": np.maximum(-blunted, 0.0)}
    return _with_doubt(made, replace(doubt, above=above, below=below), samples, lost)


def without_jumps(volume: Values, rate: float) -> tuple[Values, int]:
    """Volume without the steps by which a display sets it back between breaths, and how many there are.

    A step is no flow: within three samples volume changes by many times what it does that way on either side. It is
    taken off from there on. Near the panel's edges a side is as long as there are samples, two at the least: nearer to
    them a step can't be told from flow.
    """
    aside = max(LEAST_ASIDE, round(ASIDE_S * rate))
    known = volume[np.isfinite(volume)]
    first, last = np.arange(len(volume) - STEP), np.arange(STEP, len(volume))
    back, on = np.minimum(aside, first), np.minimum(aside, len(volume) - 1 - last)
    inside = np.minimum(back, on) >= LEAST_ASIDE
    first, last, back, on = first[inside], last[inside], back[inside], on[inside]
    by = volume[last] - volume[first]
    same = np.sign(by) * STEP
    before, after = same / back * (volume[first] - volume[first - back]), same / on * (volume[last + on] - volume[last])
    usual = np.maximum(0.0, np.maximum(before, after))
    jumps = (
        np.flatnonzero((np.abs(by) > LEAST * np.ptp(known)) & (np.abs(by) > MANY * usual)) if len(known) else first[:0]
    )
    level, found = volume.copy(), 0
    for cluster in np.split(jumps, np.flatnonzero(np.diff(jumps) > STEP) + 1):
        if len(cluster):
            place = cluster[np.abs(by[cluster]).argmax()]
            a, b = int(first[place]), int(last[place])
            level[b:] -= by[place]
            level[a : b + 1] = np.linspace(level[a], level[b], STEP + 1)
            found += 1
    return level, found


def _with_doubt(made: Recording, doubt: Uncertainty, samples: dict[str, Values], lost: float) -> Recording:
    scale = {**doubt.scale, "flow": float(np.sqrt(doubt.scale["volume"] ** 2 + doubt.clock**2 + lost**2))}
    shift = {**doubt.shift_s, "flow": doubt.shift_s["volume"]}
    offset = {**doubt.offset, "flow": 0.0}
    return replace(made, uncertainty=replace(doubt, samples=samples, scale=scale, shift_s=shift, offset=offset))


def _odd(samples: float) -> int:
    return max(FEWEST, 2 * round((samples - 1) / 2) + 1)


def _slope(values: Values, window: int) -> Values:
    """Slope a sample, NaN where no whole neighbourhood is known."""
    from scipy.signal import savgol_filter

    slope: Values = savgol_filter(values, window, 2, deriv=1, mode="interp")
    return slope


def words(recording: Recording) -> str:
    """What a reader must know of such a flow."""
    _, jumps = without_jumps(recording["volume"], recording.rate_hz)
    return (JUMPS.format(times=jumps) if jumps else "") + WORDS.format(
        over=1000 * _odd(OVER_S * recording.rate_hz) / recording.rate_hz
    )
