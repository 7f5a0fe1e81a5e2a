"""Changes of settings that a log tells, as ``[[settings]]`` in a case's keys. To look at: nothing is overwritten."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

import polars as pl
from pydantic import ValidationError

from tidebench.care.logs.words import KIND_WORDS, PLACE, Words, finder, plain, role_of
from tidebench.case import Case, Setting
from tidebench.case_errors import explain
from tidebench.errors import OptionError
from tidebench.mode import parse_mode
from tidebench.quantities import quantity
from tidebench.units import factor, parse_unit

OBVIOUS: dict[str, tuple[str, ...]] = {
    "mode": ("mode", "ventilation mode"),
    "peep_cmh2o": ("peep", "set peep"),
    "fio2": ("fio2", "o2", "oxygen", "oxygen concentration", "inspired oxygen", "set fio2"),
    "rate_per_min": ("rate", "set rate", "respiratory rate", "breath rate", "frequency"),
    "tidal_volume_ml": ("tidal volume", "set tidal volume", "vt", "volume"),
    "inspiratory_flow_l_min": ("inspiratory flow", "peak flow", "set flow"),
    "pause_s": ("pause", "pause time", "inspiratory pause"),
    "pressure_support_cmh2o": ("pressure support", "ps"),
    "pressure_control_cmh2o": ("pressure above peep", "pressure control above peep"),
    "inspiratory_time_s": ("inspiratory time", "ti"),
    "rise_s": ("rise time", "rise"),
    "cycling_percent": ("cycling", "expiratory trigger", "cycling off"),
    "trigger_flow_l_min": ("flow trigger",),
    "trigger_pressure_cmh2o": ("pressure trigger",),
    "pressure_high_cmh2o": ("high pressure level", "phigh"),
    "pressure_low_cmh2o": ("low pressure level", "plow"),
    "time_high_s": ("time high", "thigh"),
    "time_low_s": ("time low", "tlow"),
}
"""Names of settings in the trade. An inspiratory pressure may be absolute or above PEEP, so it is not among them."""
KEPT = ("peep_cmh2o", "fio2", "trigger_flow_l_min", "trigger_pressure_cmh2o")
"""What a change of mode leaves as it was; what else is set in the new mode is not known until the log says so."""
MOST = 2000
SHOWN = 8
_KIND_TOKENS = "|".join(KIND_WORDS["setting"])
_AMOUNT = re.compile(r"\s*(?P<number>[-+]?\d+(?:[.,]\d+)?)\s*(?P<unit>\D\S*)?\s*")


@dataclass(frozen=True, slots=True)
class Change:
    """A change of one setting: when (case clock), what, to which value, from which where the log tells."""

    at_s: float
    key: str
    value: float | str
    before: str | None


@dataclass(frozen=True)
class Rebuilt:
    """Settings as a log has them.

    Attributes
    ----------
    changes : tuple of Change
    tables : tuple of mapping
        ``[[settings]]``, each with all that was known to be set from its ``at_s`` on.
    differ : tuple of str
        Where the case says otherwise, a sentence each.
    notes : tuple of str
        What could not be read, and why.
    """

    changes: tuple[Change, ...] = ()
    tables: tuple[Mapping[str, Any], ...] = ()
    differ: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass
class _Course:
    """What is set, as changes come."""

    state: dict[str, Any]
    tables: dict[float, dict[str, Any]] = field(default_factory=dict)
    refused: list[str] = field(default_factory=list)
    filled: bool = False
    said: set[str] = field(default_factory=set)
    followed_s: float = 0.0

    def fill(self, case: Case | None) -> None:
        """What the case sets from its begin on, where the log had said nothing of it by then; once."""
        first = None if case is None or self.filled else case.setting_at(0.0)
        self.filled = True
        if first is None or self.state.get("mode", first.mode) != first.mode:
            return
        self.state = {**first.model_dump(exclude={"at_s"}, exclude_unset=True), **self.state}
        if self.tables:
            self.tables[0.0] = {"at_s": 0.0, **self.state}

    def follow(self, case: Case | None, until_s: float) -> None:
        """What the case sets later, of keys that the log has not told by then; where it has, the log holds."""
        rows = () if case is None else case.settings
        for row in rows:
            told = row.model_dump(exclude={"at_s"}, exclude_unset=True)
            new = {key: value for key, value in told.items() if key not in self.said and self.state.get(key) != value}
            another = told.get("mode", self.state.get("mode")) != self.state.get("mode")
            if self.followed_s < row.at_s <= until_s and new and not (another and "mode" in self.said):
                self._set(row.at_s, {**self._kept(new), **new})
        self.followed_s = max(self.followed_s, until_s)

    def take(self, at_s: float, changed: Mapping[str, float | str]) -> None:
        """Apply changes of one instant; those that no ventilator can have are left out and said."""
        if self._set(at_s, {**self._kept(changed), **changed}):
            self.said |= changed.keys()

    def _kept(self, changed: Mapping[str, Any]) -> dict[str, Any]:
        """What stays set under a change."""
        mode = changed.get("mode", self.state.get("mode"))
        return self.state if mode == self.state.get("mode") else {k: v for k, v in self.state.items() if k in KEPT}

    def _set(self, at_s: float, wanted: dict[str, Any]) -> bool:
        at = max(at_s, 0.0)
        try:
            Setting.model_validate({**wanted, "at_s": at})
        except ValidationError as error:
            told = explain(error, {"settings": wanted}, Setting, "settings")
            self.refused.append(f"At {at_s:.0f} s: {told}")
            return False
        self.state = wanted
        self.tables[at] = {"at_s": round(at, 3), **wanted}
        return True


def rebuilt(events: pl.DataFrame, words: Words, case: Case | None = None) -> Rebuilt:
    """The settings that a log tells.

    Parameters
    ----------
    events : DataFrame
        Of a log, on the case clock where there is a case.
    words : Words
        Names of settings and of modes in the house's own words.
    case : Case, optional
        What it sets is taken for what the log hasn't told by then; where the log has told otherwise, that is said.
    """
    rows = events.filter(pl.col("kind") == "setting").select("at_s", "name", "text", "value", "said", "before")
    if not rows.height:
        return Rebuilt()
    found, notes = _changes(rows, words)
    if not found:
        return Rebuilt(notes=tuple(notes))
    course = _Course({})
    taken = sorted(found[:MOST], key=lambda change: change.at_s)
    for at_s, changes in groupby(taken, key=lambda change: change.at_s):
        if at_s > 0.0:
            course.fill(case)
        course.follow(case, at_s)
        course.take(at_s, {change.key: change.value for change in changes})
    course.fill(case)
    course.follow(case, math.inf)
    if len(found) > MOST:
        notes.append(f"Of {len(found)} changes the first {MOST} are taken.")
    tables = tuple(course.tables.values())
    return Rebuilt(tuple(found), tables, tuple(_differ(tables, case)), (*notes, *course.refused[:SHOWN]))


def _changes(rows: pl.DataFrame, words: Words) -> tuple[list[Change], list[str]]:
    """Changes that can be read, and what could not be."""
    _refuse_strange(words)
    find = finder(words.settings, OBVIOUS)
    found, unread, percent = [], [], False
    unknown: dict[str, int] = {}
    for at_s, name, text, value, said, before in rows.iter_rows():
        called, amount, was = _told(name, text, said if value is None or said else str(value), before, words)
        key, unit = role_of(find(called) or "")
        if not key:
            unknown[called] = unknown.get(called, 0) + 1
            continue
        try:
            read = _value(key, unit, amount, words)
        except OptionError as error:
            unread.append(f"At {at_s:.0f} s, {called}: {error}")
            continue
        percent |= key == "fio2" and isinstance(read, float) and read > 1
        found.append(
            Change(at_s, key, read / 100 if key == "fio2" and isinstance(read, float) and read > 1 else read, was)
        )
    notes = [f"{len(unread)} values could not be read. {unread[0]}"] if unread else []
    if unknown:
        names = ", ".join(
            f"{name!r} ({count})" for name, count in sorted(unknown.items(), key=lambda one: -one[1])[:SHOWN]
        )
        notes.append(f"No setting is known for {names}: [settings] in a {PLACE} says which they are.")
    if percent:
        notes.append("FiO2 above 1 is taken for per cent.")
    return found, notes


def _refuse_strange(words: Words) -> None:
    """Refuse a key that no setting has."""
    for word, meaning in words.settings.items():
        key = role_of(meaning)[0]
        if key not in Setting.model_fields or key == "at_s":
            raise OptionError(
                f"{meaning!r} of {word!r} is no setting", where=f"{PLACE}: [settings]",
                expected=", ".join(name for name in Setting.model_fields if name != "at_s"),
            )  # fmt: skip


def _told(
    name: str, text: str | None, said: str | None, before: str | None, words: Words
) -> tuple[str, str, str | None]:
    """Name, value and former value of a row, from its columns or from its phrase."""
    if words.settings_text and (match := re.search(words.settings_text, text or name)):
        groups = match.groupdict()
        return (groups["name"] or "").strip(), (groups["value"] or "").strip(), groups.get("before")
    bare = re.sub(rf"[\W_]*\b(?:{_KIND_TOKENS})\b[\W_]*", " ", name, flags=re.IGNORECASE).strip()
    return bare or name, said or "", before


def _value(key: str, unit: str, said: str, words: Words) -> float | str:
    """A value in the unit of its key.

    Raises
    ------
    OptionError
        No number, a unit of something else, a mode that no code stands for.
    """
    if key == "mode":
        try:
            return parse_mode(finder(words.modes)(said) or said).code
        except ValueError as error:
            raise OptionError(
                f"the mode {said[:40]!r} is no code",
                expected="one such as A/C-VC, or its code in [modes]",
                remedy=str(error),
            ) from None
    if key == "flow_pattern":
        return said.casefold()
    match = _AMOUNT.fullmatch(said)
    if match is None:
        raise OptionError(f"{said[:40]!r} is no number")
    number, given = float(match["number"].replace(",", ".")), match["unit"] or unit
    wanted = quantity(key, "settings").unit
    if not given or plain(given) == plain(wanted) or wanted in ("/min", "%"):
        return number
    return number * (0.01 if key == "fio2" and given == "%" else factor(parse_unit(given), wanted or "fraction"))


def _differ(tables: tuple[Mapping[str, Any], ...], case: Case | None) -> Iterator[str]:
    """Where the case says another value than the log, at the times of its own settings."""
    for setting in case.settings if case else ():
        latest = next((table for table in reversed(tables) if table["at_s"] <= setting.at_s + 1.0), None)
        if latest is None:
            continue
        said = setting.model_dump(exclude={"at_s"}, exclude_unset=True)
        for key in said:
            if key in latest and said[key] != latest[key]:
                name, stated, logged = _shown(key, said[key], latest[key])
                yield f"At {setting.at_s:.0f} s the case says {name} {stated}, the log {logged}."


def _shown(key: str, *values: Any) -> tuple[str, ...]:
    """The name of a setting, and values of it in words."""
    if any(isinstance(value, str) for value in values):
        return key.replace("_", " "), *(f"{value}" for value in values)
    record = quantity(key, "settings")
    return record.label, *(record.text(value) for value in values)
