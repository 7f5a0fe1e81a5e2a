"""Speed of an event log of a million rows beside a script with the csv module, and of limits replayed over a day.

    python benchmarks/bench_log.py [ROWS]

Whole processes are timed for the log, since that is what a person waits for; the replay is timed within one.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks import log_peer
from tidebench.care.logs import alarms_of, read_log, replay, series
from tidebench.care.logs.tradeoff import DELAYS_S, GRACE_S

NAMES = (
    "High airway pressure",
    "Low tidal volume",
    "High rate",
    "Low minute volume",
    "Apnoea",
    "Leak",
    "Low oxygen supply",
)
GRADES = ("high", "medium", "medium", "high", "high", "low", "high")
LIMITS = 20
ENTRY = "from tidebench.cli import main; main()"
PEER = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from benchmarks.log_peer import read
print(read(Path(sys.argv[2])))
"""


def seconds(work: Callable[[], object]) -> float:
    """How long it takes."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def write_log(path: Path, rows: int) -> None:
    """A log of alarms that come and go, newest first, stamps to the second."""
    rng = np.random.default_rng(7)
    n = rows // 2
    begins = np.sort(rng.uniform(0, 6.0 * n, n))
    ends = begins + rng.exponential(15.0, n)
    which = rng.integers(0, len(NAMES), n)
    start = np.datetime64("2031-05-04T13:20:00", "ms")
    parts = [
        pl.DataFrame({
            "Time": start + (times.astype(np.int64) * 1000).astype("timedelta64[ms]"),
            "Event": ["Alarm"] * n, "Text": np.array(NAMES)[which], "Priority": np.array(GRADES)[which],
            "State": [state] * n, "Value": rng.normal(40, 5, n).round(1),
        })
        for times, state in ((begins, "on"), (ends, "off"))
    ]  # fmt: skip
    pl.concat(parts).sort("Time", descending=True).write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%S")


def whole_processes(path: Path) -> None:
    """The command, without and with a result, beside the script; and both agree on what they counted."""
    root = str(Path(__file__).parents[1])
    command = [sys.executable, "-c", ENTRY, "log", str(path)]
    peer = [sys.executable, "-c", PEER, root, str(path)]
    environment = {key: word for key, word in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}

    def timed(words: list[str]) -> tuple[float, float]:
        before = os.times()
        taken = seconds(lambda: subprocess.run(words, check=True, capture_output=True, env=environment))
        after = os.times()
        worked = after.children_user + after.children_system - before.children_user - before.children_system
        return taken, worked

    with tempfile.TemporaryDirectory() as folder:
        written = [*command, "--out", f"{folder}/out"]
        timed(written)
        turns = [(timed(command), timed(written), timed(peer)) for _ in range(3)]
    for name, taken in zip(("command", "command with its result", "script"), zip(*turns, strict=True), strict=True):
        wall, worked = (statistics.median(part) for part in zip(*taken, strict=True))
        print(f"{name}: {wall:.2f} s by the clock, {worked:.2f} s of work on all cores")
    counts, lasted = log_peer.read(path)
    alarms = alarms_of(read_log(path))
    same = dict(alarms["name"].cast(pl.String).value_counts().iter_rows()) == dict(counts)
    print(f"counts agree: {same}; seconds from on to off {alarms['duration_s'].sum():.0f}, script {lasted:.0f}")


def a_day_replayed() -> None:
    """200 pairs of limit and delay over a day of breaths, 300 events."""
    rng = np.random.default_rng(3)
    n = 24 * 3600 // 3
    start = np.arange(n) * 3.0
    breaths = pl.DataFrame({
        "start_s": start, "expiration_s": start + 1.0, "end_s": start + 3.0,
        "peak_pressure_cmh2o": 25 + np.cumsum(rng.normal(0, 0.2, n)) % 20 + rng.normal(0, 2, n),
        "vte_ml": rng.normal(400, 60, n),
    })  # fmt: skip
    begins = np.sort(rng.uniform(0, 86_000, 300))
    events = np.column_stack([begins, begins + 20])
    for key, side in (("peak_pressure_cmh2o", "high"), ("minute_volume_l_min", "low")):
        of = series(breaths, key)
        limits = np.nanquantile(of.value, np.linspace(0.5, 0.999, LIMITS)).tolist()
        taken = [
            seconds(lambda of=of, limits=limits, side=side: replay(of, side, limits, DELAYS_S, events, GRACE_S))  # type: ignore[misc]
            for _ in range(5)
        ]
        print(f"{key}: {n} breaths, {len(limits) * len(DELAYS_S)} pairs: {1000 * statistics.median(taken):.1f} ms")


def main() -> None:
    """Make the log and run what there is to run."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        write_log(path, rows)
        print(f"{rows} rows, {path.stat().st_size / 2**20:.0f} MiB")
        whole_processes(path)
    a_day_replayed()


if __name__ == "__main__":
    main()
