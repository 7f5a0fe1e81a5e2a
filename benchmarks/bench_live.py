"""What live benches cost: time passed in frames, going back, the review of what was recorded, memory.

    python benchmarks/bench_live.py [BENCHES]

Processor time of one process, threads included; 60 benches at 25 frames a second are a class.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from tidebench.bench import Bench, measured
from tidebench.simulation import patient_names
from tidebench.web.bench_models import packed

CLASS, FRAMES_S, SECONDS = 60, 25, 20
LONG_S = 600.0


def frame_cost(rate: int) -> float:
    """Processor time of a second of one bench, stepped and packed at so many frames, ms."""
    bench = Bench({"who": "copd"})
    for _ in range(rate):
        packed(bench.step(1 / rate), bench.rate_hz, 1)
    begun = time.process_time()
    for _ in range(SECONDS * rate):
        packed(bench.step(1 / rate), bench.rate_hz, 1)
    return 1000 * (time.process_time() - begun) / SECONDS


def class_cost(benches: int) -> float:
    """Processor time that a second of a class takes, in turn, s."""
    names = patient_names()
    seats = [Bench({"who": names[k % len(names)], "seed": k}) for k in range(benches)]
    begun = time.process_time()
    for _ in range(SECONDS * FRAMES_S):
        for bench in seats:
            packed(bench.step(1 / FRAMES_S), bench.rate_hz, 1)
    return (time.process_time() - begun) / SECONDS


def long_bench() -> tuple[Bench, float]:
    """A bench that has run for ten minutes, and what it holds, MiB."""
    Bench({"who": "hard-to-wean"}, 10.0)  # imports and kernels are no bench's
    tracemalloc.start()
    bench = Bench({"who": "hard-to-wean"}, LONG_S)
    held = tracemalloc.get_traced_memory()[0] / 2**20
    tracemalloc.stop()
    return bench, held


def main(benches: int) -> None:
    """Measure and print."""
    bench, held = long_bench()
    measured(*bench.recorded())
    begun, wall = time.process_time(), time.perf_counter()
    measured(*bench.recorded())
    review, review_wall = time.process_time() - begun, time.perf_counter() - wall
    begun = time.process_time()
    bench.go_back(LONG_S - 1.0)
    back = time.process_time() - begun
    print("| what | measured |\n| --- | --- |")
    for rate in (FRAMES_S, 60):
        print(f"| a second of one bench at {rate} frames, processor ms | {frame_cost(rate):.1f} |")
    print(f"| a second of {benches} benches at {FRAMES_S} frames, processor s | {class_cost(benches):.2f} |")
    minutes = f"{LONG_S / 60:.0f} minutes"
    print(f"| review of {minutes}, processor ms (waited for) | {1000 * review:.0f} ({1000 * review_wall:.0f}) |")
    print(f"| going back to a moment {minutes} in, processor ms | {1000 * back:.0f} |")
    print(f"| a bench of {minutes} holds, MiB | {held:.1f} |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else CLASS)
