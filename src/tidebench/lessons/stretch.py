"""A stretch of signals as data of a figure: what a learner sees, and the proof that an answer is shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tidebench.lessons.scene import Scene
from tidebench.lessons.truths import Values
from tidebench.quantities import quantity

HIDDEN = ("muscle_pressure",)
TO_SHOWN = {"flow": 60.0, "lung_volume": 1000.0, "volume": 1000.0}


@dataclass(frozen=True)
class Breath:
    """A breath of the stretch under the number that a learner marks it by, from 1."""

    number: int
    start_s: float
    turn_s: float
    end_s: float


@dataclass(frozen=True)
class Pointed:
    """A stretch of time that something is said of."""

    start_s: float
    end_s: float
    text: str


@dataclass(frozen=True)
class Stretch:
    """Signals from one moment to another, in the units they are shown in, breaths numbered.

    ``hidden`` names the channels that only a virtual patient tells; a figure shows them in a proof alone.
    """

    title: str
    time_s: Values
    channels: dict[str, Values]
    breaths: tuple[Breath, ...]
    pointed: tuple[Pointed, ...] = ()
    caption: str = ""

    def as_json(self) -> dict[str, Any]:
        """The same as tables that JSON can hold."""
        return {
            "title": self.title, "caption": self.caption, "time_s": plain(self.time_s),
            "channels": [
                {"key": key, "heading": heading(key), "hidden": key in HIDDEN, "values": plain(values)}
                for key, values in self.channels.items()
            ],
            "breaths": [vars(one) for one in map(_row, self.breaths)],
            "pointed": [{"start_s": one.start_s, "end_s": one.end_s, "text": one.text} for one in self.pointed],
        }  # fmt: skip

    def table(self) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
        """Heads and rows that tell of each breath what the figure shows, for those who can't see it."""
        heads = ("breath", "from s", "to s", *(f"{heading(key)}, highest" for key in self.channels))
        rows = []
        for breath in self.breaths:
            inside = (self.time_s >= breath.start_s) & (self.time_s < breath.end_s)
            highest = (f"{float(values[inside].max()):.1f}" for values in self.channels.values())
            rows.append((str(breath.number), f"{breath.start_s:.2f}", f"{breath.end_s:.2f}", *highest))
        return heads, rows


@dataclass
class _Row:
    number: int
    start_s: float
    turn_s: float
    end_s: float


def _row(breath: Breath) -> _Row:
    return _Row(breath.number, *(round(at, 3) for at in (breath.start_s, breath.turn_s, breath.end_s)))


def plain(values: Values) -> list[float | None]:
    """Values as JSON can hold them: to three decimals, None where there is none."""
    told: list[float | None] = np.round(values, 3).tolist()
    return (
        told if np.isfinite(values).all() else [one if one is not None and np.isfinite(one) else None for one in told]
    )


def heading(key: str) -> str:
    """A channel's name and unit."""
    return quantity(key).heading


def numbered(scene: Scene, from_s: float, to_s: float) -> tuple[Breath, ...]:
    """The whole breaths of a stretch, numbered from 1."""
    return tuple(
        Breath(k + 1, float(scene.start[at]), float(scene.turn[at]), float(scene.end[at]))
        for k, at in enumerate(scene.inside(from_s, to_s))
    )


def stretch(
    scene: Scene, from_s: float, to_s: float, channels: Sequence[str], title: str, *,
    pointed: Sequence[Pointed] = (), caption: str = "",
) -> Stretch:  # fmt: skip
    """A stretch of a scene with the channels that it has."""
    first, last = (round(at * scene.rate_hz) for at in (from_s, min(to_s, scene.duration_s)))
    shown = {}
    for key in channels:
        if (values := _channel(scene, key)) is not None:
            shown[key] = values[first:last]
    time = np.arange(first, first + len(next(iter(shown.values())))) / scene.rate_hz
    return Stretch(title, time, shown, numbered(scene, from_s, to_s), tuple(pointed), caption)


def _channel(scene: Scene, key: str) -> Values | None:
    if key == "volume":
        flow = scene.channels["flow"]
        volume = np.cumsum(flow) / scene.rate_hz
        zero = np.interp(np.arange(len(flow)) / scene.rate_hz, scene.start, scene_volume(scene, volume))
        return TO_SHOWN["volume"] * (volume - zero)
    values = scene.channels.get(key)
    return None if values is None else TO_SHOWN.get(key, 1.0) * values


def scene_volume(scene: Scene, volume: Values) -> Values:
    """The running integral of flow at the start of each breath, from which a breath's volume is counted."""
    found: Values = volume[np.clip(np.round(scene.start * scene.rate_hz).astype(int), 0, len(volume) - 1)]
    return found
