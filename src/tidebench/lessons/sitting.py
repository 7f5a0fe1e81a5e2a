"""A learner at the running patient of a step: what may be done, what was done, and how it stands against the limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeGuard

import numpy as np

from tidebench.bench import BANDS, Bench, Frame
from tidebench.bench.bench import LONGEST_S
from tidebench.errors import OptionError
from tidebench.lessons.debrief import action_words
from tidebench.lessons.format import Act, Action, Measure
from tidebench.lessons.marking import GRID_S, trailing
from tidebench.lessons.scene import checked, said_after, scene_from
from tidebench.lessons.session import limit_words
from tidebench.lessons.stage import Stage
from tidebench.lessons.truths import TRUTHS
from tidebench.simulation.setup import weight_kg
from tidebench.views.wording import clock

HOLDS = ("inspiratory hold", "expiratory hold")
BEDSIDE = (*HOLDS, "disconnection", "suction")
MOST_DEEDS = 60
SENSED = ("since", "pressure", "flow")
DIGITS = 6
AFTER_S = 0.01
"""After a moment, so that the breath that is under way then is not taken for a whole one."""


def at_bench(step: object) -> TypeGuard[Act | Measure]:
    """True for a step that is taken at a running patient."""
    return isinstance(step, Act) or (isinstance(step, Measure) and bool(step.needs))


@dataclass(frozen=True)
class Stood:
    """How one limit stands: its words, the value over the last seconds, and for how long it was kept so far."""

    label: str
    words: str
    value: str
    inside: bool | None
    inside_s: float


class Sitting:
    """A patient who breathes on a bench, from the start of an act or a measure step to its end.

    Parameters
    ----------
    stage : Stage
    step : Act or Measure
    actions : sequence of Action, optional
        What was done before; times count from the step's start.
    until_s : float
        The moment to go on from, likewise.
    lag_s : float
        How long after a moment it is counted at the earliest, so that a class is not counted all at once.

    Raises
    ------
    CaseError, OptionError
        The actions can't be.
    """

    def __init__(
        self, stage: Stage, step: Act | Measure, actions: Sequence[Action] = (), until_s: float = 0.0,
        lag_s: float = 0.0,
    ) -> None:  # fmt: skip
        self.step, self._lag_s = step, lag_s
        act = isinstance(step, Act)
        self.begins_s = step.from_s if isinstance(step, Act) else step.figure.from_s
        self.lasts_s = step.within_s if isinstance(step, Act) else step.figure.to_s - step.figure.from_s
        self._drawn = stage.drawn(step.patient if isinstance(step, Act) else step.figure.patient)
        self._treatments = step.treatments if isinstance(step, Act) else ()
        self.manoeuvres = BEDSIDE if act else HOLDS
        self.may = step.may if isinstance(step, Act) else ()
        until_s = min(max(until_s, 0.0), self.lasts_s)
        self.actions = [row for row in self._allowed(actions) if row.at_s <= round(until_s, DIGITS)]
        said, self._busy_s = self._said(self.actions)
        self.bench = Bench(said, self.begins_s + until_s)
        self._inside: list[list[bool]] = []
        self._values: list[float] = []
        self.limits: tuple[Stood, ...] = ()
        self._catch_up()

    @property
    def time_s(self) -> float:
        """Seconds since the step began."""
        return self.bench.time_s - self.begins_s

    @property
    def over(self) -> bool:
        """True once the step's time is over."""
        return round((self.lasts_s - self.time_s) * self.bench.rate_hz) <= 0

    @property
    def busy_s(self) -> float:
        """How long hands are still busy with a treatment."""
        return max(0.0, self._busy_s - self.bench.time_s)

    # --- what is done ---

    def set(self, settings: Mapping[str, Any]) -> str:
        """Change settings from now on; what was done, in words. Errors as :meth:`do`."""
        return self.do(Action(at_s=self._now, settings=dict(settings)))

    def hold(self, kind: Any) -> str:
        """A manoeuvre, now. Errors as :meth:`do`."""
        if kind not in self.manoeuvres:
            raise OptionError(f"no {kind} is done here", where=self.step.title, expected=", ".join(self.manoeuvres))
        return self.do(Action(at_s=self._now, manoeuvre=kind))

    def treat(self, key: str) -> str:
        """A treatment, which takes its time. Errors as :meth:`do`."""
        return self.do(Action(at_s=self._now, treatment=key))

    def do(self, action: Action) -> str:
        """Do something now; what it was, in words.

        Raises
        ------
        CaseError, OptionError
            It may not be done here, or not now; nothing was changed.
        """
        if self.over:
            raise OptionError("the time of this step is over", where=self.step.title)
        if self.busy_s > 0:
            raise OptionError(
                f"hands are busy until {clock(self._busy_s - self.begins_s)}", where=self.step.title,
                remedy="Let time pass.",
            )  # fmt: skip
        if len(self.actions) >= MOST_DEEDS:
            raise OptionError(f"{MOST_DEEDS} things were done already", where=self.step.title)
        actions = [*self.actions, *self._allowed([action])]
        said, busy_s = self._said(actions)
        self.bench.say(said)
        self.actions, self._busy_s = actions, busy_s
        return self.words(action)

    def words(self, action: Action) -> str:
        """What was done, in words."""
        return action_words(self._treatments, action, weight_kg(self.bench.scenario))

    # --- time ---

    def pass_time(self, seconds: float) -> Frame:
        """Let time go on, at most to the end of the step; what a learner may see of it."""
        frame = self.bench.step(min(seconds, self.lasts_s - self.time_s))
        self._catch_up()
        return self._veiled(frame)

    def before(self, seconds: float) -> Frame:
        """What was seen in the seconds until now."""
        last = round(self.bench.time_s * self.bench.rate_hz)
        return self._veiled(self.bench.frame(max(0, last - round(seconds * self.bench.rate_hz)), last))

    def answer(self) -> dict[str, Any]:
        """What was done, as the answer to an act step."""
        return {"actions": [row.model_dump(exclude_defaults=True) | {"at_s": row.at_s} for row in self.actions]}

    # --- inside ---

    @property
    def _now(self) -> float:
        return round(self.time_s, DIGITS)

    def _allowed(self, actions: Sequence[Action]) -> tuple[Action, ...]:
        if isinstance(self.step, Act):
            return checked(self.step, actions)
        if wrong := [row for row in actions if row.manoeuvre not in HOLDS]:
            raise OptionError("only holds are done here", where=self.step.title, expected=f"not {wrong[0]}")
        return tuple(actions)

    def _said(self, actions: Sequence[Action]) -> tuple[dict[str, Any], float]:
        moved = [row.model_copy(update={"at_s": row.at_s + self.begins_s}) for row in actions]
        said, busy_s = said_after(self._drawn, moved, self._treatments)
        return said | {"duration_s": LONGEST_S}, busy_s

    def _veiled(self, frame: Frame) -> Frame:
        """A measure step shows what sensors tell and nothing else, for all else is what it asks."""
        if isinstance(self.step, Act):
            return frame
        bands = np.where(np.isin(BANDS, SENSED)[:, None], frame.bands, 0.0)
        nothing = np.empty(0)
        return replace(frame, bands=bands, volumes=nothing, opened=nothing, levels=nothing)

    def _catch_up(self) -> None:
        """Count the time inside the limits, moment by moment, as marking will."""
        step = self.step
        if not isinstance(step, Act):
            return
        due = [k for k in range(len(self._inside), round(step.within_s / GRID_S)) if self._has_been(GRID_S * (k + 1))]
        if due:
            scene = scene_from(self.bench.solution(hidden=True))
            columns = [scene.values(bound.truth) for bound in step.limits]
            for k in due:
                told = [
                    trailing(scene, column, bound.truth, step, GRID_S * (k + 1))
                    for bound, column in zip(step.limits, columns, strict=True)
                ]
                self._inside.append([bound.holds(value) for bound, value in zip(step.limits, told, strict=True)])
                self._values = told
        if due or not self.limits:
            self.limits = tuple(self._stood(k, words) for k, words in enumerate(limit_words(step)))

    def _has_been(self, time_s: float) -> bool:
        return self.time_s >= time_s + AFTER_S + self._lag_s or (self.over and self.time_s >= time_s - AFTER_S / 2)

    def _stood(self, k: int, words: str) -> Stood:
        assert isinstance(self.step, Act)
        known = TRUTHS[self.step.limits[k].truth]
        kept = [inside[k] for inside in self._inside]
        return Stood(
            known.label, words, known.text(self._values[k]) if self._values else "",
            kept[-1] if kept else None, GRID_S * sum(kept),
        )  # fmt: skip

    @property
    def inside_s(self) -> float:
        """For how long all limits were kept so far."""
        return GRID_S * sum(all(inside) for inside in self._inside)
