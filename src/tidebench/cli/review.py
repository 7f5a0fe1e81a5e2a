"""``tidebench review``: a case goes in, a result comes out."""

from __future__ import annotations

import sys
from pathlib import Path

from tidebench.cli.options import Switch, print_json
from tidebench.cli.progress import progress_bar

STOPPED = 130
"""Exit code after an interrupt, as shells have it."""


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
        Print the summary, and under "view" what the terminal would show, as JSON and nothing else.
    """
    from tidebench.results import review_case

    try:
        with progress_bar(shown=not json) as tell:
            reviewed = review_case(case, out, policy=policy, report=not no_report, progress=tell)
    except KeyboardInterrupt:
        print("tidebench: stopped; nothing was written", file=sys.stderr)
        raise SystemExit(STOPPED) from None
    if json:
        from tidebench.views import plain_view

        shown = {**reviewed.summary, "view": plain_view(reviewed)}
        print_json(shown)
        return
    from tidebench.cli.terminal import print_review

    print_review(reviewed)
    print(f"\nResult: {out.resolve()}" if no_report else f"\nReport: {out.resolve() / 'report.pdf'}")
