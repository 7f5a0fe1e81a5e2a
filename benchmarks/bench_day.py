"""Speed and memory on a day of breathing, beside peers, in one run.

    python benchmarks/bench_day.py [HOURS]

Prints ratios within one process where there are any, since seconds differ from machine to machine.
"""

from __future__ import annotations

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

from benchmarks.day import RATE_HZ, Samples, day
from benchmarks.notebook_peer import breaths_and_mechanics
from tidebench.case import load_case
from tidebench.line import run
from tidebench.measures.plans import plan_for
from tidebench.measures.stretch import measure
from tidebench.review import review

CASE = """title = "A day"
[[recording]]
file = "{file}"
[[settings]]
at_s = 0
mode = "A/C-VC"
"""

PEAK = """
import sys
from pathlib import Path
from tidebench.results import review_case
import numpy, scipy, polars, numba

def highest():
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1])

before = highest()
review_case(sys.argv[1], sys.argv[2], report=False)
print(before, highest())
"""


def seconds(work: Callable[[], object]) -> float:
    """How long it takes."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def prepare(folder: Path, pressure: Samples, flow: Samples) -> tuple[Path, Path]:
    """The day as a case with CSV and as a case with Parquet."""
    table = pl.DataFrame({
        "time [s]": (np.arange(len(flow)) / RATE_HZ).round(2),
        "airway pressure [cmH2O]": pressure.round(2),
        "flow [L/min]": (60 * flow).round(1),
    })  # fmt: skip
    for kind in ("csv", "parquet"):
        (folder / kind).mkdir()
        (folder / kind / "case.toml").write_text(CASE.format(file=f"day.{kind}"), encoding="utf-8")
    table.write_csv(folder / "csv" / "day.csv")
    table.write_parquet(folder / "parquet" / "day.parquet")
    return folder / "csv", folder / "parquet"


def beside_polars(case: Path) -> None:
    """(a) The review from CSV, warm, against Polars reading that CSV, five times in turn."""
    ours, theirs = [], []
    review(load_case(case))
    for _ in range(5):
        theirs.append(seconds(lambda: pl.read_csv(case / "day.csv")))
        ours.append(seconds(lambda: review(load_case(case))))
    ratio = statistics.median(a / b for a, b in zip(ours, theirs, strict=True))
    print(
        f"from CSV: {statistics.median(ours):.2f} s; polars.read_csv {statistics.median(theirs):.2f} s;"
        f" ratio {ratio:.2f}"
    )


def as_command(case: Path, out: Path) -> None:
    """(b) The whole command from Parquet, and (c) its peak memory beside the arrays."""
    entry = "from tidebench.cli import main; main()"
    command = [sys.executable, "-c", entry, "review", str(case), "--out", str(out), "--no-report"]
    taken = [seconds(lambda: subprocess.run(command, check=True, capture_output=True)) for _ in range(3)]
    print(f"command from Parquet: {statistics.median(taken):.2f} s (median of {len(taken)})")
    for name, source in (("Parquet", case), ("CSV", case.parent / "csv")):
        told = subprocess.run(
            [sys.executable, "-c", PEAK, str(source), str(out)], check=True, capture_output=True, text=True
        )
        before, peak = (int(word) / 1024 for word in told.stdout.split())
        arrays = 3 * 8 * pl.scan_parquet(case / "day.parquet").select(pl.len()).collect().item() / 2**20
        print(
            f"memory from {name}: peak {peak:.0f} MiB, {before:.0f} before; arrays {arrays:.0f} MiB;"
            f" ratio {peak / arrays:.2f}, net of the interpreter {(peak - before) / arrays:.2f}"
        )


def beside_a_notebook(pressure: Samples, flow: Samples) -> None:
    """(d) Finding breaths and their mechanics, against a notebook's way, on an hour; the whole line beside it."""
    n = min(len(flow), 3600 * RATE_HZ)
    p, f = pressure[:n].copy(), flow[:n].copy()

    def stage() -> object:
        return measure(p, f, RATE_HZ, lambda start: plan_for((), start / RATE_HZ))

    stage()
    channels = {"airway_pressure": p, "flow": f}
    ours, line, theirs = [], [], []
    for _ in range(5):
        theirs.append(seconds(lambda: breaths_and_mechanics(p, f, RATE_HZ)))
        ours.append(seconds(stage))
        line.append(seconds(lambda: run(channels, RATE_HZ, (), None)))
    found = len(breaths_and_mechanics(p, f, RATE_HZ))
    slow, fast, parallel = (1e6 * statistics.median(taken) / found for taken in (theirs, ours, line))
    print(
        f"per breath ({found} breaths): notebook {slow:.0f} µs, everything measured in one thread {fast:.0f} µs"
        f" ({slow / fast:.1f} times faster), the line on all cores {parallel:.0f} µs ({slow / parallel:.1f} times)"
    )


def main() -> None:
    """Make the day and run what there is to run."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    pressure, flow = day(hours)
    with tempfile.TemporaryDirectory() as folder:
        csv, parquet = prepare(Path(folder), pressure, flow)
        print(
            f"{hours:g} h at {RATE_HZ} Hz, {len(flow)} samples,"
            f" CSV of {(csv / 'day.csv').stat().st_size / 2**20:.0f} MiB"
        )
        done = review(load_case(parquet))
        print(
            f"{done.breaths.height} breaths, {done.summary['breaths']['passive']} passive,"
            f" {done.efforts.height} efforts"
        )
        beside_polars(csv)
        as_command(parquet, Path(folder) / "out")
        beside_a_notebook(pressure, flow)


if __name__ == "__main__":
    main()
