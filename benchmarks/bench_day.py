"""Speed and memory on a day of breathing, beside peers, in one run.

    python benchmarks/bench_day.py [HOURS]

Prints ratios within one process where there are any, since seconds differ from machine to machine.
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

from benchmarks.bench_notebook import compared, measured, stages, tell
from benchmarks.day import RATE_HZ, Samples, day
from tidebench.case import load_case
from tidebench.review import review

STRETCH_S = 900
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
    as_installed = {key: word for key, word in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    subprocess.run(command, check=True, capture_output=True, env=as_installed)
    taken = [
        seconds(lambda: subprocess.run(command, check=True, capture_output=True, env=as_installed)) for _ in range(3)
    ]
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
    """(d) Stage by stage against a notebook on the day's first quarter of an hour; the whole of a stretch beside it."""
    n = min(len(flow), STRETCH_S * RATE_HZ)
    p, f = pressure[:n].copy(), flow[:n].copy()
    work, breaths = stages(p, f)
    taken = statistics.median(seconds(lambda: measured(p, f)) for _ in range(5))
    tell([compared(stage, breaths) for stage in work])
    print(f"everything measured, one thread: {1e6 * taken / breaths:.0f} µs a breath")


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
