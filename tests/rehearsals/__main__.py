"""Fits virtual patients at one setting and predicts them at another.

python -m tests.rehearsals open|frozen [--patients N]
    prints coverage of the 90 % intervals and median errors
python -m tests.rehearsals page
    writes docs/explanation/what-if-measured.md from the frozen population
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import polars as pl

from tests.rehearsals.page import write_page
from tests.rehearsals.scoring import quietly
from tests.rehearsals.tables import coverage, limited

PATIENTS = 520


def main() -> None:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["open", "frozen", "page"])
    parser.add_argument("--patients", type=int, default=PATIENTS)
    asked = parser.parse_args()
    pl.Config.set_tbl_rows(100).set_tbl_cols(12).set_tbl_hide_dataframe_shape(active=True).set_tbl_width_chars(150)
    with ProcessPoolExecutor() as pool:
        rows = list(pool.map(partial(quietly, "open" if asked.what == "open" else "frozen"), range(asked.patients)))
    if asked.what == "page":
        write_page(rows)
        return
    known = [row | {"limited": limited(row)} for row in rows if "refused" not in row]
    print(coverage(known, "passive"))
    print(coverage([row for row in known if row["passive"]], "limited"))
    refused = [row["refused"] for row in rows if "refused" in row]
    print(f"{len(rows)} patients, {len(refused)} refused")
    for words in sorted(set(refused)):
        print(f"  {refused.count(words)}: {words[:160]}")


if __name__ == "__main__":
    main()
