"""A class of sixty on one machine: joining, answering, sixty live benches. Run: python benchmarks/bench_class.py"""

from __future__ import annotations

import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from tidebench.bench import Bench
from tidebench.lessons.classroom import Classroom
from tidebench.lessons.format import ASKED
from tidebench.lessons.learners import perfect
from tidebench.lessons.record import Record

LESSON, LEARNERS, FRAMES_S, SECONDS = "trapped-gas", 60, 25, 4


ARRIVING_S = (10.0, 0.0)
"""Over how many seconds the learners arrive: as people do, and all in the same instant."""


def joined(room: Classroom, link: str, after_s: float) -> tuple[float, str]:
    """Seconds to join and see the first step, and the learner's token."""
    time.sleep(after_s)
    begun = time.perf_counter()
    token = room.join(link)
    room.where(token).session.look()
    return time.perf_counter() - begun, token


def answered(room: Classroom, token: str) -> list[float]:
    """Seconds until the mark of each answer is told, one after the other without a pause."""
    told = []
    session = room.where(token).session
    for place, step in enumerate(session.lesson.steps):
        room.go(token, place)
        if isinstance(step, ASKED):
            answer = perfect(session.stage, step, np.random.default_rng(0))
            begun = time.perf_counter()
            room.answer(token, step.key, answer)
            told.append(time.perf_counter() - begun)
    return told


def spread(values: list[float]) -> str:
    """Median, 95th percentile, most."""
    return f"{np.median(values):.2f} s (95th {np.quantile(values, 0.95):.2f}, most {max(values):.2f})"


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        room = Classroom(Record(Path(folder) / "r.sqlite"))
        answered(room, joined(room, room.open(LESSON, led=False).link, 0.0)[1])  # compiled from now on
        for over_s in ARRIVING_S:
            link, rng = room.open(LESSON, led=False).link, np.random.default_rng(1)
            with ThreadPoolExecutor(LEARNERS) as pool:
                waiting = [pool.submit(joined, room, link, float(rng.uniform(0, over_s))) for _ in range(LEARNERS)]
                came = [one.result() for one in waiting]
                begun = time.perf_counter()
                told = [one for answers in pool.map(lambda row: answered(room, row[1]), came) for one in answers]
            print(f"{LEARNERS} arrive over {over_s:g} s: joined {spread([one for one, _ in came])}")
            print(
                f"all answer without a pause: marked {spread(told)}; {len(told)} in {time.perf_counter() - begun:.1f} s"
            )
    benches = [Bench({"who": "copd", "seed": k}, 5.0) for k in range(LEARNERS)]
    begun = time.perf_counter()
    for _ in range(FRAMES_S * SECONDS):
        for bench in benches:
            bench.step(1 / FRAMES_S)
    spent = time.perf_counter() - begun
    print(f"{LEARNERS} live benches, {FRAMES_S} frames a second each: {spent / SECONDS:.2f} s of one core per second")


if __name__ == "__main__":
    main()
