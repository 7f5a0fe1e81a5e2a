"""Writes docs/explanation/conditions-measured.md and docs/images/reliability-conditions.svg from both populations."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl

from tests.conditions.tables import Measured, by_kind, reliability
from tests.conditions.truths import TRUTHS
from tidebench.findings.calibration import FURTHER, LEAST

DOCS = Path(__file__).parents[2] / "docs"
PAGE = DOCS / "explanation" / "conditions-measured.md"
PICTURE = DOCS / "images" / "reliability-conditions.svg"
MANY = 8  # patients that a point of the picture needs

HEAD = """# Findings of drive, lung, circuit and sensors, measured

```
python -m tests.conditions page
```

writes this page (about ten minutes on two cores); `python -m tests.conditions calibrate` prints the curves of
`tidebench.findings.calibration` that stand behind its confidences. Efforts and what ventilator and patient do to each
other are measured [on a population of their own](findings-measured.md). Simulation is not a clinic.

{open_n} virtual patients of three minutes ({open_breaths} breaths) are drawn from the library and its ranges, from a
preterm of 0.8 kg to adults, and conditions are laid on each: strong or weak efforts, little flow, an insensitive
trigger, haste, narrow airways, bent recoil, units that open, flow limitation, steps of PEEP, leaks that are there or
come, secretions, water, coughs, bronchospasm, one-sided intubation, pneumothorax, disconnection, suction, holds,
occlusions; coarse, offset, drifting, late, clipped, silent or stuck sensors. Each is there in about one of eight
patients who can have it, near a rule's limit as often as beyond. Confidence was set on these. {frozen_n} others
({frozen_breaths} breaths) judge it: lungs beyond the library's ranges, tissue that relaxes, other shapes of effort,
triggers, leaks, hearts, lags and sampling rates. That population was looked at once
before: then the open one was doubled, since rare kinds (changes of mechanics, obstruction) had been found in a handful
of its patients, and closures under a second and swings across the lung were parted from other occlusions, on the open
one. {lost} patients whose simulation ended in a runaway (masks with water in the circuit) are left out.

A confidence is a share of findings that were right *where one of eight patients has each condition*. Where a thing is
rarer, its findings are wrong more often. A finding is right where most of it lies in breaths in which the kind is
true, or, for a moment (a cough, a change, a disconnection), where it touches one.

## What was found, and what is there

"Right": findings that are there. "Found": what is there and was found; "clear": the same of what lies at one and a
half times the limit or more. Open, then frozen.

"""
CERTAIN = """
`gap` is certain by definition: missing samples are missing. `flat-line` and `clipped-signal` say what was recorded;
what was wrong of them is whether the sensor was at fault. An oesophageal signal is in no patient here: with one,
kinds that rest on efforts keep the grades of their rules.

"""
CONFIDENCE = """## Confidence

A rule grades its findings by margin beyond its limit and number of breaths; the curve of its kind makes a share of
the grade. Findings below {least:g} are more likely wrong than right, and left out. Too few to calibrate (under 16
patients with findings): one share for all. The interval is Wilson's of 95 %, for as many trials as there are
patients.

"""
TRUTH = """
## What counts as there

What the simulation did, by its own channels and tables, never by the sensors'. Limits are those of the rules
([findings](../findings.md)); each choice beside is this house's.

"""
WHY = """
## What falls short, and why

- **An inward offset** of a flow sensor and a leak are one thing to the signal at rest: of such offsets one in five
  was right, so none is told. Outward ones can't be a leak. The same holds for drift.
- **Trapped gas of patients who breathe, or whose lungs have two speeds**: no total PEEP is given there, so intrinsic
  PEEP is hardly found; incomplete expiration is.
- **P0.1 and trigger delay** by the airway: onsets are told to 0.1 or 0.2 s. A "long" delay is mostly something else.
- **Occlusions**: a heartbeat in a hold of a passive patient passes for a weak effort, and peak pressure has resistance
  in it, which passes for a swing across the lung. Both are right half of the time at best.
- **Recruitment** by the stress index is right only where expiration is complete: parts that fill at different speeds
  bend pressure as well.
- **Changes of mechanics and obstruction** are told of few patients: passive and tight ones, mostly. Their confidence
  rests on a dozen and on eight patients.
- **Secretions** below a third of the airways' resistance are not heard.
"""


def cell(value: float | None) -> str:
    """A share as a cell; empty for none."""
    return "" if value is None else f"{value:.2f}"


def row(*cells: str) -> str:
    """A line of a table."""
    return "| " + " | ".join(cells) + " |\n"


def kinds_table(one: Measured, other: Measured) -> str:
    """Both populations side by side, a row for each kind."""
    tables = [{told["kind"]: told for told in by_kind(m.findings, m.owed).iter_rows(named=True)} for m in (one, other)]
    head = ["findings", "right", "there", "found", "clear"]
    out = row("kind", *head, *head) + row(*["---"] * 11)
    for kind in sorted(TRUTHS):
        out += row(f"`{kind}`", *(text for table in tables for text in cells_of(table.get(kind, {}))))
    return out


def cells_of(told: dict[str, Any]) -> list[str]:
    """One population's cells of a kind."""
    counts = [str(told.get(name) or 0) for name in ("findings", "owed")]
    shares = [cell(told.get(name)) for name in ("right", "found", "clear")]
    return [counts[0], shares[0], counts[1], shares[1], shares[2]]


def reliability_table(one: Measured, other: Measured) -> str:
    """Confidence and share that was right, a row for each curve and tenth of confidence, open and frozen."""
    keys = ["curve", "tenth"]
    tables = [reliability(measured.findings, "curve") for measured in (one, other)]
    both = tables[0].join(tables[1], on=keys, how="full", coalesce=True, suffix="_frozen").sort(keys)
    names = ("confidence", "findings", "patients", "right", "interval")
    out = row("kind", *names, *names) + row(*["---"] * 11)
    for told in both.iter_rows(named=True):
        cells = []
        for end in ("", "_frozen"):
            n, patients = told[f"n{end}"], told[f"patients{end}"]
            bounds = "" if n is None else f"{told[f'low{end}']:.2f} to {told[f'high{end}']:.2f}"
            cells += [
                cell(told[f"confidence{end}"]),
                str(n or 0),
                str(patients or 0),
                cell(told[f"right{end}"]),
                bounds,
            ]
        out += row(f"`{told['curve']}`", *cells)
    return out


def left_out() -> str:
    """Which kinds, or rules of them, never reach the least confidence."""
    names = [name for name, (_, shares) in FURTHER.items() if max(shares) < LEAST]
    return (
        f"Never told, since no grade reaches {LEAST:g}: {', '.join(f'`{name}`' for name in names)}.\n\n"
        if names
        else ""
    )


def truths_list() -> str:
    """What counts as there, kind by kind."""
    return "".join(f"- `{kind}`: {' '.join((TRUTHS[kind].__doc__ or '').split())}\n" for kind in sorted(TRUTHS))


def write_page(one: Measured, other: Measured) -> None:
    """Page and picture."""
    lost = sum(int((~measured.people["simulated"]).sum()) for measured in (one, other))
    head = HEAD.format(
        open_n=one.people.height, open_breaths=one.people["breaths"].sum(), lost=lost,
        frozen_n=other.people.height, frozen_breaths=other.people["breaths"].sum(),
    )  # fmt: skip
    parts = [
        head, kinds_table(one, other), CERTAIN, CONFIDENCE.format(least=LEAST), left_out(),
        reliability_table(one, other),
        "\n![Share of findings that were right against their confidence, open and frozen]"
        "(../images/reliability-conditions.svg)\n", TRUTH, truths_list(), WHY,
    ]  # fmt: skip
    PAGE.write_text("".join(parts).rstrip() + "\n", encoding="utf-8", newline="\n")
    draw(one.findings, other.findings)


def draw(one: pl.DataFrame, other: pl.DataFrame) -> None:
    """The reliability diagram: kinds as thin lines of enough patients, all of them together as a thick one."""
    from matplotlib import rcParams
    from matplotlib.figure import Figure

    rcParams["svg.hashsalt"] = "reliability"
    figure = Figure(figsize=(9, 5.2), layout="constrained")
    panels = figure.subplots(1, 2, sharex=True, sharey=True)
    names = sorted(set(one["curve"]) | set(other["curve"]))
    marks = "osD^vP*X<>phd"
    for axes, findings, title in zip(panels, (one, other), ("open", "frozen"), strict=True):
        axes.plot([0.5, 1], [0.5, 1], color="0.6", linestyle="--")
        for k, name in enumerate(names):
            rows = reliability(findings.filter(pl.col("curve") == name)).filter(pl.col("patients") >= MANY)
            if not rows.height:
                continue
            axes.plot(
                rows["confidence"], rows["right"], marker=marks[k % len(marks)], color=f"C{k % 10}", linewidth=0.8,
                markersize=5, label=name,
            )  # fmt: skip
        every = reliability(findings)
        axes.plot(every["confidence"], every["right"], color="black", linewidth=2.5, label="all kinds")
        axes.set(title=title, xlabel="confidence", xlim=(0.48, 1.01), ylim=(0, 1.03))
    panels[0].set_ylabel("share that was right")
    told = {name: line for axes in panels for line, name in zip(*axes.get_legend_handles_labels(), strict=True)}
    figure.legend(list(told.values()), list(told), loc="outside lower center", ncols=4, fontsize=7)
    figure.savefig(PICTURE, metadata={"Date": None})
