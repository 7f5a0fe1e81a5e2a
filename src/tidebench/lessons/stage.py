"""The patients of one learner's lesson, drawn and simulated when they are first looked at."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tidebench.lessons.format import Act, Action, Lesson, Predict, Treatment
from tidebench.lessons.patients import Drawn, draw
from tidebench.lessons.recorded import recorded_scene
from tidebench.lessons.scene import Scene, played, untouched

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
    """

    def __init__(self, lesson: Lesson, seed: int, folder: Path | None = None) -> None:
        self.lesson, self.seed, self.folder = lesson, seed, folder
        self._drawn: dict[str, Drawn] = {}
        self._scenes: dict[str, Scene] = {}
        self._runs: dict[str, Scene] = {}

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

    def scene(self, name: str) -> Scene:
        """A patient left alone, as long as any step looks at it."""
        if name not in self._scenes:
            if self.lesson.patients[name].case:
                self._scenes[name] = recorded_scene(self.folder)
            else:
                self._scenes[name] = untouched(self.drawn(name), self._until(name))
        return self._scenes[name]

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
