"""Measures findings of drive, lung, circuit and sensors on virtual patients with and without their causes.

python -m tests.conditions open|frozen [--patients N]
    prints, by kind, how often what was found is there, and what is there is found
python -m tests.conditions calibrate
    prints the curves of ``tidebench.findings.calibration``: grades of the rules in the open population, and how often
    each was right
python -m tests.conditions page
    writes docs/explanation/conditions-measured.md and its picture from both populations
"""

from __future__ import annotations

import argparse

import polars as pl

from tests.conditions.page import write_page
from tests.conditions.patients import Set
from tests.conditions.run import population
from tests.conditions.tables import Measured, by_kind, curves

PATIENTS: dict[Set, int] = {"open": 900, "frozen": 450}


def main() -> None:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["open", "frozen", "calibrate", "page"])
    parser.add_argument("--patients", type=int, help="at most so many")
    told = parser.parse_args()

    def of(kind: Set, *, graded: bool = False) -> Measured:
        return population(kind, range(min(PATIENTS[kind], told.patients or PATIENTS[kind])), graded=graded)

    if told.what == "page":
        write_page(of("open"), of("frozen"))
    elif told.what == "calibrate":
        for name, (grade, right) in curves(of("open", graded=True).findings).items():
            print(f'    "{name}": ({grade}, {right}),')
    else:
        done = of("open" if told.what == "open" else "frozen")
        with pl.Config(tbl_rows=200, tbl_cols=20, tbl_hide_dataframe_shape=True, tbl_width_chars=160):
            print(by_kind(done.findings, done.owed))


if __name__ == "__main__":
    main()
