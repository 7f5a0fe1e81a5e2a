"""What rooms share: a form, perhaps over an open case, and the tables that its answers make."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

from tidebench.case import Case, case_from, load_case
from tidebench.case_form import NAME, asked_in_person
from tidebench.doubts import doubts
from tidebench.errors import InputError
from tidebench.forms import Answers, Section, Slip, read_answers, slip_of, text_of
from tidebench.views.parts import Page
from tidebench.views.wording import count

if TYPE_CHECKING:
    from tidebench.review import Review

_OPTION = re.compile(r"(?P<option>--[a-z0-9-]+)(?: (?P<key>\w+)=(?:yes or no|\w+))?(?=[\s.,;)]|$)")
_TABLE = re.compile(r"(?P<keys>[a-z]\w*(?:(?:, or |, | or | and )[a-z]\w*)*) under \[\[?(?P<table>\w+)\]?\]")
T = TypeVar("T")
FURTHER = {"blood_gases": "A further blood gas", "observed": "A further note at the bed"}
"""What may be added to an open case, by section."""
ROOT = "case"
"""The table of what stands above all tables of a file."""


@dataclass(frozen=True)
class Shown:
    """What a room shows of answers, and how it is printed; ``text`` is None where there is no page in plain words."""

    page: Page
    pdf: Callable[[], bytes]
    text: Callable[[], str] | None = None


@dataclass(frozen=True)
class Desk:
    """What lies before a room: the case of answers or the open one with what they change, its review, its own tables.

    Attributes
    ----------
    said : mapping
        Tables and keys as in a case file.
    own : mapping
        Tables that are the room's, and no case's.
    folder : Path
        Of the open case; empty where all is typed.
    name : str
        Of the open case; empty where all is typed.
    reviewed : callable
        Gives the open case's review; raises where it has a recording and was not reviewed.
    """

    said: Mapping[str, Any]
    own: Mapping[str, Any]
    folder: Path
    name: str
    reviewed: Callable[[], Review]

    @property
    def case(self) -> Case:
        """The case.

        Raises
        ------
        CaseError
            Its tables contradict each other.
        """
        return case_from(self.said, folder=self.folder, name=self.name or NAME)

    def review(self, case: Case) -> Review | None:
        """The review of the open case; None where it has no recording."""
        return self.reviewed() if self.name and case.recordings else None


@dataclass(frozen=True)
class Room:
    """A room: its form, which of its tables are its own, and what it makes of a desk.

    ``needs`` says what to begin with where nothing is typed. ``root`` reads the tables of an open case, which may be
    more than a case's.
    """

    sections: tuple[Section, ...]
    own: frozenset[str]
    needs: str
    show: Callable[[Desk], Shown]
    load: Callable[[Path], Case] = load_case
    doubting: bool = field(default=True)


def sections_of(room: Room, *, opened: bool) -> tuple[Section, ...]:
    """The form: what an open case says otherwise is not asked, and a gas or note is a further one."""
    if not opened:
        return room.sections
    kept = (section for section in room.sections if not section.alone)
    return tuple(replace(one, title=FURTHER[one.key], folded=True) if one.key in FURTHER else one for one in kept)


def answers_of(room: Room, case: Case) -> dict[str, dict[str, str]]:
    """What an open case answers already."""
    said = case.model_dump(exclude_unset=True, by_alias=True)
    told: dict[str, dict[str, str]] = {}
    for section in sections_of(room, opened=True):
        if section.several:
            continue
        for one in section.fields:
            if one.table not in room.own and (text := text_of(one, _at(said, one.table).get(one.key))):
                told.setdefault(one.table, {})[one.key] = text
    return told


def about(case: Case) -> str:
    """What an open case holds, in a sentence."""
    parts = [
        count(len(rows), word)
        for rows, word in ((case.settings, "setting"), (case.observed, "note"), (case.events, "event"))
        if rows
    ]
    gases = len(case.blood_gases)
    parts += [f"{gases} blood {'gas' if gases == 1 else 'gases'}"] if gases else []
    held = ", ".join(parts) or "no settings, gases or notes"
    recorded = "; it is recorded" if case.recordings else ""
    return f"The case has {held}{recorded}. What is typed here changes nothing in it."


def desk_of(
    room: Room, answers: Answers, folder: Path | None, name: str, reviewed: Callable[[], Review]
) -> tuple[Desk, tuple[Slip, ...]]:
    """The desk that answers make, over an open case where a folder is given, and every answer that can't be used.

    An answer that stands as the open case gave it leaves the case's own value; an emptied one takes it out.
    """
    sections = sections_of(room, opened=folder is not None)
    told, slips = read_answers(sections, answers)
    said: dict[str, Any] = {}
    if folder is not None:
        case = room.load(folder)
        said = case.model_dump(exclude_unset=True, by_alias=True)
        before = answers_of(room, case)
        told = {table: _changed(rows, before, table, answers) for table, rows in told.items()}
        said = _emptied(said, before, answers)
    for table, rows in told.items():
        if table in room.own:
            continue
        if isinstance(rows, list):
            said[table] = [*_listed(said.get(table)), *rows]
        else:
            _put(said, table, rows)
    own = {table: rows for table, rows in told.items() if table in room.own}
    return Desk(said, own, folder or Path(), name, reviewed), slips


def shown(room: Room, desk: Desk, *, opened: bool) -> tuple[Shown | None, tuple[Slip, ...], tuple[str, ...]]:
    """The page of a desk; or what is in the way, beside its field; and what is asked about."""
    sections = sections_of(room, opened=opened)
    try:
        made = room.show(desk)
        asked = tuple(asked_in_person(doubt) for doubt in doubts(desk.case)) if room.doubting else ()
    except InputError as error:
        return None, (slip_of(error, sections),), ()
    return made, (), asked


def in_form_words(told: T, sections: Sequence[Section]) -> T:
    """A page with the form's labels where its words name an option, or a key or table of a case file.

    What the form doesn't ask keeps its name in the file.
    """
    if isinstance(told, str):
        words = _OPTION.sub(lambda found: _label(found, sections), told) if "--" in told else told
        return cast("T", _TABLE.sub(lambda found: _placed(found, sections), words) if " under [" in words else words)
    if isinstance(told, tuple):
        return cast("T", tuple(in_form_words(inner, sections) for inner in told))
    if is_dataclass(told) and not isinstance(told, type):
        return replace(told, **{part.name: in_form_words(getattr(told, part.name), sections) for part in fields(told)})
    return told


def _label(found: re.Match[str], sections: Sequence[Section]) -> str:
    fields = [one for section in sections for one in section.fields]
    known = next((one for one in fields if found["option"] == one.option or found["key"] == one.key), None)
    return found[0] if known is None else f"“{known.label}” in the form"


def _placed(found: re.Match[str], sections: Sequence[Section]) -> str:
    """Labels of keys, and the title of the section in which they are asked."""
    section = next((one for one in sections if any(part.table == found["table"] for part in one.fields)), None)
    if section is None:
        return f"{found['keys']} under {found['table'].replace('_', ' ')} in the case's file"
    labels = {one.key: one.label for one in section.fields if one.table == found["table"]}
    keys = re.split(r"(, or |, | or | and )", found["keys"])
    return f"{''.join(labels.get(key, key) for key in keys)} under “{section.title}”"


def _changed(rows: Any, before: Mapping[str, Mapping[str, str]], table: str, answers: Answers) -> Any:
    """Without what stands as the case gave it."""
    if isinstance(rows, list):
        return rows
    return {key: value for key, value in rows.items() if answers[table].get(key) != before.get(table, {}).get(key)}


def _emptied(said: dict[str, Any], before: Mapping[str, Mapping[str, str]], answers: Answers) -> dict[str, Any]:
    """Without what was taken out of the form."""
    for table, keys in before.items():
        for key in keys:
            if table in answers and not answers[table].get(key, "").strip():
                _at(said, table).pop(key, None)
    return said


def _at(said: dict[str, Any], table: str) -> dict[str, Any]:
    found: Any = said if table == ROOT else said.get(table, {})
    return found if isinstance(found, dict) else {}


def _put(said: dict[str, Any], table: str, rows: Mapping[str, Any]) -> None:
    if table == ROOT:
        said.update(rows)
    else:
        said[table] = {**_at(said, table), **rows}


def _listed(rows: Any) -> list[Any]:
    return [] if rows is None else list(rows) if isinstance(rows, (list, tuple)) else [rows]
