"""A picture as it was traced: curves in its own pixels, what its panels say of each other, and noted numbers beside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from tidebench.case import case_from
from tidebench.pictures.agreement import SAID
from tidebench.pictures.assemble import Scale, TracedPanel
from tidebench.pictures.draw import loop_pixels
from tidebench.pictures.trace import FINE
from tidebench.quantities import quantity
from tidebench.review import review
from tidebench.sampled import NORMAL
from tidebench.views.observed import observations
from tidebench.views.wording import count, duration, listed, sentence

if TYPE_CHECKING:
    from tidebench.pictures.read import Read
    from tidebench.review import Review

State = Literal["agrees", "differs", "not told"]
FIRST = ("peak_pressure_cmh2o", "peep_cmh2o", "vti_ml", "vte_ml", "rate_per_min")
Rows = tuple[float | None, ...]


@dataclass(frozen=True)
class TracedCurve:
    """A curve over the picture: a row for each column, the band nine in ten times around it, where breaths turn."""

    quantity: str
    label: str
    words: str
    column: tuple[float, ...]
    row: Rows
    low: Rows
    high: Rows
    turns: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class TracedLoop:
    """A loop over the picture, from point to point."""

    label: str
    words: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Held:
    """One thing held against another."""

    what: str
    words: str
    state: State


@dataclass(frozen=True)
class Beside:
    """A number as measured, and as it was noted from the picture where it was."""

    key: str
    label: str
    measured: str
    noted: str
    state: State
    why: tuple[str, ...]


@dataclass(frozen=True)
class TracedPage:
    """What is shown of a picture once it is traced."""

    curves: tuple[TracedCurve, ...]
    loops: tuple[TracedLoop, ...]
    recording: str
    held: tuple[Held, ...]
    beside: tuple[Beside, ...]
    warnings: tuple[str, ...]
    mendable: bool


def traced_page(read: Read, observed: Mapping[str, Any]) -> TracedPage:
    """The page of a picture, with the numbers noted from it."""
    done = None
    if read.recording is not None:
        done = review(case_from({"observed": [dict(observed)]} if observed else {}, name="the picture"), read.recording)
    held = tuple(_held(read))
    said = {one.words for one in held}
    return TracedPage(
        curves=tuple(_curve(one, read) for one in (*read.panels, *read.trends)),
        loops=tuple(
            TracedLoop(
                f"{quantity(loop.panel.quantity).label} over {quantity(loop.panel.across or '').label}",
                sentence(" ".join(loop.words)),
                tuple((round(x, 2), round(y, 2)) for x, y in loop_pixels(loop)),
            )
            for loop in read.loops
        ),
        recording=_recording(read, done),
        held=held,
        beside=tuple(_beside(done, observed)),
        warnings=tuple(words for words in read.warnings if words not in said),
        mendable=read.agreement is not None and read.agreement.ratio is not None,
    )  # fmt: skip


def _recording(read: Read, done: Review | None) -> str:
    if read.recording is None or done is None:
        return sentence(f"no recording yet: {read.why_no_recording}") if read.panels else ""
    names = listed([one.label for one in (quantity(name) for name in read.recording.channels)])
    return sentence(
        f"{duration(read.recording.duration_s)} of {names} at {read.recording.rate_hz:g} samples a second, "
        f"{count(done.breaths.height, 'breath')}"
    )


def _curve(one: TracedPanel, read: Read) -> TracedCurve:
    left, top = (round(edge) for edge in one.panel.box[:2])
    column = one.curve.column[::FINE] + left
    row, spread = one.curve.row[::FINE] + top, NORMAL * one.curve.sd[::FINE]
    return TracedCurve(
        quantity=one.panel.quantity,
        label=quantity(one.panel.quantity).label,
        words=(
            f"Traced over {100 * one.curve.seen:.0f} % of its panel; pen {one.curve.width:.1f} pixels; a column is "
            f"{f'{1000 * one.per_column_s:.0f} ms' if one.per_column_s < 1 else duration(one.per_column_s)}."
        ),
        column=tuple(np.round(column, 2).tolist()),
        row=_known(row),
        low=_known(row + spread),
        high=_known(row - spread),
        turns=tuple(_turns(one, read)),
    )  # fmt: skip


def _known(values: np.typing.NDArray[np.float64]) -> Rows:
    return tuple(None if np.isnan(value) else round(value, 2) for value in values.tolist())


def _turns(one: TracedPanel, read: Read) -> list[tuple[float, float]]:
    """Where expiration begins, in pixels."""
    if read.turns is None or one.panel.kind != "curve":
        return []
    left, top, right, _ = one.panel.box
    found = []
    for moment in read.turns.at_s.get(one.panel.quantity, ()):
        seconds = moment + read.begins_s
        if one.panel.sweep_s is not None:
            column = left + (seconds / one.panel.sweep_s % 1) * (right - left)
        else:
            assert one.panel.times is not None
            clock = Scale.of(one.panel.times)
            column = clock.at + (seconds - clock.first) / clock.each
        nearest = int(np.abs(one.curve.column + round(left) - column).argmin())
        row = float(one.curve.row[nearest]) + round(top)
        if np.isfinite(row):
            found.append((round(column, 2), round(row, 2)))
    return found


def _held(read: Read) -> list[Held]:
    found = []
    if read.agreement is not None:
        ratio = read.agreement.ratio
        state: State = "not told" if ratio is None else "agrees" if abs(ratio - 1) < SAID else "differs"
        found.append(Held("Flow summed up against the volume panel", read.agreement.words, state))
    if read.turns is not None:
        for (name, _), words in zip(read.turns.late_s.items(), read.turns.words, strict=True):
            what = f"End of inspiration in {quantity(name).label} and flow"
            found.append(Held(what, words, "differs" if read.turns.apart(name) else "agrees"))
    return found


def _beside(done: Review | None, observed: Mapping[str, Any]) -> list[Beside]:
    """Noted numbers beside measured ones, then a few that were measured."""
    if done is None:
        return [
            Beside(key, quantity(key, "observed").label, "–", quantity(key, "observed").text(value), "not told", ())
            for key, value in observed.items() if isinstance(value, float)
        ]  # fmt: skip
    rows = []
    for seen in observations(done):
        state: State = "not told" if seen.measured is None else "agrees" if seen.agrees else "differs"
        measured = seen.quantity.text(seen.measured.median if seen.measured else None)
        noted = seen.quantity.text(seen.noted)
        rows.append(Beside(seen.quantity.key, seen.quantity.label, measured, noted, state, seen.why))
    known = {row.key for row in rows}
    for key in FIRST:
        told = done.summary["quantities"].get(key)
        if key not in known and told:
            rows.append(Beside(key, quantity(key).label, quantity(key).text(told["median"]), "", "not told", ()))
    return rows
