"""``tidebench review``: a case goes in, a result comes out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from tidebench.cli.progress import progress_bar

Switch = Annotated[bool, Parameter(negative="", show_default=False)]


def review(
    case: Path, /, *, out: Path, policy: Path | None = None, no_report: Switch = False, json: Switch = False
) -> None:
    """Measure a recorded case, and write tables and a report.

    Parameters
    ----------
    case : Path
        The case folder, or its case.toml.
    out : Path
        Where the result goes: a new folder, or an earlier result, which is replaced.
    policy : Path
        A house's limits, used instead of published ones; a policy.toml in the case folder unless another is named.
    no_report : bool
        Leave out report.pdf.
    json : bool
        Print the summary as JSON, and nothing else.
    """
    from tidebench.results import review_case

    with progress_bar(shown=not json) as tell:
        reviewed = review_case(case, out, policy=policy, report=not no_report, progress=tell)
    if json:
        import json as notation

        print(notation.dumps(reviewed.summary, ensure_ascii=False, indent=2, allow_nan=False))
        return
    from tidebench.cli.terminal import print_review

    print_review(reviewed)
    print(f"\nResult: {out.resolve()}" if no_report else f"\nReport: {out.resolve() / 'report.pdf'}")
