"""Words in the terminal: readable at 80 columns and in black and white."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text


def as_is(words: str, style: str = "") -> Text:
    """Words as they are: nothing in them is read as markup."""
    from rich.text import Text

    return Text(words, style=style)


def say(words: str, console: Console, style: str = "") -> None:
    """A sentence; nothing where it is empty."""
    if words:
        console.print(as_is(words, style))


def heading(words: str, console: Console) -> None:
    """A heading after an empty line."""
    console.print()
    console.print(as_is(words, "bold underline"))


def lines(words: Iterable[str], console: Console, mark: str = "- ") -> None:
    """Lines that hang under their mark where they wrap."""
    from rich.table import Table

    for line in words:
        grid = Table.grid(padding=0)
        grid.add_column(width=len(mark))
        grid.add_column()
        grid.add_row(as_is(mark), as_is(line))
        console.print(grid)


def ask(question: str) -> str:
    """Ask, and take a line from the keyboard or from standard input."""
    from rich.console import Console

    answer = Console(highlight=False).input(as_is(f"{question} "))
    if not sys.stdin.isatty():
        print(answer)  # a file or pipe echoes nothing
    return answer
