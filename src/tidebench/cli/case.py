"""``tidebench case new``: a case by questions and answers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from cyclopts import App

if TYPE_CHECKING:
    from tidebench.case import Case

case = App(name="case", help="Begin a case.", help_format="plaintext")


@case.command
def new(folder: Path, /) -> None:
    """Ask for what is known of a case, check it for slips, and write the case folder.

    Answers come from the keyboard, or line by line from standard input.

    Parameters
    ----------
    folder : Path
        A new or empty folder.
    """
    import shutil

    import tomlkit

    from tidebench.case import CASE_FILE, load_case
    from tidebench.case_interview import Interview
    from tidebench.caution import CAUTION
    from tidebench.cli.printing import as_is, ask, say
    from tidebench.store import new_folder

    with new_folder(folder) as draft:
        interview = Interview(ask, print)
        interview.run()
        if interview.signals is not None:
            shutil.copy2(interview.signals, draft / interview.signals.name)
        (draft / CASE_FILE).write_text(tomlkit.dumps(interview.said), encoding="utf-8", newline="\n")
        told = load_case(draft)
    from rich.console import Console

    console = Console(highlight=False)
    console.print(as_is(f"\nCase: {folder.resolve()}"), soft_wrap=True)
    console.print(as_is(f"Next: tidebench {_next(told)} {folder}\n"), soft_wrap=True)
    say(CAUTION, console)


def _next(case: Case) -> str:
    """The command that what was answered is enough for."""
    from tidebench.limits import population

    if case.recordings:
        return "review"
    if case.blood_gases:
        return "gases"
    if case.settings or case.observed:
        return "handover"
    return "prepare" if population(case.patient).group is not None else "handover"
