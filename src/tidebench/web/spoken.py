"""Refusals as a page says them: its own fields where the terminal names keys of a file or options of a command."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator

from tidebench.quantities import QUANTITIES, TABLES

COLUMNS = r"\[recording\.columns\]"
INSTEAD = tuple(
    (re.compile(typed), said)
    for typed, said in (
        (rf'Add to {COLUMNS}: "([^"]*)" = "([^"]*)"', r"Choose in the table of columns what “\1” holds: \2"),
        (rf'so in {COLUMNS}, "([^"]*)" = "([^"]*)"', r"so in the table of columns, “\1”: \2"),
        (rf'in {COLUMNS} what they hold: "their header" = "([^"]*)"', r"in the table of columns what they hold: \1"),
        (rf'in {COLUMNS} which one to leave: "([^"]*)" = "ignore"', r"in the table of columns that “\1” is ignored"),
        (COLUMNS, "the table of columns"),
        (r",? or a lung by --assume", ""),
        (r": --assume \S+ and \S+ names a lung instead\.", "."),
        (r" A lung by --assume names one instead\.", ""),
        (r'--column "their header=([^"]*)"', r"\1"),
        (r"case\.toml: ", ""),
        (r"\[\[(\w+)\]\]", r"\1"),
        (r"\[(\w+)\](?=[,.: ]|$)", r"\1"),
        (r"--([a-z]+)\b", r"\1"),
    )
)
"""How the terminal names a place or asks for what is missing, and how a page does."""


KEY = re.compile(r"""(?<![\w'"“/.-])[a-z0-9]+(?:_[a-z0-9]+)+(?![\w'"”/-]|\.\w)""")
"""A key as files have it, not a word in quotes or a file's name."""


def spoken(text: str) -> str:
    """A refusal without keys of files and options of commands, which nobody can give to a page."""
    for pattern, said in INSTEAD:
        text = pattern.sub(said, text)
    return KEY.sub(_labelled, text)


def _labelled(key: re.Match[str]) -> str:
    record = next(
        (told[key[0]] for told in (TABLES["settings"], TABLES["patient"], QUANTITIES) if key[0] in told), None
    )
    return record.label if record else key[0]


Spoken = Annotated[str, AfterValidator(spoken)]
