"""The patients of one learner's lesson, drawn and simulated when they are first looked at."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path

from tidebench.bench import Bench
from tidebench.errors import OptionError
from tidebench.lessons.format import Act, Action, Lesson, Predict, Treatment
from tidebench.lessons.patients import Drawn, draw
from tidebench.lessons.recorded import recorded_scene
from tidebench.lessons.scene import Scene, played, scene_from

MOST_RUNS = 12
AFTER_S = 12.0
"""Beyond the last stretch that is shown, so that its last breath is whole."""


class Stage:
    """What the steps of a lesson look at, for one seed.

    Parameters
    ----------
    lesson : Lesson
    seed : int
        Draws every patient.
    folder : Path, optional
        Where a recorded case of the lesson lies.

    Raises
    ------
    OptionError
        The seed is negative.
    """

    def __init__(self, lesson: Lesson, seed: int, folder: Path | None = None) -> None:
        if seed < 0:
            raise OptionError(f"{seed} is no seed", where="seed", expected="a whole number, 0 or more")
        self.lesson, self.seed, self.folder = lesson, seed, folder
        self._drawn: dict[str, Drawn] = {}
        self._benches: dict[str, Bench] = {}
        self._scenes: dict[str, Scene] = {}
        self._runs: dict[str, Scene] = {}
        self._busy = threading.RLock()

    def drawn(self, name: str) -> Drawn:
        """A virtual patient of the lesson.

        Raises
        ------
        CaseError
            A range leads nowhere.
        """
        if name not in self._drawn:
            self._drawn[name] = draw(self.lesson.patients[name], name, self.seed)
        return self._drawn[name]

    def variant(self, name: str) -> str:
        """What is the matter with a patient; empty where the lesson names no variants."""
        return "" if self.lesson.patients[name].case else self.drawn(name).variant

    def scene(self, name: str, to_s: float | None = None) -> Scene:
        """A patient left alone, at least until a moment, as far as any step looks at it unless said.

        It is simulated no further than is looked at, and goes on from there when more is asked for.
        """
        with self._busy:
            if self.lesson.patients[name].case:
                if name not in self._scenes:
                    self._scenes[name] = recorded_scene(self.folder)
            elif (until := self._until(name) if to_s is None else to_s + AFTER_S) > self._lasts(name):
                bench = self._benches.setdefault(name, Bench(self.drawn(name).said))
                while bench.time_s < until - 1e-6:
                    bench.step(until - bench.time_s)
                self._scenes[name] = scene_from(bench.solution(hidden=True))
            return self._scenes[name]

    def _lasts(self, name: str) -> float:
        return self._scenes[name].duration_s if name in self._scenes else 0.0

    def after(self, step: Predict) -> Scene:
        """What follows the change of a prediction."""
        name = step.figure.patient
        if self.lesson.patients[name].case:
            return self.scene(name)
        drawn = self.drawn(name)
        if step.event:
            event = {**step.event, "at_s": step.at_s}
            drawn = Drawn(name, {**drawn.said, "events": [*drawn.said.get("events", ()), event]})
        actions = [Action(at_s=step.at_s, settings=step.settings)] if step.settings else []
        return self._run(step.key, drawn, step.figure.to_s + AFTER_S, actions)

    def done(self, step: Act, actions: Sequence[Action]) -> Scene:
        """What comes of actions whose times count from the step's start."""
        moved = [action.model_copy(update={"at_s": action.at_s + step.from_s}) for action in actions]
        return self._run(step.key, self.drawn(step.patient), step.from_s + step.within_s, moved, step.treatments)

    def held(self, name: str, actions: Sequence[Action]) -> Scene:
        """A patient with manoeuvres that a learner does."""
        return self._run(name, self.drawn(name), self._until(name), actions)

    def _run(
        self, key: str, drawn: Drawn, to_s: float, actions: Sequence[Action], treatments: Sequence[Treatment] = ()
    ) -> Scene:
        """A run; the latest few are kept, for several questions are asked of each."""
        key = f"{key} {to_s} {[action.model_dump_json() for action in actions]}"
        if key not in self._runs:
            scene = played(drawn, to_s, actions, treatments)
            while len(self._runs) >= MOST_RUNS:
                self._runs.pop(next(iter(self._runs)))
            self._runs[key] = scene
        return self._runs[key]

    def _until(self, name: str) -> float:
        figures = [figure for step in self.lesson.steps if (figure := getattr(step, "figure", None)) is not None]
        return float(max(figure.to_s for figure in figures if figure.patient == name)) + AFTER_S
