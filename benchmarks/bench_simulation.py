"""Speed, start and memory of the simulation, beside SciPy's solve_ivp, in one run.

    python benchmarks/bench_simulation.py [HOURS]

A day of two compartments behind a tube on a circuit that yields, with effort and gas exchange, 1 ms step, 100 Hz out,
on one core. The machine counts: an interpreter's loop is timed before and after.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.solver_peer import Peer, Values, Waveforms
from tidebench.simulation import Scenario, scenario_from, simulate

PEER_S = 15.0
ASKED_TIMES_REAL, ASKED_FASTER, ASKED_FIRST_S, ASKED_LATER_S = 10_000, 5, 10.0, 1.5
PATIENT: dict[str, Any] = {
    "lung": {
        "compartments": [
            {"compliance_ml_cmh2o": 30, "resistance_cmh2o_s_l": 9},
            {"compliance_ml_cmh2o": 15, "resistance_cmh2o_s_l": 30},
        ]
    },
    "airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 7.5},
    "circuit": {"compliance_ml_cmh2o": 1.5},
}
EFFORT = {"rate_per_min": 17, "size_cmh2o": 6}
TIMED = {
    "mode": "CMV-PC", "peep_cmh2o": 5, "rate_per_min": 20, "pressure_control_cmh2o": 15, "inspiratory_time_s": 1.0,
    "rise_s": 0.1, "fio2": 0.4,
}  # fmt: skip
TRIGGERED = {**TIMED, "mode": "A/C-PC"}
FIRST = """
import json, sys, time
begin = time.perf_counter()
from tidebench.simulation import scenario_from, simulate
imported = time.perf_counter()
simulate(scenario_from(json.loads(sys.argv[1])))
print(imported - begin, time.perf_counter() - begin)
"""
PEAK = """
import json, sys
from tidebench.simulation import scenario_from, simulate
def highest():
    lines = open("/proc/self/status").read().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024
told = json.loads(sys.argv[1])
simulate(scenario_from({**told, "duration_s": 60}))
before = highest()
solution = simulate(scenario_from(told))
kept = sum(array.nbytes for array in solution.channels.values()) / 2**20
kept += solution.raw_breaths.estimated_size("mb") + solution.raw_efforts.estimated_size("mb")
print(before, highest(), kept)
"""


def seconds(work: Callable[[], object]) -> float:
    """How long it takes."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def told(setting: dict[str, object], lasts_s: float, **more: Any) -> dict[str, Any]:
    """A scenario as tables."""
    return {**PATIENT, "duration_s": lasts_s, "settings": [setting], **more}


def fresh(code: str, tables: dict[str, Any], cache: str | None = None) -> list[float]:
    """Numbers that code prints in a process of its own, with an empty cache of compiled code where one is given."""
    import json

    where = {key: word for key, word in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    if cache:
        where["NUMBA_CACHE_DIR"] = cache
    done = subprocess.run(
        [sys.executable, "-c", code, json.dumps(tables)], check=True, capture_output=True, text=True, env=where
    )
    return [float(word) for word in done.stdout.split()]


def a_day(hours: float) -> None:
    """Times real time, warm, median of three."""
    for name, setting, effort in (
        ("timed, effort", TIMED, EFFORT),
        ("triggered, effort", TRIGGERED, EFFORT),
        ("timed, passive", TIMED, {}),
    ):
        scenario = scenario_from(told(setting, 3600 * hours, effort=effort))
        simulate(scenario_from(told(setting, 60, effort=effort)))
        taken = statistics.median(seconds(partial(simulate, scenario)) for _ in range(3))
        print(
            f"{name}: {hours:g} h in {taken:.2f} s, {3600 * hours / taken:,.0f} times real time"
            f" (asked {ASKED_TIMES_REAL:,}), {1e9 * taken / (3.6e6 * hours):.0f} ns a step"
        )


def error(found: Values, exact: Values) -> float:
    """Largest difference of the lung's volume, as a share of its range."""
    return float(np.abs(found - exact).max() / np.ptp(exact))


def cheapest(solve: Callable[[float], Waveforms], exact: Values, allowed: float) -> tuple[float, float, float]:
    """The loosest tolerance that is as accurate as allowed: seconds (best of two), error, tolerance."""
    for tolerance in 10.0 ** -np.arange(3.0, 8.0):
        begin = time.perf_counter()
        volume = solve(float(tolerance)).volumes.sum(axis=0)
        taken = time.perf_counter() - begin
        if error(volume, exact) <= allowed:
            return min(taken, seconds(lambda: solve(float(tolerance)))), error(volume, exact), float(tolerance)  # noqa: B023
    return float("nan"), float("nan"), float("nan")


def beside_solve_ivp() -> None:
    """A quarter of a minute, 100 Hz out, no gas exchange on SciPy's side; at the accuracy of ours, and at 0.1 %."""
    regular = {**EFFORT, "rate_cv": 0, "size_cv": 0, "neural_time_cv": 0}
    square, ideal = {**TIMED, "rise_s": 0.0}, {"valve_time_s": 0.0}  # what one call can do without a switch's memory
    scenario: Scenario = scenario_from(told(square, PEER_S, effort=regular, ventilator=ideal))
    at = np.arange(1, round(PEER_S * 100)) / 100
    exact = Peer(scenario).split(at, rtol=1e-11, atol=1e-13).volumes.sum(axis=0)
    simulate(scenario)
    ours = statistics.median(seconds(lambda: simulate(scenario)) for _ in range(9))
    volume = simulate(scenario, ["airway_pressure", "flow", "lung_volume"]).channels["lung_volume"][1:]
    mine = error(volume, exact)
    print(f"a quarter of a minute: {1e3 * ours:.1f} ms, volume within {100 * mine:.5f} % of solve_ivp at 1e-11")
    peer = Peer(scenario)
    for method in ("LSODA", "Radau"):
        for name, allowed in (("as accurate as ours", mine), ("at 0.1 %", 1e-3)):
            for how, solve in (
                ("split at every switch", lambda r: peer.split(at, rtol=r, atol=r * 1e-3, method=method)),  # noqa: B023
                ("one naive call", lambda r: peer.naive(at, rtol=r, atol=r * 1e-3, max_step=0.05, method=method)),  # noqa: B023
            ):
                taken, off, tolerance = cheapest(solve, exact, allowed)
                print(
                    f"  solve_ivp {method}, {how}, {name}: {taken:.2f} s (rtol {tolerance:.0e}, {100 * off:.5f} %);"
                    f" ours {taken / ours:,.0f} times faster (asked {ASKED_FASTER})"
                )


def starts() -> None:
    """The first call after installing, and later ones, in processes of their own; a minute is simulated."""
    minute = told(TRIGGERED, 60, effort=EFFORT)
    with tempfile.TemporaryDirectory() as cache:
        imported, first = fresh(FIRST, minute, cache)
        later = [fresh(FIRST, minute, cache) for _ in range(3)]
    middle = statistics.median(total for _, total in later)
    print(f"first call, nothing compiled: {first:.1f} s (asked {ASKED_FIRST_S:g}), of which import {imported:.1f} s")
    print(
        f"later starts: {middle:.2f} s (asked {ASKED_LATER_S:g}), of which import"
        f" {statistics.median(part for part, _ in later):.2f} s"
    )


def memory(hours: float) -> None:
    """Peak memory against what is kept."""
    for share in (0.25, 1.0):
        before, peak, kept = fresh(PEAK, told(TRIGGERED, 3600 * hours * share, effort=EFFORT))
        print(
            f"memory, {hours * share:g} h: {peak - before:.0f} MiB over an interpreter of {before:.0f};"
            f" kept {kept:.0f} MiB; ratio {(peak - before) / kept:.2f}"
        )


def yardstick() -> None:
    """How fast this machine is now: ten million steps of an interpreter's loop."""

    def loop() -> None:
        for _ in range(10_000_000):
            pass

    print(f"ten million empty turns of a Python loop: {seconds(loop):.2f} s; load {os.getloadavg()[0]:.1f}")


def main() -> None:
    """Run everything."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    yardstick()
    a_day(hours)
    beside_solve_ivp()
    starts()
    memory(hours)
    yardstick()


if __name__ == "__main__":
    main()
