"""Characters for which no font of the typesetter has a shape, and the mark that stands for them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

MARK = "\u25a1"
"""An empty square: something stood here that can't be printed."""

PROBE = b'#set document(title: sys.inputs.data)\n#set text(font: "Libertinus Serif")\n#sys.inputs.data'


def with_marks(value: Any, standards: Iterable[str]) -> Any:
    """Every text within a value, with :data:`MARK` for each character that can't be set under these PDF standards."""
    rare = sorted(char for char in set(_characters(value)) if not (char.isascii() and char.isprintable()))
    lost = [char for char in rare if not char.isspace() and not _can_be_set(char, list(standards))]
    return _translated(value, dict.fromkeys(map(ord, lost), MARK))


def _characters(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield from set(value)
    elif isinstance(value, dict):
        for inner in value.values():
            yield from _characters(inner)
    elif isinstance(value, (list, tuple)):
        for inner in value:
            yield from _characters(inner)


def _translated(value: Any, marks: Mapping[int, str]) -> Any:
    if isinstance(value, str):
        return value.translate(marks)
    if isinstance(value, dict):
        return {key: _translated(inner, marks) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_translated(inner, marks) for inner in value]
    return value


def _can_be_set(char: str, standards: list[Any]) -> bool:
    import typst

    try:
        typst.compile(PROBE, format="pdf", sys_inputs={"data": char}, pdf_standards=standards, ignore_system_fonts=True)
    except typst.TypstError:
        return False
    return True
