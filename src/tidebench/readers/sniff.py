"""How a text file is laid out: header, separator, decimal sign, padding, stamps; told from its first and last lines."""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tidebench.errors import SignalError

HEAD_BYTES = 1 << 18
TAIL_BYTES = 1 << 16
LONGEST_LINE = 1 << 16
MOST_BYTES = 8 << 30
SAMPLED_LINES = 2000

BLANKS = " "
SEPARATORS = ("\t", ";", ",")
COMMENT = "#"

_FOREIGN = {
    b"\xff\xfe": ("text in UTF-16", "Save it as UTF-8."),
    b"\xfe\xff": ("text in UTF-16", "Save it as UTF-8."),
    b"PK\x03\x04": ("a spreadsheet or an archive", "Save the sheet as CSV, or unpack the archive."),
    b"\x1f\x8b": ("a compressed file", "Unpack it first."),
    b"PAR1": ("a Parquet file", "Give it the ending .parquet."),
    b"%PDF": ("a PDF", "Export the numbers, not a picture of them."),
}
_CONTROL = re.compile(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f]")
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")
_NUMBER = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?")
_BLANK_FIELDS = re.compile(r"\S+(?:\s+[\[(][^\])]*[\])])?")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a text file is laid out.

    Attributes
    ----------
    headers : tuple of str
        Header names, in order.
    skip_lines : int
        Lines up to and with the header.
    separator : str
        ``","``, ``";"``, a tab, or a blank for runs of blanks.
    decimal_comma : bool
    padded : bool
        Blanks stand beside separators, or are the separator; or there are blank lines.
    first_row : tuple of str
        Cells of the first row.
    cut_short : bool
        The last line is only the beginning of a row.
    warnings : tuple of str
    """

    headers: tuple[str, ...]
    skip_lines: int
    separator: str
    decimal_comma: bool
    padded: bool
    first_row: tuple[str, ...]
    cut_short: bool
    warnings: tuple[str, ...] = ()


def sniff(path: Path) -> Layout:
    """How a text file is laid out.

    Raises
    ------
    SignalError
        Empty, too large, not text, no header, no rows, a line longer than 64 KiB among the first.
    """
    head, tail = _ends(path)
    text, warnings = _decoded(head)
    lines = [line.rstrip("\r") for line in text.split("\n")]
    header_at = next(
        (i for i, line in enumerate(lines) if line.strip() and not line.lstrip().startswith(COMMENT)), None
    )
    if header_at is None:
        raise SignalError("the file holds no header and no rows", where=path.name, expected="a header line, then rows")
    last = [line.rstrip("\r") for line in tail.decode("utf-8", "replace").split("\n")[1:]]
    rows = [line for line in (*lines[header_at + 1 :], *last) if line.strip() and not line.startswith(COMMENT)]
    if not rows:
        remedy = (
            "Lines end in CR alone: save with LF or CRLF." if "\r" in lines[header_at] else "Export the signals again."
        )
        raise SignalError("the file has a header and no rows", where=path.name, remedy=remedy)
    rows = rows[:SAMPLED_LINES] + rows[-SAMPLED_LINES:]
    separator = _separator(lines[header_at], rows[0])
    cells = [split(row, separator) for row in rows]
    return Layout(
        headers=_headers(lines[header_at], separator, len(cells[0]), f"{path.name}, line {header_at + 1}"),
        skip_lines=header_at + 1,
        separator=separator,
        decimal_comma=separator != "," and any(_DECIMAL_COMMA.fullmatch(cell) for row in cells for cell in row),
        padded=separator == BLANKS or _has_blank_lines(head, tail) or any(_is_padded(row, separator) for row in rows),
        first_row=tuple(cells[0]),
        cut_short=not tail.endswith(b"\n") and _is_cut(cells),
        warnings=warnings,
    )


def split(line: str, separator: str) -> list[str]:
    """The cells of a line, quotes and surrounding blanks removed."""
    if separator == BLANKS:
        return line.split()
    return [cell.strip() for cell in next(csv.reader([line], delimiter=separator), [])]


def _ends(path: Path) -> tuple[bytes, bytes]:
    """The first whole lines of a file, and its last bytes."""
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise SignalError(
            f"the file has {size / 2**30:.1f} GiB",
            where=path.name,
            expected="at most 8 GiB",
            remedy="Cut it into parts.",
        )
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
        file.seek(max(0, size - TAIL_BYTES), os.SEEK_SET)
        tail = file.read()
    _check_text(head, path.name)
    if size > len(head):
        head = head[: head.rfind(b"\n") + 1]
    return head, tail


def _check_text(head: bytes, name: str) -> None:
    if not head.strip():
        raise SignalError("the file is empty", where=name, expected="a header line, then rows")
    for magic, (what, remedy) in _FOREIGN.items():
        if head.startswith(magic):
            raise SignalError(f"this is {what}", where=name, expected="signals as text", remedy=remedy)
    odd = _CONTROL.search(head)
    if odd:
        raise SignalError(
            f"this is not text: byte {head[odd.start()]:#04x} in line {head.count(10, 0, odd.start()) + 1}",
            where=name,
            expected="signals as text in UTF-8",
        )
    if max(map(len, head.split(b"\n"))) > LONGEST_LINE:
        raise SignalError(
            "a line is longer than 64 KiB",
            where=name,
            remedy="Lines end in LF or CRLF." if b"\r" in head else "One row of samples makes one line.",
        )


def _decoded(head: bytes) -> tuple[str, tuple[str, ...]]:
    try:
        return head.decode("utf-8-sig"), ()
    except UnicodeDecodeError:
        return head.decode("cp1252", "replace"), ("the file is not UTF-8: its header was read as Windows-1252",)


def _separator(header: str, row: str) -> str:
    outside = re.sub(r"\[[^\]]*\]|\([^)]*\)|\"[^\"]*\"", "", header)
    return next((sep for sep in SEPARATORS if sep in outside and sep in row), BLANKS)


def _headers(line: str, separator: str, width: int, where: str) -> tuple[str, ...]:
    if separator == BLANKS:
        ways: Sequence[list[str]] = (line.split(), _BLANK_FIELDS.findall(line), re.split(r"\s{2,}|\t", line.strip()))
        names = next((names for names in ways if len(names) == width), None)
        if names is None:
            raise SignalError(
                f"the header has {len(ways[1])} names and the first row {width} cells",
                where=where,
                expected="as many names as cells; separated by one of , ; tab or blanks",
            )
    else:
        names = split(line, separator)
    if all(_NUMBER.fullmatch(name) for name in names):
        raise SignalError(
            "the first line holds numbers, not names",
            where=where,
            remedy="Put a header line first, such as: time [s],Paw [cmH2O],Flow [L/min]",
        )
    return tuple(names)


def _is_padded(row: str, separator: str) -> bool:
    return row != row.rstrip() or f" {separator}" in row


def _has_blank_lines(*pieces: bytes) -> bool:
    return any(re.search(rb"\n[ \t]*\r?\n", piece) for piece in pieces)


def _is_cut(cells: Sequence[Sequence[str]]) -> bool:
    """True where the last row lacks cells, or its last number lacks the decimals that the row before has."""
    if len(cells) < 2:
        return False
    *_, before, last = cells
    return len(last) < len(before) or _decimals(last[-1]) < _decimals(before[-1])


def _decimals(cell: str) -> int:
    return len(re.split("[.,]", cell, maxsplit=1)[-1]) if re.search("[.,]", cell) else 0
