"""Apnoea replayed: how often a breath was so long in coming that an alarm with a given delay would have sounded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from tidebench.apnoea import APART_S
from tidebench.care.logs.tradeoff import LEAST_KNOWN_H
from tidebench.care.logs.watched import record_of
from tidebench.case import Case
from tidebench.limits import Policy, Practice

DELAYS_S = (10.0, 15.0, 20.0, 30.0, 45.0, 60.0)


@dataclass(frozen=True, slots=True)
class Apnoea:
    """One delay: how often the alarm would have sounded, and for how long in all."""

    delay_s: float
    alarms: int
    sounding_s: float


@dataclass(frozen=True, slots=True)
class Pauses:
    """Time from the begin of a breath to that of the next.

    Attributes
    ----------
    hours : float
        In breaths that another follows without a stretch between, or that the record shows to their end.
    longest_s : float
    alarms : tuple of Apnoea
        By delay, those of usual practice among them.
    usual : Practice or None
        Where people set the delay; None of an unknown age.
    """

    hours: float
    longest_s: float
    alarms: tuple[Apnoea, ...]
    usual: Practice | None

    @property
    def rated(self) -> bool:
        """True where so much is known that numbers per hour say something."""
        return self.hours >= LEAST_KNOWN_H


def pauses(breaths: pl.DataFrame, case: Case, policy: Policy | None) -> Pauses | None:
    """Apnoea of a reviewed record; None without breaths.

    An alarm sounds where no breath has begun for the delay since the last one began, until one begins. A stretch of
    lost pressure, and whatever the record has lost, is no pause.
    """
    if not breaths.height:
        return None
    start, end = breaths["start_s"].to_numpy(), breaths["end_s"].to_numpy()
    following = np.append(start[1:], np.inf)
    lasts = np.where(following - end <= APART_S, following, end) - start
    usual = record_of("alarm_apnoea_s", case, policy)
    own = () if usual is None else (usual.low, usual.high)
    told = tuple(_sounding(lasts, delay) for delay in sorted({*DELAYS_S, *own}))
    return Pauses(float(lasts.sum()) / 3600.0, float(lasts.max()), told, usual)


def _sounding(lasts: np.ndarray[tuple[int], np.dtype[np.float64]], delay_s: float) -> Apnoea:
    longer = lasts[lasts > delay_s]
    return Apnoea(delay_s, len(longer), float((longer - delay_s).sum()))
