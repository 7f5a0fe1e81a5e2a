"""Simple, difficult, prolonged: how long weaning took, after the 2007 consensus and after WIND 2017."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from tidebench.errors import OptionError

CONSENSUS = "Boles, Eur Respir J 2007;29:1033, table 3"
WIND = "WIND, Béduneau, Am J Respir Crit Care Med 2017;195:772 (abstract)"
MOST_TRIALS, WEEK_DAYS, SHORT_DAYS = 3, 7.0, 1.0


@dataclass(frozen=True, slots=True)
class History:
    """What is known of breathing trials so far, each None where it is not.

    Attributes
    ----------
    trials : int
        Breathing trials in all, this one included.
    failed : int
        How many of them failed.
    days : float
        From the first trial, or attempt to separate, until weaning ended; until now where it has not.
    ended : bool
        The patient is off the ventilator and stayed off, as the definition asks: weaning is over.
    """

    trials: int | None = None
    failed: int | None = None
    days: float | None = None
    ended: bool | None = None

    def __post_init__(self) -> None:
        if self.trials is not None and not 0 <= self.trials <= 200:
            raise OptionError(f"{self.trials} breathing trials", where="trials", expected="0 to 200")
        if self.failed is not None and not 0 <= self.failed <= (200 if self.trials is None else self.trials):
            raise OptionError(
                f"{self.failed} failed breathing trials", where="failed trials", expected="at most the trials in all"
            )
        if self.days is not None and not (math.isfinite(self.days) and 0 <= self.days <= 1000):
            raise OptionError(f"{self.days:g} days", where="days", expected="0 to 1000, from the first trial on")
        if self.ended and self.trials and self.failed == self.trials:
            raise OptionError("every trial failed, and weaning has ended", where="ended", expected="one or the other")


@dataclass(frozen=True, slots=True)
class Class:
    """A class by one definition; None with the reason where it can't be told yet."""

    name: Literal["no weaning", "simple", "short", "difficult", "prolonged"] | None
    source: str
    text: str


@dataclass(frozen=True, slots=True)
class Classes:
    """Both definitions, which don't count the same thing."""

    consensus_2007: Class
    wind_2017: Class


def classify(history: History) -> Classes:
    """Both classes of a history of breathing trials."""
    return Classes(_consensus(history), _wind(history))


def _consensus(history: History) -> Class:
    """By trials and days: the first trial; up to three, or a week; more."""
    trials, failed, days = history.trials, history.failed, history.days
    if failed is not None and failed >= MOST_TRIALS:
        return Class("prolonged", CONSENSUS, "At least three breathing trials failed.")
    if trials is not None and trials > MOST_TRIALS:
        return Class("prolonged", CONSENSUS, "More than three breathing trials.")
    if days is not None and days > WEEK_DAYS:
        return Class("prolonged", CONSENSUS, "More than seven days from the first breathing trial.")
    if not history.ended:
        gone = "The first trial failed, so it is not simple; whether " if failed else "Whether "
        return Class(None, CONSENSUS, f"{gone}weaning has ended is missing, or it has not.")
    if trials is None:
        return Class(None, CONSENSUS, "The number of breathing trials is missing.")
    if trials == 0:
        return Class(None, CONSENSUS, "No breathing trial was made, and the definition counts trials.")
    if trials == 1:
        return Class("simple", CONSENSUS, "The first breathing trial succeeded, and separation held.")
    if days is None:
        return Class(None, CONSENSUS, "Days from the first trial to the end of weaning are missing.")
    return Class("difficult", CONSENSUS, "Up to three breathing trials, within seven days of the first.")


def _wind(history: History) -> Class:
    """By days from the first attempt to separate to the end of weaning, whatever the number of trials."""
    if history.trials == 0 and not history.ended:
        return Class("no weaning", WIND, "No attempt to separate was made.")
    if history.days is None:
        return Class(None, WIND, "Days from the first attempt to the end of weaning, or until now, are missing.")
    if history.days >= WEEK_DAYS:
        still = "" if history.ended else ", and it is not known to have ended"
        return Class("prolonged", WIND, f"Weaning had not ended seven days after the first attempt{still}.")
    if not history.ended:
        return Class(None, WIND, "Whether weaning has ended is missing, or it has not.")
    if history.days <= SHORT_DAYS:
        return Class("short", WIND, "Weaning ended within a day of the first attempt.")
    return Class("difficult", WIND, "Weaning ended after more than a day and within a week of the first attempt.")
