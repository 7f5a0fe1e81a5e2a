"""The sheet as plain data: what JSON, terminal and PDF share."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from tidebench._version import __version__
from tidebench.care.preparation.room import Sheet
from tidebench.care.preparation.sheet import Line
from tidebench.caution import CAUTION

TITLE = "Set-up sheet"
PEOPLE_DECIDE = "Starting points, each with its source; people decide."
VERDICTS = {"pass": "passed", "fail": "not passed", "not judged": "not judged"}


def shown(line: Line) -> str:
    """Value and verdict in words; a dash where it can't be told."""
    value = line.value or "–"
    return f"{value}, {VERDICTS[line.verdict]}" if line.verdict else value


def source(line: Line) -> str:
    """Kind and source, said once where they are one."""
    parts = [line.kind] if line.kind and line.kind not in line.source else []
    return ", ".join([*parts, *([line.source] if line.source else [])])


def as_json(sheet: Sheet) -> dict[str, Any]:
    """The same for machines: names of fields as keys, missing numbers null, words as they are shown."""
    told = asdict(sheet)
    told["subject"].pop("practice")
    told["checklist"] = [{"heading": heading, "lines": list(lines)} for heading, lines in sheet.checklist]
    return {**told, "version": __version__, "caution": CAUTION}
