"""Measures how well pictures are read.

python -m tests.pictures open [--pictures N] [--reviewed M] [--minutes T]
    prints errors and intervals on the open population, on which everything is chosen
python -m tests.pictures page [--pictures N] [--reviewed M] [--minutes T]
    writes docs/explanation/pictures-measured.md from the frozen population
"""

from __future__ import annotations

import argparse
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

from tests.pictures.page import curves, held, quantities, starts, write_page
from tests.pictures.scoring import population

LOOKED = "looked at once"


def main() -> None:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["open", "page"])
    parser.add_argument("--pictures", type=int, default=400, help="charts whose curves are read, each in three forms")
    parser.add_argument("--reviewed", type=int, default=60, help="charts of these whose quantities are measured too")
    parser.add_argument("--minutes", type=float, default=600.0, help="after which no further chart is begun")
    told = parser.parse_args()
    if told.what == "page":
        with TemporaryDirectory() as folder:
            write_page((told.pictures, told.reviewed, 60 * told.minutes), Path(folder), LOOKED)
        return
    tables = population("open", told.pictures, told.reviewed, most_s=60 * told.minutes)
    with pl.Config(tbl_rows=100, tbl_cols=20, tbl_hide_dataframe_shape=True, tbl_width_chars=160):
        for table in (curves(tables["curves"]), starts(tables["starts"])):
            print(table)
        for table in (quantities(tables["quantities"]), held(tables["quantities"])):
            print(table)
        print(tables.get("lost"))


if __name__ == "__main__":
    main()
