"""Measures the findings on a population of virtual patients.

python -m tests.population open|frozen [clean|real] [--patients N] [--by way|size] [--out FOLDER]
    prints sensitivity and predictive value by kind
python -m tests.population calibrate
    prints how often each grade that the rules give was right in the open population, clean and real: the numbers of
    ``tidebench.findings.calibration``, which are entered there by hand, made to rise
python -m tests.population page
    writes docs/explanation/findings-measured.md and its picture from the frozen population
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl

from tests.population.page import write_page
from tests.population.patients import Sensing, Set, patient
from tests.population.scoring import end_errors_s, score
from tests.population.tables import Measured, by_kind, reliability
from tidebench.case import load_case
from tidebench.findings import as_table, graded_findings
from tidebench.findings.seen import Known, Seen
from tidebench.review import Review, review
from tidebench.simulation import simulate
from tidebench.simulation.write import write_files

PATIENTS = 220
Findings = Callable[[Review], pl.DataFrame]


def grades(found: Review) -> pl.DataFrame:
    """The findings of a review as its rules grade them, before calibration."""
    graded = graded_findings(Seen(found.breaths, found.efforts, found.recording, Known(line=found.mechanics)))
    return as_table(sorted(graded, key=lambda finding: finding.start_s))


def calibrated(found: Review) -> pl.DataFrame:
    """The findings of a review."""
    return found.findings


def measured(kind: Set, sensing: Sensing, k: int, findings: Findings = calibrated) -> dict[str, Any]:
    """One patient, simulated, reviewed and scored."""
    way, size, scenario = patient(kind, k, sensing)
    done = simulate(scenario)
    with tempfile.TemporaryDirectory() as folder:
        write_files(done, Path(folder))
        found = review(load_case(folder))
    events = score(size, done.breaths, done.efforts, findings(found), scenario.duration_s)
    about = {"patient": k, "way": way, "size": size}
    return {
        "about": about | {"breaths": done.breaths.height, "efforts": done.efforts.height},
        "events": [about | asdict(event) for event in events],
        "ends": [about | {"error_s": error} for error in end_errors_s(done.efforts, found.efforts)],
    }


def population(kind: Set, sensing: Sensing, numbers: Sequence[int], findings: Findings = calibrated) -> Measured:
    """Patients, events and errors of effort ends as tables."""
    with ProcessPoolExecutor() as pool:
        rows = list(pool.map(partial(measured, kind, sensing, findings=findings), numbers))
    return Measured(
        pl.DataFrame([row["about"] for row in rows]),
        pl.DataFrame([event for row in rows for event in row["events"]], infer_schema_length=None),
        pl.DataFrame([error for row in rows for error in row["ends"]], infer_schema_length=None),
    )


@dataclass(frozen=True)
class Asked:
    """What the command line asked for."""

    what: str
    sensing: Sensing
    patients: int
    by: str | None
    out: Path | None


def asked() -> Asked:
    """The command line, parsed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["open", "frozen", "calibrate", "page"])
    parser.add_argument("sensing", choices=["clean", "real"], nargs="?", default="clean")
    parser.add_argument("--patients", type=int, default=PATIENTS)
    parser.add_argument("--by", choices=["way", "size"])
    parser.add_argument("--out", type=Path)
    return Asked(**vars(parser.parse_args()))


def main() -> None:
    """Run what the command line asks for."""
    told = asked()
    pl.Config.set_tbl_rows(200).set_tbl_cols(20).set_tbl_hide_dataframe_shape(active=True).set_tbl_width_chars(160)
    numbers = range(told.patients)
    if told.what == "page":
        write_page(population("frozen", "clean", numbers), population("frozen", "real", numbers))
    elif told.what == "calibrate":
        both = [population("open", sensing, numbers, grades).events for sensing in ("clean", "real")]
        print(reliability(pl.concat(both)))
    else:
        done = population("open" if told.what == "open" else "frozen", told.sensing, numbers)
        print(by_kind(done.events, *([told.by] if told.by else [])))
        if told.out:
            done.write(told.out)


if __name__ == "__main__":
    main()
