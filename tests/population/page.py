"""Writes docs/explanation/findings-measured.md and docs/images/reliability.svg from the frozen population."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from tests.population.tables import Measured, by_kind, reliability
from tidebench.findings.calibration import LEAST

DOCS = Path(__file__).parents[2] / "docs"
PAGE, PICTURE = DOCS / "explanation" / "findings-measured.md", DOCS / "images" / "reliability.svg"

HEAD = """# Findings, measured

```
python -m tests.population page
```

writes this page (about two minutes on two cores). Simulation is not a clinic: these patients are invented, breathe by
a formula and have no coughs, posture or hiccups. What a rule reaches here is the most that it can do.
The other kinds are measured [on a population of their own](conditions-measured.md).

The frozen population is {patients} virtual patients of two minutes, {breaths} breaths, {efforts} efforts: adults (two
thirds), children and newborns, by tube and by mask, passive, in step, or out of step in one of nine ways for part of
the time, with one or two compartments. Rules were written on the open population, which has other effort shapes,
delays, spreads and seeds, and beside the open set of recordings. Totals of the frozen one were seen some eleven
times meanwhile, and one change was put back for what they showed: it is not a first look.
It has airway pressure and flow alone. "Clean" has 0.02 to 0.08 cmH2O of noise, "real" 0.1 to 0.2 cmH2O and 0.8 to 1.5
L/min (adults), 20 ms between the channels, and masks that leak 10 to 25 L/min.

Asked were a sensitivity (mean over patients) and a predictive value of 0.95 for ineffective efforts, double triggers,
auto-triggers and reverse triggers, and 0.85 for cycling. Clinicians at the bedside find 16 to 28 % (Colombo, Crit Care
Med 2011;39:2452, from memory).

"""
WHY = """## How much is the lung's

```
python -m tests.population.known --patients 186
```

draws open patients with seeds that no rule was written on, clean, and reads them three times: with the lung that the
review fits, with the equation's best lung given, and with the simulator's muscle pressure given (the loss and the
starts of inflations stay as they are read). Sensitivity, mean over patients, and predictive value:

| kind | events | lung fitted | lung given | muscle pressure given |
| --- | --- | --- | --- | --- |
| `auto-trigger` | 743 | 0.94 / 0.98 | 0.94 / 0.99 | 1.00 / 0.93 |
| `delayed-cycling` | 272 | 0.97 / 0.95 | 0.99 / 0.93 | 1.00 / 0.97 |
| `double-trigger` | 542 | 0.92 / 0.99 | 0.89 / 0.99 | 0.89 / 1.00 |
| `effort-in-inflation` | 348 | 0.84 / 0.90 | 0.91 / 0.93 | 0.97 / 0.61 |
| `ineffective-effort` | 274 | 0.85 / 0.97 | 0.94 / 0.97 | 0.95 / 0.96 |
| `premature-cycling` | 210 | 0.91 / 0.99 | 1.00 / 0.98 | 1.00 / 0.97 |
| `reverse-trigger` | 344 | 0.99 / 1.00 | 0.92 / 1.00 | 0.93 / 1.00 |

What the given lung mends is lost by the fit: premature cycling (one newborn has 69 of the 71 that are missed),
ineffective efforts and efforts in an inflation. Double triggers gain nothing even from the muscle pressure itself, so
what they lack is not the lung's. Double and reverse triggers lose, and efforts in an inflation lose predictive value,
where more is given: the same rules read a given muscle pressure, and breaths that no lung explains count as breaths
with effort there; the causes were not looked into. So the right columns are no upper bound, and no kind is shown to be
beyond what pressure and flow hold.

## What falls short, and why

- **Newborns** whose muscles relax as slowly as their lungs empty: elastance comes out too low, and cycling is misjudged
  where neither a push, nor an effort in two, nor triggers that no effort called for tell that it is.
- **A heartbeat that triggers** is as large in muscle pressure as a small effort; efforts must rise above it, so small
  ones are missed, and an effort within 0.05 s of such a start passes for the trigger.
- **Double triggers** whose effort is found later than 0.05 s after the first start have none there: they became fewer
  when efforts soon after a start stopped to pass for its trigger (0.90 before, as many right).
- **Entrained efforts one to one** leave few expirations that show the lung; it is read from the inflations before them.
- **Double triggers** without an expiration between them are one long inflation where no inspiratory time is set.
- A second lung compartment makes two slopes of expiration; the mean is neither.

"""


def cell(value: float | None, decimals: int = 2) -> str:
    """A number as a cell; empty for none."""
    return "" if value is None or np.isnan(value) else f"{value:.{decimals}f}"


def kinds_table(clean: Measured, real: Measured, *by: str) -> str:
    """Both conditions side by side, a row per kind."""
    tables = [by_kind(one.events, *by) for one in (clean, real)]
    both = tables[0].join(tables[1], on=["kind", *by], how="full", coalesce=True, suffix="_real").sort("kind", *by)
    head = [
        "kind",
        *by,
        "events",
        "patients",
        "sensitivity",
        "predictive value",
        "real: sensitivity",
        "predictive value",
    ]
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join("---" for _ in head) + " |"]
    for row in both.iter_rows(named=True):
        cells = [
            f"`{row['kind']}`",
            *(str(row[name]) for name in by),
            str(row["events"] or 0),
            str(row["patients"] or 0),
        ]
        cells += [cell(row["mean"]), cell(row["ppv"]), cell(row["mean_real"]), cell(row["ppv_real"])]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def reliability_table(clean: Measured, real: Measured) -> str:
    """Confidence and share that was right, a row per kind and tenth of confidence."""
    rows = reliability(pl.concat([clean.events, real.events])).iter_rows(named=True)
    lines = ["| kind | findings | patients | confidence | right |", "| --- | --- | --- | --- | --- |"]
    lines += [
        f"| `{row['kind']}` | {row['n']} | {row['patients']} | {cell(row['confidence'])} | {cell(row['right'])} |"
        for row in rows
    ]
    return "\n".join(lines) + "\n"


def timing(done: Measured) -> str:
    """The error of the estimated end of neural inspiration, in words."""
    error = 1000 * done.ends["error_s"]
    low, middle, high = (error.quantile(q) for q in (0.05, 0.5, 0.95))
    return f"{middle:.0f} ms (5th to 95th percentile {low:.0f} to {high:.0f}) over {len(error)} efforts"


def quiet(done: Measured) -> str:
    """Wrong findings among passive patients and those in step, in words."""
    calm = done.people.filter(pl.col("way").is_in(["passive", "in step"]))
    wrong = done.events.filter(~pl.col("true") & pl.col("way").is_in(["passive", "in step"]))
    passive = wrong.filter(pl.col("way") == "passive").height
    breaths = calm["breaths"].sum()
    return f"{wrong.height} in {breaths} breaths of patients who are passive or in step, {passive} of passive ones"


def write_page(clean: Measured, real: Measured) -> None:
    """Page and picture."""
    people = clean.people
    head = HEAD.format(patients=people.height, breaths=people["breaths"].sum(), efforts=people["efforts"].sum())
    parts = [
        head, "## By kind\n\nSensitivity is the mean over patients with three events or more.\n\n",
        kinds_table(clean, real), "\n## By size\n\n", kinds_table(clean, real, "size"),
        "\n## Times and quiet breaths\n\n",
        f"- End of neural inspiration, estimated less true: clean {timing(clean)}; real {timing(real)}.\n",
        f"- Wrong findings: clean {quiet(clean)}; real {quiet(real)}.\n\n",
        "## Confidence\n\n",
        f"Findings that are more likely wrong than right (below {LEAST:g}) are left out. The others, clean and real: "
        "how sure the rules were, and how often they were right. Confidence was set on the open population; a line "
        "below the diagonal is a kind that is surer here than it should be.\n\n", reliability_table(clean, real), "\n"
        "![Share of findings that were right against their confidence](../images/reliability.svg)\n\n",
        WHY,
    ]  # fmt: skip
    PAGE.write_text("".join(parts).rstrip() + "\n", encoding="utf-8", newline="\n")
    draw(pl.concat([clean.events, real.events]))


def draw(events: pl.DataFrame) -> None:
    """The reliability diagram."""
    from matplotlib import rcParams
    from matplotlib.figure import Figure

    rcParams["svg.hashsalt"] = "reliability"
    figure = Figure(figsize=(6, 4.5), layout="constrained")
    axes = figure.add_subplot()
    axes.plot([0.4, 1], [0.4, 1], color="0.6", linestyle="--", label="as sure as right")
    for (kind,), rows in reliability(events).partition_by("kind", as_dict=True).items():
        axes.plot(rows["confidence"], rows["right"], marker="o", label=str(kind))
    axes.set(xlabel="confidence", ylabel="share that was right", xlim=(0.4, 1), ylim=(0, 1.02))
    axes.legend(fontsize=8)
    figure.savefig(PICTURE, metadata={"Date": None})
