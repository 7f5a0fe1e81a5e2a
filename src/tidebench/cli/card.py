"""``tidebench card``: pages to hand out for sudden trouble, and the record of the check before use."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

    from tidebench.care.cards import Card, PreUse


def card(sign: str, /, *, out: Path | None = None, policy: Path | None = None) -> None:
    """Print a card for sudden trouble by what one sees, or the record before use; as a page with --out.

    Parameters
    ----------
    sign : str
        high-pressure, falling-volume, falling-saturation, no-trigger, stacking, leak, pre-use, or all.
    out : Path
        A folder for the pages, PDF. Earlier ones are replaced.
    policy : Path
        A house's policy.toml, whose [[card]] lines are added.
    """
    from rich.console import Console

    from tidebench.care.cards import PRE_USE, SIGNS, pre_use
    from tidebench.care.cards import card as card_of
    from tidebench.caution import CAUTION
    from tidebench.limits import load_policy

    house = None if policy is None else load_policy(policy)
    names = (*SIGNS, PRE_USE) if sign == "all" else (sign,)
    cards = [card_of(name, house) for name in names if name != PRE_USE]
    if out is not None:
        from tidebench.handouts import write_cards

        write_cards(names, out, house)
    console = Console(highlight=False)
    for one in cards:
        _card(console, one)
    if PRE_USE in names:
        _record(console, pre_use())
    _say(console, CAUTION, "italic")
    if out is not None:
        print("\n".join(["", *(f"Page: {(out / f'{name}.pdf').resolve()}" for name in names)]))


def _card(console: Console, one: Card) -> None:
    _say(console, one.title, "bold underline")
    _say(console, one.sees)
    console.print()
    _say(console, "1  The patient first", "bold")
    _rows(console, [(chr(ord("a") + place), line) for place, line in enumerate(one.first)], (3, None))
    console.print()
    _say(console, f"Does not wait: {one.sudden}", "bold")
    console.print()
    _say(console, "2  Once the patient is safe: what holds and curves tell", "bold")
    _rows(console, one.clues, (None, None, None), ("what is seen", "what usually lies behind it", "where people look"))
    console.print()
    for line in one.house:
        _say(console, f"This house: {line}")
    _say(console, one.never, "bold")
    _say(console, f"({one.source})")
    console.print()


def _record(console: Console, record: PreUse) -> None:
    _say(console, record.title, "bold underline")
    _say(console, record.lead)
    console.print()
    _rows(console, [("[ ]", check.what, check.how, check.note) for check in record.checks], (3, 18, None, 22))
    console.print()
    _say(console, "Date and time: ____________  Checked by: ____________  Signature: ____________")
    _say(console, f"({record.source})")
    console.print()


def _rows(
    console: Console, rows: Iterable[tuple[str, ...]], widths: tuple[int | None, ...], heads: tuple[str, ...] = ()
) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, show_header=bool(heads), pad_edge=False, padding=(0, 2, 1 if heads else 0, 0),
                  header_style="", expand=True)  # fmt: skip
    for place, width in enumerate(widths):
        head = Text(heads[place]) if heads else ""
        table.add_column(head, width=width, ratio=None if width else 1)
    for row in rows:
        table.add_row(*map(Text, row))
    console.print(table)


def _say(console: Console, words: str, style: str = "") -> None:
    from rich.text import Text

    console.print(Text(words, style=style))
