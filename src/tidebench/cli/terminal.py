"""A review in the terminal: what a page holds, readable at 80 columns and in black and white."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tidebench.cli.printing import as_is, heading, lines

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from tidebench.review import Review
    from tidebench.views import Answer, HoldsPage, Overview, StepsPage, Verdict
    from tidebench.views.steps import StepRow

FIRST_UNTOLD = 6
FIRST_STEPS = 12
FIRST_HOLDS = 8


def print_review(review: Review, console: Console | None = None) -> None:
    """Print what was read, what matters first, the answers by question, holds, steps and what can't be told."""
    from rich.console import Console

    from tidebench.views import overview_page, steps_page
    from tidebench.views.verdicts import policy_used

    console = console or Console(highlight=False)
    page = overview_page(review)
    _head(page, console)
    if used := policy_used(review):
        console.print(as_is(used))
    for answer in page.answers:
        _answer(answer, page.verdicts, console)
    _holds(page.holds, console)
    _steps(steps_page(review), console)
    _noted(page, console)
    _untold(page, console)
    console.print(as_is(page.caution, "italic"))


def _head(page: Overview, console: Console) -> None:
    console.print(as_is(page.title, "bold"))
    for line in (page.patient, page.recording, *page.quality):
        console.print(as_is(line))
    if page.settings:
        later = f" (changed {len(page.settings) - 1} times later)" if len(page.settings) > 1 else ""
        console.print(as_is(f"{page.settings[0][1]}{later}"))
    heading("What matters first", console)
    for place, matter in enumerate(page.matters, start=1):
        lines([f"{matter.headline} {matter.detail}"], console, f"{place}  ")


def _answer(answer: Answer, verdicts: tuple[Verdict, ...], console: Console) -> None:
    heading(answer.question, console)
    console.print(as_is(answer.lead))
    if answer.groups:
        console.print(_numbers(answer, verdicts))


def _numbers(answer: Answer, verdicts: tuple[Verdict, ...]) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    table.add_column(as_is("measured"), ratio=3)
    table.add_column("median", justify="right", no_wrap=True)
    table.add_column(as_is("5th to 95th"), justify="right", no_wrap=True)
    table.add_column("n", justify="right", no_wrap=True)
    judged = {verdict.limit.key: verdict for verdict in verdicts}
    if any(n.quantity.key in judged for _, group in answer.groups for n in group):
        table.add_column("limit", ratio=3)
    for _, group in answer.groups:
        for n in group:
            verdict = judged.get(n.quantity.key)
            row = [as_is(n.label), as_is(n.value, "bold"), as_is(n.range), as_is(str(n.n))]
            table.add_row(*row, *([_verdict(verdict)] if verdict else []))
    return table


def _verdict(verdict: Verdict) -> Text:
    crossed = verdict.state.startswith("crossed")
    return as_is(f"{verdict.text}: {verdict.limit.bound} ({verdict.kind})", "bold" if crossed else "")


def _holds(page: HoldsPage, console: Console) -> None:
    from tidebench.quantities import quantity
    from tidebench.views.wording import clock

    if not page.rows:
        return
    heading("Holds", console)
    for row in page.rows[:FIRST_HOLDS]:
        held = quantity("duration_s").text(row.hold.duration_s)
        numbers = ", ".join(f"{n.label} {n.value}" for n in row.numbers if n.spread)
        lines(
            [f"{row.hold.kind} at {clock(row.hold.at_s)} for {held} ({row.quality}): {numbers or 'nothing read'}"],
            console,
        )
    if len(page.rows) > FIRST_HOLDS:
        console.print(as_is(f"and {len(page.rows) - FIRST_HOLDS} more, in the report."))


def _steps(page: StepsPage, console: Console) -> None:
    if not page.rows:
        return
    heading("What each change of settings did", console)
    lines((_step(row) for row in page.rows[:FIRST_STEPS]), console)
    if len(page.rows) > FIRST_STEPS:
        console.print(as_is(f"and {len(page.rows) - FIRST_STEPS} more, in the report."))


def _step(row: StepRow) -> str:
    clear = [f"{e.quantity.label} {e.change} {e.quantity.unit}".rstrip() for e in row.effects if e.clear]
    return f"{row.time} {row.changed}: {', '.join(clear) or 'no clear change in what was measured'}"


def _noted(page: Overview, console: Console) -> None:
    differ = [seen for seen in page.observations if seen.measured is not None and not seen.agrees]
    if not differ:
        return
    heading("Noted, and measured otherwise", console)
    for seen in differ:
        measured = seen.quantity.text(seen.measured.median if seen.measured else None)
        reason = f" {seen.why[0]}" if seen.why else ""
        lines([f"{seen.label}: noted {seen.quantity.text(seen.noted)}, measured {measured}.{reason}"], console)


def _untold(page: Overview, console: Console) -> None:
    from tidebench.views.answers import UNTOLD

    heading(UNTOLD, console)
    if not page.untold:
        console.print(as_is("Everything above was measured on every breath."))
    lines((entry.text for entry in page.untold[:FIRST_UNTOLD]), console)
    if len(page.untold) > FIRST_UNTOLD:
        console.print(as_is(f"and {len(page.untold) - FIRST_UNTOLD} more, in the report."))
    console.print()
