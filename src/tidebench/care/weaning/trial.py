"""The breathing trial as recorded: where it lies, what was given, and the pattern of breathing minute by minute."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from tidebench.care.weaning import found, spoken
from tidebench.care.weaning.found import LONGEST_S, Support, ended, spread, support_at, support_of, unsaid_end_s
from tidebench.case import Case, Setting
from tidebench.errors import OptionError
from tidebench.formulas.tube import TUBES
from tidebench.quantities import quantity
from tidebench.records import Spread

MOST_SUPPORT_CMH2O = 8.0
"""Trials with support had 5 to 8 cmH2O (ACCP/ATS 2017, from memory), at most 8 (AARC, Respir Care 2024;69:891)."""
MOST_PEEP_CMH2O = 8.0
"""As the readiness list has it: more PEEP than a patient may start with is no trial."""
LENGTH_MIN = (30.0, 120.0)
"""Boles, Eur Respir J 2007;29:1033; Esteban 1999 (both from memory)."""
MINUTE_S, LEAST_OF_MINUTE_S = 60.0, 30.0
FEWEST_MINUTES = 5
KEYS = ("rate_per_min", "vte_ml", "rapid_shallow_index")
MISSED = 1.1  # efforts per breath from where on breaths miss some of the patient's rate


@dataclass(frozen=True, slots=True)
class Minute:
    """A minute of a trial: from when, how long, and spreads over its breaths by key; None where breaths are too few.

    ``efforts_per_min`` counts efforts, answered or not; None where no effort was found in the whole trial.
    """

    from_s: float
    lasts_s: float
    breaths: int
    values: dict[str, Spread | None]
    efforts_per_min: float | None


@dataclass(frozen=True, slots=True)
class Trend:
    """A robust slope of minute medians, per ten minutes, with its 95 % interval, over n minutes.

    Median of the slopes between all pairs (Sen, J Am Stat Assoc 1968;63:1379, from memory). The interval takes minutes
    for independent of each other.
    """

    slope: float
    low: float
    high: float
    n: int

    @property
    def words(self) -> str:
        """Rising, falling, or neither for sure."""
        return "rising" if self.low > 0 else "falling" if self.high < 0 else "no clear trend"


@dataclass(frozen=True)
class Trial:
    """A breathing trial: where, found how, under what, minute by minute.

    Attributes
    ----------
    start_s, end_s : float
        On the case clock.
    found_by : str
        What it was found by.
    support : Support
        What was given.
    minutes : tuple of Minute
        Empty where nothing was recorded.
    whole : mapping of str to Spread
        The same quantities over every breath of the trial.
    trends : mapping of str to Trend or None
        None below five minutes with a median.
    notes : tuple of str
        What a reader must know of it.
    """

    start_s: float
    end_s: float
    found_by: str
    support: Support
    minutes: tuple[Minute, ...] = ()
    whole: dict[str, Spread | None] = field(default_factory=dict)
    trends: dict[str, Trend | None] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """How long it lasts, as far as the case goes."""
        return self.end_s - self.start_s


def is_trial(setting: Setting, most_cmh2o: float = MOST_SUPPORT_CMH2O) -> bool:
    """True where a setting supports so little that it may be a trial: support and PEEP known to be low, or CPAP."""
    given = support_of(setting)
    if given.kind not in ("CPAP", "pressure support") or given.support_cmh2o is None:
        return False
    return given.support_cmh2o <= most_cmh2o and (given.peep_cmh2o or 0.0) <= MOST_PEEP_CMH2O


def without_tube(case: Case) -> bool:
    """True where a case says that no tube lies."""
    return case.airway.interface not in (None, *TUBES)


def trials_in(case: Case, until_s: float, most_cmh2o: float = MOST_SUPPORT_CMH2O) -> tuple[Trial, ...]:
    """Every trial that settings and events of a case show before a time, in order, without numbers yet.

    Without a tube low support is treatment: events alone then tell of a trial.
    """
    by_event = [*_by_events(case, until_s, most_cmh2o)]
    settings = () if without_tube(case) else _by_settings(case, until_s, most_cmh2o)
    by_setting = [
        one for one in settings
        if not any(one.start_s < other.end_s and other.start_s < one.end_s for other in by_event)
    ]  # fmt: skip
    return tuple(sorted([*by_event, *by_setting], key=lambda one: one.start_s))


def _by_settings(case: Case, until_s: float, most_cmh2o: float) -> Iterator[Trial]:
    rows = [row for row in case.settings if row.at_s < until_s]
    ends = [row.at_s for row in rows[1:]] + [until_s]
    k = 0
    while k < len(rows):
        first = k
        while k < len(rows) and is_trial(rows[k], most_cmh2o) and support_of(rows[k]) == support_of(rows[first]):
            k += 1
        if k == first:
            k += 1
            continue
        start = rows[first].at_s
        yield Trial(start, _end(case, start, ends[k - 1]), "settings", support_of(rows[first]))


def _by_events(case: Case, until_s: float, most_cmh2o: float) -> Iterator[Trial]:
    over_s = -math.inf
    for event in sorted(case.events, key=lambda event: event.at_s):
        if not spoken.starts(event) or event.at_s >= until_s or event.at_s < over_s:
            continue
        support = support_at(case, event.at_s)
        if support.kind == "T-piece":
            latest = unsaid_end_s(case, event.at_s)
        else:
            later = [row.at_s for row in case.settings if row.at_s > event.at_s and not is_trial(row, most_cmh2o)]
            latest = min([*later, event.at_s + LONGEST_S])
        over_s = _end(case, event.at_s, min(latest, until_s))
        yield Trial(event.at_s, over_s, "event", support)


def _end(case: Case, start_s: float, end_s: float) -> float:
    """The end, or an event before it that ends the trial."""
    told = [event.at_s for event in case.events if spoken.ends(event)]
    return min([at for at in told if start_s < at < end_s], default=end_s)


def stretch(case: Case, from_s: float | None, to_s: float | None, until_s: float) -> Trial:
    """A trial that a person names by its start, its end, or both.

    Raises
    ------
    OptionError
        A start that is no time of the case, or not before the end.
    """
    start, end = 0.0 if from_s is None else from_s, until_s if to_s is None else to_s
    if not (math.isfinite(start) and math.isfinite(end)) or start < 0 or start >= end:
        raise OptionError(f"from {start:g} to {end:g} s is no stretch of the case", where="--from, --to",
                          expected="a start before the end, in s on the case clock")  # fmt: skip
    if end > until_s:
        raise OptionError(f"the case ends at {until_s:g} s", where="--to", expected=f"at most {until_s:g}")
    return Trial(start, end, "options", support_at(case, start))


def with_numbers(
    trial: Trial, case: Case, breaths: pl.DataFrame | None, efforts: pl.DataFrame | None, until_s: float,
    most_cmh2o: float = MOST_SUPPORT_CMH2O,
) -> Trial:  # fmt: skip
    """The same with its minutes, trends, and what must be known of them."""
    there = found.breaths_between(breaths, trial.start_s, trial.end_s)
    if there is None or not there.height:
        return replace(
            trial,
            notes=(*_notes(trial, case, until_s, most_cmh2o), "No breath was recorded in it: numbers are those noted."),
        )
    there = there.with_columns(
        rapid_shallow_index=pl.when(pl.col("vte_ml") > 0).then(1000 * pl.col("rate_per_min") / pl.col("vte_ml"))
    )
    minutes = tuple(_minutes(trial, there, efforts))
    return replace(
        trial,
        minutes=minutes,
        whole={key: spread(there[key]) for key in KEYS},
        trends={key: trend(minutes, key) for key in KEYS},
        notes=(*_notes(trial, case, until_s, most_cmh2o), *_missed(minutes)),
    )


def _minutes(trial: Trial, there: pl.DataFrame, efforts: pl.DataFrame | None) -> Iterator[Minute]:
    seen = None if efforts is None else efforts["start_s"].to_numpy()
    inside = seen is not None and bool(np.any((seen >= trial.start_s) & (seen < trial.end_s)))
    for k in range(math.ceil(trial.duration_s / MINUTE_S)):
        begin = trial.start_s + k * MINUTE_S
        end = min(begin + MINUTE_S, trial.end_s)
        if end - begin < LEAST_OF_MINUTE_S:
            return
        part = there.filter((pl.col("start_s") >= begin) & (pl.col("start_s") < end))
        values = {key: spread(part[key]) for key in KEYS}
        count = None if seen is None or not inside else int(np.sum((seen >= begin) & (seen < end)))
        rate = None if count is None else 60 * count / (end - begin)
        yield Minute(begin, end - begin, part.height, values, rate)


def trend(minutes: tuple[Minute, ...], key: str) -> Trend | None:
    """How a quantity's minute medians go, per ten minutes; None below five minutes."""
    from scipy.stats import theilslopes

    known = [(one.from_s, value.median) for one in minutes if (value := one.values[key]) is not None]
    if len(known) < FEWEST_MINUTES:
        return None
    times, medians = (np.array(column) for column in zip(*known, strict=True))
    slope, _, low, high = theilslopes(medians, (times - times[0]) / 600.0, 0.95)
    return Trend(float(slope), float(low), float(high), len(known))


def _notes(trial: Trial, case: Case, until_s: float, most_cmh2o: float) -> Iterator[str]:
    minutes = trial.duration_s / 60
    if minutes < LENGTH_MIN[0]:
        yield f"It lasts {minutes:.1f} min; published trials lasted 30 to 120 min (Boles 2007, from memory)."
    if trial.found_by == "settings" and trial.start_s <= case.settings[0].at_s:
        yield "It begins with the case: the true start may lie before."
    if minutes > LENGTH_MIN[1]:
        yield "It lasts longer than a trial: this may be how the patient was ventilated, and no trial."
    support = trial.support.support_cmh2o
    if trial.support.kind == "mandatory breaths" or support is None or support > most_cmh2o:
        yield f"Given was {trial.support.words}: not known to be as little as in a published trial."
    if trial.end_s == until_s and trial.found_by != "options":
        yield "The case ends with it: the true end may lie after."
    changed = [row for row in case.settings if trial.start_s < row.at_s < trial.end_s]
    if any(support_of(row) != trial.support for row in changed) and trial.support.kind != "T-piece":
        yield "Support or PEEP was changed in it; what is told of support is that at its start."
    oxygen = {row.fio2 for row in changed if row.fio2 is not None}
    start = found.oxygen_at(case, trial.start_s)
    if start is not None and any(fio2 > start for fio2 in oxygen):
        yield "FiO2 was raised in it, which the AARC advises against (Respir Care 2024;69:891)."
    if trial.found_by == "event" and not ended(case, trial.start_s, trial.end_s):
        yield (
            "No event ends it, so how long it lasted is not known: it is taken to last until settings give support or "
            "PEEP again, 2 h at most."
        )


def _missed(minutes: tuple[Minute, ...]) -> Iterator[str]:
    """A warning where the patient makes more efforts than the ventilator gives breaths."""
    pairs = [
        (one.efforts_per_min, rate.median) for one in minutes
        if one.efforts_per_min is not None and (rate := one.values["rate_per_min"]) is not None
    ]  # fmt: skip
    if pairs and np.median([efforts / rate for efforts, rate in pairs]) > MISSED:
        efforts = quantity("rate_per_min").text(float(np.median([pair[0] for pair in pairs])))
        yield f"Efforts are more frequent than breaths ({efforts}): rate and f/VT by breaths are too low."
