"""Several recordings of one stay, joined on one clock: 0 s is the first sample of the first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tidebench.errors import CaseError
from tidebench.readers.assembly import mark_gaps
from tidebench.readers.clock import MOST_SAMPLES, Sampled
from tidebench.readers.uncertain import joined
from tidebench.recording import Recording

Samples = npt.NDArray[np.float64]

_SAME_RATE = 0.25  # samples by which two clocks may differ at the end of a recording and still count as one rate


def join(parts: Sequence[Recording]) -> Recording:
    """One recording of several, gaps between them.

    Parameters
    ----------
    parts : sequence of Recording
        Each with its ``start``, in any order. Where rates differ, the slower are interpolated to the highest.

    Raises
    ------
    CaseError
        A part without a start, some starts with a zone and some without, parts that overlap, a span of more than 400
        million samples.
    """
    offsets = _offsets(parts)
    order = sorted(range(len(parts)), key=offsets.__getitem__)
    parts, offsets = [parts[i] for i in order], [offsets[i] for i in order]
    _refuse_overlap(parts, offsets)
    rate = max(part.rate_hz for part in parts)
    length = round((offsets[-1] + parts[-1].duration_s) * rate)
    if length > MOST_SAMPLES:
        raise CaseError(
            f"the recordings span {length / rate / 3600:.0f} h, {length:.3g} samples",
            where="[[recording]]",
            expected=f"at most {MOST_SAMPLES / 1e6:.0f} million samples",
            remedy="Check each start, or make a case of each recording.",
        )
    names = dict.fromkeys(name for part in parts for name in part.channels)
    sampled = Sampled(rate, {name: np.full(length, np.nan) for name in names}, 0.0)
    places = [_put(part, round(offset * rate), sampled) for part, offset in zip(parts, offsets, strict=True)]
    gaps = mark_gaps(sampled)
    source = ", ".join(part.source for part in parts)
    return Recording(
        rate, sampled.channels, gaps, parts[0].start, tuple(sampled.steps), tuple(sampled.warnings), source,
        joined(parts, places, rate, length),
    )  # fmt: skip


def _offsets(parts: Sequence[Recording]) -> list[float]:
    """Seconds from the earliest start."""
    starts: list[datetime] = []
    for number, part in enumerate(parts, start=1):
        if part.start is None:
            raise CaseError(
                f"{part.source} has no start",
                where=f"[[recording]] {number}",
                expected='start = "2031-05-04T13:20:00", or stamps in its time column',
            )
        starts.append(part.start)
    if len({start.tzinfo is None for start in starts}) > 1:
        raise CaseError("some starts have a zone and some have none", where="[[recording]]", expected="all or none")
    earliest = min(starts)
    return [(start - earliest).total_seconds() for start in starts]


def _refuse_overlap(parts: Sequence[Recording], offsets: Sequence[float]) -> None:
    for (before, begun), (after, begins) in pairwise(zip(parts, offsets, strict=True)):
        over = begun + before.duration_s - begins
        if over > 1.0 / before.rate_hz:
            raise CaseError(
                f"{after.source} begins {over:.3g} s before {before.source} ends",
                where="[[recording]]",
                expected="recordings one after the other",
                remedy="Check each start.",
            )


def _put(part: Recording, at: int, sampled: Sampled) -> slice:
    """A part's channels in their place, which is returned."""
    resampled = abs(part.rate_hz - sampled.rate_hz) * part.duration_s > _SAME_RATE
    count = round(part.duration_s * sampled.rate_hz) if resampled else len(part)
    count = min(count, len(next(iter(sampled.channels.values()))) - at)
    for name, samples in part.channels.items():
        values = samples
        if resampled:
            values = np.interp(np.arange(count) / sampled.rate_hz, np.arange(len(part)) / part.rate_hz, samples)
        sampled.channels[name][at : at + count] = values[:count]
    if resampled:
        sampled.steps.append(f"{part.source}: interpolated from {part.rate_hz:.6g} to {sampled.rate_hz:.6g} Hz")
    sampled.steps.extend(f"{part.source}: {step}" for step in part.steps)
    sampled.warnings.extend(f"{part.source}: {warning}" for warning in part.warnings)
    return slice(at, at + count)
