"""The page of the documentation that rehearsals are measured on."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl

from tests.rehearsals.tables import Row, coverage, limited

PAGE = Path(__file__).parents[2] / "docs" / "explanation" / "what-if-measured.md"
HEAD = """# Rehearsals, measured

```
python -m tests.rehearsals page
```

writes this page (about half an hour on two cores). Simulation is not a clinic: these patients are invented.

{count} virtual patients, adults, children and newborns, passive or breathing, were recorded for 90 s on one setting
with a sensor's noise, fitted, and predicted on another: one or two settings changed as a clinician would. They are
built of what the fit does not have, or has otherwise: two compartments, tissue relaxation, flow-limited expiration,
resistances that differ, other shapes of effort. What the simulator then does after three hours is the truth. Asked:
90 % intervals that hold it in 85 to 95 of 100; a median error of at most 5 % of volume and 0.5 cmH2O of trapped
pressure in passive patients, 12 % of volume in breathing ones. Widths were set on another population (`open`), with
other seeds.

"""
WHY = """
## What falls short, and why

- Peak pressure is told, and held against the truth, as a recording shows it: the highest sample of a breath, which
  this sensor's noise lifts by 0.2 cmH2O.
- A slow expiration and one that is limited by flow look alike at one PEEP, so that the interval of total PEEP holds
  both in patients of whom one is true.
- Errors are small in most and large in few (flow limitation, effort that doubles breaths), so that intervals wide
  enough for nine in ten hold in a few more.
- Dead space differs among these patients as among people of one weight (a quarter, common practice, no source).
"""
COLUMNS = ("quantity", "patients", "held", "median error", "nine in ten below", "unit", "width")


def write_page(rows: list[Row]) -> None:
    """Write the page from the frozen population's rows."""
    known = [row for row in rows if "refused" not in row]
    parts = [HEAD.format(count=len(rows))]
    for title, chosen in (
        ("Passive", [row for row in known if row["passive"]]),
        ("Breathing", [row for row in known if not row["passive"]]),
        ("Passive, expiration limited by flow", [row for row in known if row["passive"] and limited(row)]),
        ("Passive, two compartments", [row for row in known if row["passive"] and "two" in row["built"]]),
        ("Passive, tissue relaxation", [row for row in known if row["passive"] and "relaxation" in row["built"]]),
    ):
        parts += [f"## {title}\n\n", markdown(coverage([row | {"all": ""} for row in chosen], "all")), "\n"]
    refused = [reason(row["refused"]) for row in rows if "refused" in row]
    parts.append(f"## Not told\n\n{len(refused)} of {len(rows)} patients were refused:\n\n")
    parts += [f"- {refused.count(words)}: {words}\n" for words in sorted(set(refused))]
    parts.append(WHY)
    PAGE.write_text("".join(parts), encoding="utf-8", newline="\n")


def reason(refusal: str) -> str:
    """Why a patient was refused, without this patient's numbers and the remedy."""
    return re.sub(r"\d+", "so many", refusal.partition(". Expected")[0].partition(": ")[2])


def markdown(table: pl.DataFrame) -> str:
    """A table in Markdown, errors to three digits."""
    lines = [f"| {' | '.join(COLUMNS)} |", f"| {' | '.join('---' for _ in COLUMNS)} |"]
    for row in table.iter_rows(named=True):
        cells = [
            f"{row[key]:.2f}" if key == "held" else f"{row[key]:.3g}" if isinstance(row[key], float) else str(row[key])
            for key in COLUMNS
        ]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"
