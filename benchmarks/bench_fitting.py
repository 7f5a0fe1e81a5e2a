"""Speed of a fit and of a prediction, after warm-up.

    python benchmarks/bench_fitting.py

A minute of a passive and of a breathing adult: fit, prediction with 200 drawn patients, one patient's redraw. The
machine counts: an interpreter's loop is timed beside it.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

from tidebench.case import case_from
from tidebench.fitting import Fit, fit_patient, predict, what_if
from tidebench.review import Review, review
from tidebench.simulation import scenario_from, simulate
from tidebench.simulation.write import case_tables

ASKED_FIT_S, ASKED_PREDICTION_S, ASKED_REDRAW_S = 1.0, 1.0, 0.02
CHANGES = {"adult-healthy": {"rate_per_min": 20.0}, "hard-to-wean": {"pressure_support_cmh2o": 5.0}}


def seconds(work: Callable[[], object], times: int = 5) -> float:
    """Median of several."""
    taken = []
    for _ in range(times):
        begin = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begin)
    return statistics.median(taken)


def recorded(who: str) -> Review:
    """A minute of a library's patient, reviewed."""
    noise = {"pressure_noise_cmh2o": 0.1, "flow_noise_l_min": 0.3}
    told = scenario_from({"who": who, "duration_s": 60, "sensors": noise})
    case = {key: table for key, table in case_tables(told, "").items() if key != "recording"}
    return review(case_from(case), simulate(told).recording)


def rows(who: str, changes: dict[str, float]) -> None:
    """One patient's times."""
    seen = recorded(who)
    fit: Fit = fit_patient(seen)
    what_if(fit, changes)
    print(f"{who}: fit {seconds(lambda: fit_patient(seen)):.3f} s (asked {ASKED_FIT_S:g})")
    print(f"  prediction, 200 patients: {seconds(lambda: predict(fit, changes)):.2f} s (asked {ASKED_PREDICTION_S:g})")
    redraw = seconds(lambda: predict(fit, changes, n=1), 20)
    print(f"  one patient's redraw: {1000 * redraw:.1f} ms (asked {1000 * ASKED_REDRAW_S:g})")


def main() -> None:
    """All of it."""
    loop = seconds(lambda: sum(1 for _ in range(10_000_000)), 1)
    print(f"ten million turns of a Python generator: {loop:.2f} s")
    for who, changes in CHANGES.items():
        rows(who, changes)


if __name__ == "__main__":
    main()
