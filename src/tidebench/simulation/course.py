"""Events together: what they make of a patient while they come, stand and go, as rows of the protocol.

An event comes over its time and stays until something ends it: relief ends every event, and what is someone's opposite
ends that. Whatever stands acts on what the others have left, each in the same place of one order, so that the order in
which they came makes no difference: factors multiply, what is added adds up, and what is there or not is there once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from tidebench.simulation.layout import Memory, Samples
from tidebench.simulation.protocol import CHANGES, ENDS, PARAMETER, WITHOUT_SIZE, Event, Row


@dataclass(frozen=True)
class Course:
    """An event on its way: its share goes evenly from one value to another, and stays there."""

    event: Event
    from_s: float
    from_share: float
    to_s: float
    to_share: float

    @classmethod
    def of(cls, event: Event) -> Course:
        """An event that comes."""
        return cls(event, event.at_s, 0.0, event.at_s + event.over_s, 1.0)

    def ended_by(self, event: Event) -> Course:
        """The same, going from when another event comes, as fast as that comes."""
        share = self.share(event.at_s)
        return replace(self, from_s=event.at_s, from_share=share, to_s=event.at_s + event.over_s, to_share=0.0)

    def share(self, time_s: float) -> float:
        """How much of it is there at a time."""
        if time_s >= self.to_s:
            return self.to_share
        gone = (time_s - self.from_s) / (self.to_s - self.from_s)
        return self.from_share + (self.to_share - self.from_share) * gone


def event_rows(events: Iterable[Event], memory: Memory) -> list[Row]:
    """Changes of parameters, from what ``memory`` holds before anything has happened.

    A row depends on events up to its time alone. Where several events move one parameter at a time, its way is straight
    from one's beginning or end to the next.
    """
    rows: list[Row] = []
    standing: list[Course] = []
    for event in sorted(events, key=lambda one: one.at_s):
        ended = [course for course in standing if course.event.kind in ENDS[event.kind]]
        moved = [Course.of(event), *(course.ended_by(event) for course in ended)]
        kept = [course for course in standing if course not in ended and (course.to_share or course.to_s > event.at_s)]
        standing = [*kept, *moved]
        touched = _touched(moved, memory)
        rows = [row for row in rows if row[0] < event.at_s or int(row[2]) not in touched]
        for place in sorted(touched):
            rows += _way(place, event, standing, memory)
    return rows


def _way(place: int, event: Event, standing: Sequence[Course], memory: Memory) -> Iterator[Row]:
    """One parameter's way from when an event comes."""
    here = [course for course in standing if place in _touched([course], memory)]
    at, turns = event.at_s, sorted({course.to_s for course in here if course.to_s > event.at_s})
    if event.over_s == 0:
        yield at, PARAMETER, float(place), float(_parameters(here, memory, at)[place]), 0.0
    for turn in turns:
        lasts = event.over_s if turn == at + event.over_s else turn - at  # as said, to the last digit
        yield at, PARAMETER, float(place), float(_parameters(here, memory, turn)[place]), lasts
        at = turn


def _touched(courses: Iterable[Course], memory: Memory) -> set[int]:
    """Positions of the parameters that events move."""
    return {
        Memory.position(name, compartment)
        for course in courses
        for name, compartment, _ in CHANGES[course.event.kind](course.event.size, memory)
    }


def _parameters(standing: Sequence[Course], memory: Memory, time_s: float) -> Samples:
    """All parameters at a time."""
    there = memory.copy()
    for kind, change in CHANGES.items():
        acting = [(course.share(time_s), course.event.size) for course in standing if course.event.kind == kind]
        if kind in WITHOUT_SIZE:
            acting = sorted(acting)[-1:]
        for share, size in acting:
            for name, compartment, whole in list(change(size, there)) if share > 0 else ():
                place = Memory.position(name, compartment)
                before = float(there.block[place])
                there.block[place] = whole if share == 1 else before + share * (whole - before)
    return there.block
