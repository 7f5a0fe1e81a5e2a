"""Thousands of made-up learners on every lesson, written as a page: ``python -m tests.lesson_population``.

Each of 24 seeds draws the patients anew; perfect, clumsy, random and still learners answer, the clumsy and the random
five times each. ``--page`` writes the page under ``docs/``; otherwise it is printed.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from tidebench.lessons import Session, lesson_names, open_lesson
from tidebench.lessons.learners import LEARNERS, play
from tidebench.lessons.stage import Stage

PAGE = Path(__file__).parents[1] / "docs" / "explanation" / "lessons-measured.md"
TIMES = {"perfect": 1, "clumsy": 5, "random": 5, "still": 1}
FIRST = 10_001
"""Seeds of the population: none of them was used while lessons were written."""

HEAD = """# Lessons, measured

```
python -m tests.lesson_population --page
```

writes this page. {learners} made-up learners took {lessons} lessons; {seeds} seeds drew the patients of each anew, and
none of these seeds was used while the lessons were written. A perfect learner knows the truth and acts as the lesson's
reference does; a clumsy one overlooks a quarter of the breaths, misreads numbers by 0.6 of the tolerance (standard
deviation), and errs in a quarter of the other answers; a random one answers by lot; a still one does and marks nothing.
How clumsy people are was not measured: the clumsy learner is invented. These are no people, and nothing here says how
well anybody learns.

A lesson does what it should where every perfect learner gets all marks (nothing depends on luck), and hardly any random
one passes. Marks are shares of all marks.

| lesson | perfect: least marks | clumsy: marks, passed | random: marks, passed | still: marks |
| --- | --- | --- | --- | --- |
"""


def measured(name: str, seeds: int) -> dict[str, list[tuple[float, bool]]]:
    """Marks and passes of every learner of a lesson."""
    lesson, folder = open_lesson(name)
    found: dict[str, list[tuple[float, bool]]] = {kind: [] for kind in TIMES}
    for seed in range(FIRST, FIRST + seeds):
        stage = Stage(lesson, seed, folder)
        for kind, times in TIMES.items():
            for again in range(times):
                session = Session(lesson, seed, folder)
                session.stage = stage
                play(session, LEARNERS[kind], np.random.default_rng([seed, again, *kind.encode()]))
                result = session.result()
                found[kind].append((result.points / result.of, result.passed))
    return found


def row(name: str, found: dict[str, list[tuple[float, bool]]]) -> str:
    """A line of the table."""
    marks = {kind: np.array([share for share, _ in got]) for kind, got in found.items()}
    passed = {kind: 100 * float(np.mean([was for _, was in got])) for kind, got in found.items()}
    told = [f"{100 * marks['perfect'].min():.0f} %"]
    told += [f"{100 * marks[kind].mean():.0f} %, {passed[kind]:.0f} %" for kind in ("clumsy", "random")]
    return f"| {name} | {' | '.join(told)} | {100 * marks['still'].mean():.0f} % |"


def main() -> None:
    """Measure, and print or write the page."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--seeds", type=int, default=24)
    asked.add_argument("--page", action="store_true")
    said = asked.parse_args()
    names = lesson_names()
    lines = []
    for name in names:
        lines.append(row(name, measured(name, said.seeds)))
        print(lines[-1], flush=True)
    learners = len(names) * said.seeds * sum(TIMES.values())
    text = HEAD.format(learners=f"{learners:,}", lessons=len(names), seeds=said.seeds) + "\n".join(lines) + "\n"
    if said.page:
        PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
