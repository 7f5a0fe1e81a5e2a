"""Lines of a handover on gases, weaning and events: what there is last, with its age."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from tidebench.care.weaning.found import support_at
from tidebench.quantities import quantity
from tidebench.views.wording import clock, duration, sentence

if TYPE_CHECKING:
    from tidebench.care.weaning import Weaning
    from tidebench.case import BloodGas, Case, Event
    from tidebench.tensions import TensionUnit
    from tidebench.views.gases import GasesView

PRIORITIES = ("high", "medium", "low", "information")
MOST_EVENTS, MOST_EVENT = 5, 120
LONGEST_TRIAL_S = 4 * 3600.0
"""Support that is low for longer is no breathing trial: twice the longest published one."""
SAME_FIO2 = 0.02
"""By how much a gas may say another oxygen fraction than is set: what a gauge and rounding leave (no source)."""
KEPT = (
    "ph", "paco2_mmhg", "pao2_mmhg", "hco3_mmol_l", "pf_ratio_mmhg", "oxygenation_index", "ventilatory_ratio",
    "dead_space_fraction",
)  # fmt: skip


@dataclass(frozen=True)
class Moment:
    """The end of the case: what is older is told by its age."""

    case: Case
    until_s: float
    unit: TensionUnit = "mmHg"
    """Of gas tensions, as they are printed."""

    @property
    def as_of(self) -> str:
        """When that is, by the case clock and by the wall where the case knows."""
        start = self.case.recording.start
        wall = "" if start is None else f", {start + timedelta(seconds=self.until_s):%Y-%m-%d %H:%M} by the case"
        return f"As of {clock(self.until_s)} on the case clock{wall}"

    def ago(self, at_s: float | None) -> str:
        """``45:00, 15 min ago``; that its time is not known where it isn't."""
        if at_s is None:
            return "time not known"
        age = self.until_s - at_s
        return clock(at_s) if age < 1 else f"{clock(at_s)}, {duration(age)} ago"

    def taken(self, at_s: float | None) -> str:
        """The same, with what was given then where it was something else than now."""
        if at_s is None:
            return self.ago(at_s)
        then, now = support_at(self.case, at_s), support_at(self.case, self.until_s)
        if then != now:
            return f"{self.ago(at_s)}, earlier, on {then.words}"
        changed = any(at_s < row.at_s <= self.until_s for row in self.case.settings)
        return f"{self.ago(at_s)}, under earlier settings" if changed else self.ago(at_s)


def shorter(text: str, most: int) -> str:
    """Words on one line, cut between two of them where they are too many; a single word is cut where it must be."""
    words = " ".join(text.split())
    if len(words) <= most:
        return words
    kept, space, _ = words[:most].rpartition(" ")
    return f"{kept.rstrip(' ,;:')} …" if space and len(kept) > most / 2 else f"{words[: most - 1]}…"


def whole_sentences(text: str, most: int) -> str:
    """As many sentences as there is room for; where not even the first has it, its beginning."""
    sentences = re.split(r"(?<=[.!?]) (?=[A-Z0-9])", " ".join(text.split()))
    for last in range(len(sentences), 0, -1):
        kept = " ".join(sentences[:last]) + (" …" if last < len(sentences) else "")
        if len(kept) <= most:
            return kept
    return shorter(text, most)


def gas_lines(view: GasesView | None, case: Case, moment: Moment) -> Iterator[str]:
    """The last gas read, and the course of the stay."""
    from tidebench.care.gases.moment import in_order

    if view is None:
        yield "No blood gas in the case."
        return
    last, at_s = view.gases[-1], case.drawn_at_s(in_order(case)[-1])
    age = moment.taken(at_s) if at_s is not None else last.heading.rpartition(", ")[2]
    words = [f"{n.symbol} {n.text}" for n in last.numbers if n.key in KEPT]
    yield f"Last, {last.heading.split(', ')[1]} ({age}): {', '.join(words)}."
    yield last.conditions
    yield from _set_otherwise(in_order(case)[-1], at_s, case)
    yield " ".join((last.acid_base, *(sentence(line) for line in last.acid_base_lines)))
    yield from last.held
    yield from (_graded(line) for line in last.grades if "can't be told" not in line)
    trend = [line for line in view.trend if line.split(":")[0] in ("pH", "PaCO2", "P/F")]
    if trend:
        yield f"Over the stay: {'; '.join(trend)}."


def _set_otherwise(gas: BloodGas, at_s: float | None, case: Case) -> Iterator[str]:
    """Where a gas says another oxygen fraction than was set when it was drawn."""
    held = [row.fio2 for row in case.settings if at_s is not None and row.at_s <= at_s and row.fio2 is not None]
    if held and gas.fio2 is not None and abs(held[-1] - gas.fio2) > SAME_FIO2:
        said, was = (quantity("fio2", "settings").text(value) for value in (gas.fio2, held[-1]))
        yield f"Check the oxygen fraction: the gas says {said}, and {was} was set when it was drawn."


def _graded(line: str) -> str:
    """A class by oxygenation, and that a definition needs more."""
    told, asked, _ = line.partition(". To apply it")
    return f"{told}, by oxygenation alone: the definition needs more." if asked else sentence(told)


def weaning_lines(told: Weaning, moment: Moment) -> Iterator[str]:
    """The breathing trial, readiness, and how long weaning took where that is known."""
    from tidebench.care.weaning.page import counts
    from tidebench.care.weaning.trial import without_tube

    if told.refused:
        yield told.refused
        return
    trial = told.trial
    if trial is None:
        yield (
            "No breathing trial in the case."
            if not without_tube(told.case)
            else "No trial through a tube was recorded."
        )
    elif trial.duration_s > LONGEST_TRIAL_S:
        yield f"Support is low since {moment.ago(trial.start_s)}; that long is no trial."
    else:
        lasts = f"{clock(trial.start_s)} for {duration(trial.duration_s)}, {trial.support.words}"
        yield f"Breathing trial from {lasts}. Signs of failure: {counts(told.failure) or 'none asked'}."
        met = [f"{item.name} ({item.value})" for item in told.failure if item.state == "met"]
        if met:
            yield f"Met: {', '.join(met)}."
    if told.readiness:
        missed = [f"{item.name} ({item.value})" for item in told.readiness if item.state == "not met"]
        unmet = f" Not met: {', '.join(missed)}." if missed else ""
        name = "Steps of the paediatric guideline" if told.group == "child" else f"Readiness at {clock(told.moment_s)}"
        yield f"{name}: {counts(told.readiness)}.{unmet}"
    if told.classes is not None and (named := told.classes.wind_2017.name or told.classes.consensus_2007.name):
        yield f"How long weaning took: {named}."


def event_lines(events: Sequence[Event], moment: Moment) -> Iterator[str]:
    """The highest priority first, then the latest; what is left is counted."""
    if not events:
        yield "None in the case."
        return
    place = {name: rank for rank, name in enumerate(PRIORITIES)}
    ranked = sorted(events, key=lambda event: (place.get(event.priority or "", len(place)), -event.at_s))
    for event in ranked[:MOST_EVENTS]:
        priority = f" ({event.priority})" if event.priority else ""
        text = f": {event.text}" if event.text else ""
        yield shorter(f"{moment.ago(event.at_s)}: {event.kind}{priority}{text}", MOST_EVENT)
    if len(ranked) > MOST_EVENTS:
        yield f"and {len(ranked) - MOST_EVENTS} more in the case."
