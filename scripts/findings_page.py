"""Writes docs/findings.md from what each kind of finding says of itself, so that page and program can't disagree.

usage: PYTHONPATH=src python scripts/findings_page.py
"""

from __future__ import annotations

from pathlib import Path

from tidebench.findings import ABOUT, RULES
from tidebench.findings.about import DECIDE

PAGE = Path(__file__).parents[1] / "docs" / "findings.md"

HEAD = f"""# Findings

Written by `scripts/findings_page.py` from the rules themselves; `tidebench findings KIND` says the same.

A finding is what a rule saw in a recording: where, with which confidence, and the evidence in numbers. It decides
nothing. `findings.parquet` holds one row each, with rule and version. {DECIDE}

Efforts come from the oesophageal signal where one is recorded. Else they come from the equation of motion: the lung is
the one that passive breaths show, or, of a patient who never rests, the one that edges of flow and expirations show
([how](explanation/methods-efforts.md)). Where no lung can be told, nothing is said of efforts.

Confidence is the share of such findings that were right on virtual patients: for
[efforts and disagreements](explanation/findings-measured.md), and for
[drive, lung, circuit and sensors](explanation/conditions-measured.md). What is more likely wrong than right is left
out.
"""


def page() -> str:
    """The whole page."""
    rows = [
        f"## `{kind}`\n\n{about.seen}\n\n"
        f"- Source: {about.source}.\n- Often behind it: {about.behind}\n- Looked at next: {about.further}\n"
        f"- Version of the rule: {RULES[kind]}\n"
        for kind, about in ABOUT.items()
    ]
    return "\n".join([HEAD, *rows])


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
