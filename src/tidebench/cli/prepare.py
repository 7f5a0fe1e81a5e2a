"""``tidebench prepare``: a set-up sheet from a patient file."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from tidebench.cli.options import Switch, Unit, print_json

if TYPE_CHECKING:
    from rich.console import Console

    from tidebench.care.preparation import Section, Sheet
    from tidebench.care.preparation.sheet import Table as SheetTable


def prepare(
    patient: Path,
    /,
    *,
    out: Path | None = None,
    policy: Path | None = None,
    unit: Unit = "mmHg",
    json: Switch = False,
) -> None:
    """Prepare a set-up: weight, tube or mask, start, alarms, dead space, checks, oxygen, and a list to sign.

    Parameters
    ----------
    patient : Path
        The patient file, such as patient.toml, or a case folder.
    out : Path
        A folder for the sheet: sheet.pdf and sheet.json. An earlier one is replaced.
    policy : Path
        A house's limits and practice; a policy.toml beside the patient file unless named.
    unit : str
        Of gas tensions in print; --json keeps mmHg.
    json : bool
        Print the sheet as JSON and nothing else.
    """
    from tidebench.care.preparation import as_json, load_request
    from tidebench.care.preparation import prepare as sheet_of
    from tidebench.results import policy_for

    request = load_request(patient)
    sheet = sheet_of(request, policy_for(request, policy))
    if out is not None:
        from tidebench.handouts import write_sheet

        write_sheet(sheet, request.case_hash, out, unit)
    if json:
        print_json(as_json(sheet))
        return
    from rich.console import Console

    from tidebench.tensions import all_in

    print_sheet(all_in(sheet, unit), Console(highlight=False))
    if out is not None:
        print(f"\nSheet: {(out / 'sheet.pdf').resolve()}")


def print_sheet(sheet: Sheet, console: Console) -> None:
    """Print a sheet: every line with its reason, then what to tick."""
    from tidebench.care.preparation.page import PEOPLE_DECIDE, TITLE
    from tidebench.caution import CAUTION

    _say(console, sheet.title or TITLE, "bold")
    _say(console, sheet.patient)
    _say(console, PEOPLE_DECIDE)
    _lines(console, sheet.policy)
    if sheet.questions:
        _heading(console, "To be answered first")
        _lines(console, sheet.questions)
    for section in sheet.sections:
        _section(console, section)
    _heading(console, "Before the patient is connected: to tick and sign")
    for heading, lines in sheet.checklist:
        _say(console, heading, "bold")
        _lines(console, lines, "[ ] ")
    console.print()
    _say(console, CAUTION, "italic")


def _section(console: Console, section: Section) -> None:
    from rich.table import Table
    from rich.text import Text

    from tidebench.care.preparation.page import shown, source

    _heading(console, section.title)
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0), expand=True)
    for share in (4, 4, 9):
        table.add_column(ratio=share)
    for line in section.lines:
        words = Text(line.why)
        if said := source(line):
            words.append(f"{' ' if line.why else ''}({said})", "dim")
        table.add_row(Text(line.label), Text(shown(line), style="bold"), words)
    console.print(table)
    for small in section.tables:
        _table(console, small)
    _lines(console, section.notes)


def _table(console: Console, small: SheetTable) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="")
    for head in small.heads:
        table.add_column(Text(head))
    for row in small.rows:
        table.add_row(*(Text(cell.replace(" to ", "–")) for cell in row))
    _say(console, f"{small.title} ({small.source})")
    console.print(table)


def _heading(console: Console, words: str) -> None:
    console.print()
    _say(console, words, "bold underline")


def _say(console: Console, words: str, style: str = "") -> None:
    from rich.text import Text

    console.print(Text(words, style=style))


def _lines(console: Console, lines: Iterable[str], mark: str = "- ") -> None:
    """Lines that hang under their mark where they wrap."""
    from rich.table import Table
    from rich.text import Text

    for line in lines:
        grid = Table.grid(padding=0)
        grid.add_column(width=len(mark))
        grid.add_column()
        grid.add_row(Text(mark), Text(line))
        console.print(grid)
