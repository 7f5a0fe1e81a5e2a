"""Events together: what they make of a patient while they come, stand and go, as rows of the protocol.

An event comes over its time and stays until something ends it: relief ends every event, and what is someone's opposite
ends that. Whatever stands acts on what the others have left, each in the same place of one order, so that the order in
which they came makes no difference: factors multiply, what is added adds up, and what is there or not is there once.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

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


@dataclass(frozen=True)
class Turn:
    """An event, and what stands from when it comes: it, what it ends, and what it leaves alone."""

    event: Event
    standing: tuple[Course, ...]
    moved: frozenset[int]  # positions of the parameters that it moves

    def way(self, place: int, moves: Mapping[str, set[int]], until_s: float) -> Iterator[tuple[float, float]]:
        """From when to when one parameter goes straight, in order, until another event moves it."""
        at = self.event.at_s
        ends = {course.to_s for course in self.standing if course.to_s > at and place in moves[course.event.kind]}
        return itertools.takewhile(lambda span: span[0] < until_s, itertools.pairwise([at, *sorted(ends)]))


def event_rows(events: Iterable[Event], memory: Memory) -> list[Row]:
    """Changes of parameters, from what ``memory`` holds before anything has happened.

    A row depends on events up to its time alone. Where several events move one parameter at a time, its way is straight
    from one's beginning or end to the next.
    """
    moves = {kind: _moved_by(kind, memory) for kind in CHANGES}
    turns = list(_turns(events, moves))
    rows: list[Row] = []

    @cache
    def parameters(k: int, time_s: float) -> Samples:
        return _parameters(turns[k].standing, memory, time_s).block

    for place in sorted(set().union(*moves.values())):
        moving = [(k, turn) for k, turn in enumerate(turns) if place in turn.moved]
        nexts = [*(turn.event.at_s for _, turn in moving), np.inf][1:]
        for (k, turn), until_s in zip(moving, nexts, strict=True):
            at, over = turn.event.at_s, turn.event.over_s
            if over == 0 and at < until_s:
                rows.append((at, PARAMETER, float(place), float(parameters(k, at)[place]), 0.0))
            for begins, ends in turn.way(place, moves, until_s):
                lasts = over if ends == begins + over else ends - begins  # as said, to the last digit
                rows.append((begins, PARAMETER, float(place), float(parameters(k, ends)[place]), lasts))
    return rows


def parameters_at(times_s: Iterable[float], events: Iterable[Event], memory: Memory) -> Iterator[Memory]:
    """What events have made of the parameters at each time; ``memory`` holds those before anything has happened."""
    turns = list(_turns(events, {kind: _moved_by(kind, memory) for kind in CHANGES}))
    begins = [turn.event.at_s for turn in turns]
    settled = [max(course.to_s for course in turn.standing) for turn in turns]

    @cache
    def parameters(k: int, time_s: float) -> Memory:
        return _parameters(turns[k].standing, memory, time_s)

    for time_s in times_s:
        k = bisect.bisect_right(begins, time_s) - 1
        yield memory if k < 0 else parameters(k, min(time_s, settled[k]))


def _turns(events: Iterable[Event], moves: Mapping[str, set[int]]) -> Iterator[Turn]:
    """Events in order, with what stands after each."""
    standing: tuple[Course, ...] = ()
    for event in sorted(events, key=lambda one: one.at_s):
        here = [course for course in standing if course.to_share or course.to_s > event.at_s]
        alone = [course for course in here if course.event.kind not in ENDS[event.kind]]
        ended = [course.ended_by(event) for course in here if course.event.kind in ENDS[event.kind]]
        moved = [*ended, Course.of(event)]
        standing = (*alone, *moved)
        yield Turn(event, standing, frozenset().union(*(moves[course.event.kind] for course in moved)))


def _moved_by(kind: str, memory: Memory) -> set[int]:
    """Positions of the parameters that an event moves."""
    return {Memory.position(name, compartment) for name, compartment, _ in CHANGES[kind](1.0, memory)}


def _parameters(standing: Sequence[Course], memory: Memory, time_s: float) -> Memory:
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
    return there
