"""Writes docs/explanation/open-set-results.md from what the open set's scorer found.

python ../shared/score.py tidebench --json scores.json
python -m tests.reference.open_set_table scores.json > docs/explanation/open-set-results.md
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

HEAD = """\
# What the open set shows

Invented patients with known truth, made by an engine apart from this project, with leak, heartbeat, secretions, lag,
drift and gaps in some. One line is one recording of two to five minutes. An empty cell: nothing to compare.

```
python ../shared/score.py tidebench --json scores.json
python -m tests.reference.open_set_table scores.json > docs/explanation/open-set-results.md
```

Found: sensitivity / positive predictive value of breaths. Volume: error of exhaled volume, median / 95th percentile.
Passive: breaths on which passivity is right. Compliance: error of the median, where every breath is passive and
one compartment is the truth. On breaths with effort, a compliance was printed {fabricated} times.

Times are ms, pressures cmH2O, all else %.

| recording | found | start | turn | volume | peak | trigger | passive | compliance | total PEEP | holds |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |
"""


def number(value: float | None, decimals: int, factor: float = 1.0) -> str:
    """A number as a cell; empty for none."""
    return "" if value is None else f"{factor * value:.{decimals}f}"


def row(score: dict[str, Any]) -> str:
    """One recording."""

    def first(key: str) -> float | None:
        value: float | None = (score.get(key) or [None])[0]
        return value

    volume = score["vte_pct"]
    cells = [
        score["case"],
        f"{score['breath_sensitivity']:.3f} / {score['breath_ppv']:.3f}",
        number(score["start_ms"], 0),
        number(first("insp_end_s"), 0, 1000),
        f"{number(volume[0], 2)} / {number(volume[1], 2)}",
        number(first("peak"), 2),
        number(first("trigger"), 0, 100),
        number(first("passivity"), 1, 100),
        number(score.get("compliance_pct"), 2),
        number(first("total_peep"), 2),
        ", ".join(number(error, 2) or "missed" for _, error in score.get("holds", [])),
    ]
    return f"| {' | '.join(cells)} |"


def page(scores: list[dict[str, Any]]) -> str:
    """The whole page."""
    rows = "\n".join(row(score) for score in scores)
    invented = sum(score["holds_false"] for score in scores)
    fabricated = sum(score["fabricated"] for score in scores)
    return f"{HEAD.format(fabricated=fabricated)}{rows}\n\nHolds invented: {invented}.\n"


if __name__ == "__main__":
    sys.stdout.write(page(json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))))
