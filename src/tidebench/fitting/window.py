"""The stretch that a patient is fitted to: which breaths, under which settings, and why these."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.case import Setting
from tidebench.errors import OptionError
from tidebench.fitting.records import FitError
from tidebench.review import Review

LONGEST_S = 120.0
FEWEST = 5
SETTLING = 3  # breaths after a change of settings or a hold that are left out
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Window:
    """Breaths of a review by index, from ``from_s`` to ``to_s``, under one setting.

    ``reason`` says who chose it, or why it is the best.
    """

    review: Review
    from_s: float
    to_s: float
    breaths: npt.NDArray[np.int64]
    setting: Setting
    reason: str

    @property
    def passive(self) -> npt.NDArray[np.int64]:
        """Its passive breaths."""
        return np.asarray(self.breaths[self.review.mechanics["passive"][self.breaths] == 1], np.int64)


def choose(review: Review, from_s: float | None = None, to_s: float | None = None) -> Window:
    """The window asked for, or the best one.

    The best has one setting and most passive breaths, the latest where several have; breaths with effort only where
    none is passive. At most two minutes: mechanics change. Breaths of a hold or a gap inside are left out.

    Raises
    ------
    FitError
        Fewer than five whole breaths, or a change of settings within.
    """
    if not review.breaths.height:
        raise FitError("no whole breath was recorded", where="whatif", expected=f"at least {FEWEST} breaths")
    start, end = review.breaths["start_s"].to_numpy(), review.breaths["end_s"].to_numpy()
    usable = settled(review, start)
    _refuse_no_span(from_s, to_s)
    if from_s is None and to_s is None:
        from_s, to_s = best(review, start, end, usable)
        reason = proposed(review, start, from_s, to_s)
    else:
        from_s = float(start[0]) if from_s is None else from_s
        to_s = float(end[-1]) if to_s is None else to_s
        reason = "asked for"
    inside = np.flatnonzero((start >= from_s) & (end <= to_s) & usable)
    where = f"from {from_s:g} to {to_s:g} s"
    if len(inside) < FEWEST:
        raise FitError(
            f"{len(inside)} whole, settled breaths", where=where, expected=f"at least {FEWEST}",
            remedy=f"Breaths were recorded from {start[0]:.0f} to {end[-1]:.0f} s.",
        )  # fmt: skip
    changed = [row.at_s for row in review.case.settings if start[inside[0]] < row.at_s < start[inside[-1]]]
    if changed:
        raise FitError(
            f"settings changed at {changed[0]:g} s", where=where, expected="a stretch under one setting",
        )  # fmt: skip
    return Window(review, float(from_s), float(to_s), inside, setting_at(review, float(start[inside[0]])), reason)


def proposed(review: Review, start: npt.NDArray[np.float64], from_s: float, to_s: float) -> str:
    """Why a stretch is the best, in words: its passive breaths, and the holds inside whose breaths are left out."""
    shown = passive_share(review, start, from_s, to_s)
    most = "the most passive breaths" if shown else "no breath is passive"
    holds = sum(from_s <= start[hold.breath] < to_s for hold in review.holds)
    if not holds:
        return f"proposed: one setting, {most}, no hold"
    what = "a hold inside: its breath" if holds == 1 else f"{holds} holds inside: their breaths"
    return f"proposed: one setting, {most}; {what} and {SETTLING} after are left out"


def _refuse_no_span(from_s: float | None, to_s: float | None) -> None:
    """Refuse a stretch that is no span of time."""
    for option, value in (("--from", from_s), ("--to", to_s)):
        if value is not None and not np.isfinite(value):
            raise OptionError(f"is {value:g}", where=option, expected="a time in seconds")
    if from_s is not None and to_s is not None and not from_s < to_s:
        raise OptionError(f"begins at {from_s:g} s and ends at {to_s:g} s", where="--to", expected="a later time")


def setting_at(review: Review, time_s: float) -> Setting:
    """What was set at a time; the first setting also stands for what came before, an empty one where none is known."""
    rows = review.case.settings
    if not rows:
        return Setting()
    return next((row for row in reversed(rows) if row.at_s <= time_s), rows[0])


def settled(review: Review, start: npt.NDArray[np.float64]) -> Flags:
    """Breaths that no hold, gap or fresh change of settings disturbs."""
    usable = np.ones(len(start), bool)
    joined = review.mechanics["joined"] == 1
    for hold in review.holds:
        usable[hold.breath : hold.breath + 1 + SETTLING] = False
    for row in review.case.settings[1:]:
        after = int(np.searchsorted(start, row.at_s))
        usable[after : after + SETTLING] = False
    usable &= joined
    return usable


def passive_share(review: Review, start: npt.NDArray[np.float64], from_s: float, to_s: float) -> bool:
    """True where the stretch has enough passive breaths to show the lung."""
    inside = (start >= from_s) & (start < to_s)
    return bool((review.mechanics["passive"][inside] == 1).sum() >= FEWEST)


def best(
    review: Review, start: npt.NDArray[np.float64], end: npt.NDArray[np.float64], usable: Flags
) -> tuple[float, float]:
    """From and to of the best window, s."""
    edges = [0.0, *(row.at_s for row in review.case.settings[1:] if row.at_s > 0), float(end[-1]) + 1.0]
    passive = (review.mechanics["passive"] == 1) & usable
    ranked = []
    for low, high in itertools.pairwise(edges):
        inside = np.flatnonzero((start >= low) & (end <= high) & usable)
        for last in inside[::-5]:
            chosen = inside[(inside <= last) & (start[inside] >= start[last] - LONGEST_S)]
            if len(chosen) >= FEWEST:
                ranked.append((int(passive[chosen].sum()), len(chosen), float(start[last]), chosen))
    if not ranked:
        return float(start[0]), float(end[-1])
    chosen = max(ranked, key=lambda row: row[:3])[3]
    return float(start[chosen[0]]), float(end[chosen[-1]])
