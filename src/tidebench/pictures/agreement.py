"""What panels of one picture say of each other: flow summed up against volume, and the turn of a breath in both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from tidebench.recording import Recording

Values = npt.NDArray[np.float64]
Mend = Literal["flow", "volume"]

SWING = 0.4
"""Share of the volume panel's range that a rise has to have to count as an inspiration."""
SAID = 0.03
"""Disagreement from which on it is told: this house's choice, the error of a careful reading."""


@dataclass(frozen=True)
class Agreement:
    """Flow summed up over inspirations by what the volume panel shows, their number, and the turn's difference in s."""

    ratio: float | None
    inspirations: int
    turn_s: float | None

    @property
    def words(self) -> str:
        """As a sentence."""
        if self.ratio is None:
            return "Flow and volume could not be held against each other: no whole inspiration in both panels."
        share = 100 * (self.ratio - 1)
        turn = "" if self.turn_s is None else f" Flow turns {1000 * self.turn_s:+.0f} ms after volume's peak."
        if abs(share) < 100 * SAID:
            return f"Flow summed up agrees with the volume panel within {abs(share):.1f} %.{turn}"
        more = "more" if share > 0 else "less"
        return (
            f"Flow summed up over {self.inspirations} inspirations gives {abs(share):.1f} % {more} than the volume "
            f"panel shows: one of the two calibrations, or the marked seconds, may be off.{turn}"
        )


def agreement_of(recording: Recording) -> Agreement | None:
    """How flow agrees with a traced volume; None without one."""
    if "volume" not in recording:
        return None
    flow, volume = recording["flow"], recording["volume"]
    ratios, turns = [], []
    for first, last in rises(volume):
        part = flow[first : last + 1]
        rise = volume[last] - volume[first]
        if np.isnan(part).any() or not rise > 0:
            continue
        ratios.append(float(np.trapezoid(part) / recording.rate_hz / rise))
        turn = _turn(flow, last, round(0.4 * recording.rate_hz))
        turns += [] if turn is None else [(turn - last) / recording.rate_hz]
    if not ratios:
        return Agreement(None, 0, None)
    return Agreement(float(np.median(ratios)), len(ratios), float(np.median(turns)) if turns else None)


def rises(volume: Values) -> Sequence[tuple[int, int]]:
    """First and last sample of each large rise of volume."""
    from scipy.signal import find_peaks

    known = np.where(np.isfinite(volume), volume, np.nanmin(volume))
    span = float(known.max() - known.min())
    peaks, _ = find_peaks(known, prominence=SWING * span)
    found: list[tuple[int, int]] = []
    for peak in peaks:
        before = found[-1][1] if found else 0
        low = before + int(known[before : peak + 1].argmin())
        started = np.flatnonzero(known[low : peak + 1] <= known[low] + 0.01 * span)
        found.append((low + int(started[-1]) if len(started) else low, int(peak)))
    return found


def _turn(flow: Values, at: int, reach: int) -> int | None:
    """Sample nearest ``at`` at which flow falls through zero."""
    first = max(0, at - reach)
    part = flow[first : at + reach]
    falls = np.flatnonzero((part[:-1] > 0) & (part[1:] <= 0)) + first
    return int(falls[np.abs(falls - at).argmin()]) if len(falls) else None


def mended(recording: Recording, agreement: Agreement, which: Mend) -> Recording:
    """The recording with one of the two channels scaled so that both agree, and that step listed."""
    if agreement.ratio is None:
        return recording
    scale = 1 / agreement.ratio if which == "flow" else agreement.ratio
    step = f"{which} times {scale:.4g}, so that flow summed up agrees with the volume panel: asked for"
    return recording.with_channel(which, recording[which] * scale, step)
