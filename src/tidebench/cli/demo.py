"""``tidebench demo``: the review, on the case that is shipped with the program."""

from __future__ import annotations

from pathlib import Path

from tidebench.cli.options import Switch
from tidebench.cli.review import review

CASE = Path(__file__).parents[1] / "demo"


def demo(*, out: Path = Path("demo-review"), no_report: Switch = False, json: Switch = False) -> None:
    """Review the shipped case, which is invented, and say where the report is.

    Parameters
    ----------
    out : Path
        Where the result goes.
    no_report : bool
        Leave out report.pdf.
    json : bool
        Print the summary, and under "view" what the terminal would show, as JSON and nothing else.
    """
    review(CASE, out=out, no_report=no_report, json=json)
