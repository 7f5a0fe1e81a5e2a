"""A scenario as it is said, and what is said of it while it runs: rows of its protocol, each at its moment."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from tidebench.case import Setting
from tidebench.mode import parse_mode
from tidebench.simulation.doubts import TYPES_WITH
from tidebench.simulation.machine import ABOVE_PEEP, CYCLING, GIVE_WAY, RISE_S
from tidebench.simulation.parameters import patient_tables, title_of
from tidebench.simulation.protocol import WITHOUT_SIZE, Event
from tidebench.simulation.scenario import Scenario
from tidebench.views.wording import change_words, duration

Said = dict[str, Any]
"""Tables and keys as :func:`tidebench.simulation.scenario_from` takes them."""

PROTOCOL = ("settings", "manoeuvres", "events")


def opened(said: Mapping[str, Any]) -> Said:
    """The same with a library patient's title and settings in the open, so that more of them can follow.

    Raises
    ------
    CaseError
        The library has no such patient.
    """
    whole = dict(said)
    if isinstance(whole.get("who"), str):
        whole.setdefault("settings", patient_tables(whole["who"])["settings"])
        whole.setdefault("title", title_of(whole["who"]))
    return whole


def until(said: Said, time_s: float) -> Said:
    """What had been said by a moment; what is said of the very moment is still to come. The first settings stay."""
    kept = dict(said)
    for name in PROTOCOL:
        rows = said.get(name, ())
        kept[name] = [row for row in rows if row.get("at_s", 0.0) < time_s or (name == "settings" and row is rows[0])]
    return kept


def with_row(said: Said, table: str, row: Mapping[str, Any]) -> Said:
    """With one more manoeuvre or event."""
    return {**said, table: [*said.get(table, ()), dict(row)]}


def with_settings(said: Said, at_s: float, changes: Mapping[str, Any]) -> Said:
    """With settings changed at a moment; what was changed at the same moment before is amended."""
    rows = list(said["settings"])
    last = rows[-1]
    if last.get("at_s", 0.0) < at_s:
        return {**said, "settings": [*rows, {"at_s": at_s, **changes}]}
    gone = {old for key in changes for old in GIVE_WAY.get(key, ()) if old not in changes}
    kept = {key: value for key, value in last.items() if key not in gone}
    return {**said, "settings": [*rows[:-1], {**kept, **changes}]}


def told(setting: Setting) -> dict[str, Any]:
    """A setting as it may be said again: without its time, and without the absolute pressure that follows from PEEP."""
    row = setting.model_dump(exclude_none=True, exclude={"at_s"})
    if any(key in row for key in ABOVE_PEEP):
        row.pop("inspiratory_pressure_cmh2o", None)
    return row


def switched(setting: Setting, mode: str, breath: Mapping[str, float]) -> dict[str, Any]:
    """What another mode needs, so that breaths go on about as they were; what it has no use for is taken back.

    Parameters
    ----------
    setting : Setting
        As it stands.
    mode : str
        The code of the other mode.
    breath : mapping
        The last breath: ``volume_ml``, ``above_cmh2o`` (what elastance took of the pressure), ``inspiratory_time_s``
        and ``rate_per_min``.

    Raises
    ------
    ValueError
        As :func:`tidebench.mode.parse_mode`.
    """
    parsed = parse_mode(mode)
    types = {parsed.mandatory, parsed.support} - {None}
    asked: dict[str, Any] = {"mode": parsed.code}
    if parsed.mandatory is not None:
        asked |= {"rate_per_min": breath["rate_per_min"], "inspiratory_time_s": breath["inspiratory_time_s"]}
    if types & {"VC", "vtPC", "vtPS"}:
        asked["tidal_volume_ml"] = breath["volume_ml"]
    if parsed.mandatory == "PC":
        asked["pressure_control_cmh2o"] = breath["above_cmh2o"]
    if parsed.support is not None:
        asked["cycling_percent"] = 100 * CYCLING
    if parsed.support == "PS":
        asked["pressure_support_cmh2o"] = breath["above_cmh2o"]
    if types - {"VC"}:
        asked["rise_s"] = RISE_S
    standing = told(setting)
    if parsed.mandatory == "VC" and "inspiratory_flow_l_min" in standing:
        asked.pop("inspiratory_time_s")
    useless = [key for key, use in TYPES_WITH.items() if key in standing and not use & types]
    if parsed.mandatory is None:
        useless += [key for key in ("rate_per_min", "inspiratory_time_s") if key in standing]
    kept = {key: standing[key] for key in asked if key in standing and key != "mode"}
    return {**asked, **kept, **dict.fromkeys((*useless, "inspiratory_pressure_cmh2o"))}


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that was done or happened, in words."""

    at_s: float
    kind: Literal["settings", "manoeuvre", "event"]
    text: str


def happenings(scenario: Scenario) -> tuple[Happening, ...]:
    """What was changed and done and what happened, in order of time."""
    found = [
        Happening(after.at_s, "settings", change_words(_changed(before, after)))
        for before, after in itertools.pairwise(scenario.settings)
    ]
    found += [
        Happening(row.at_s, "manoeuvre", f"{row.kind}, {duration(row.lasts_s)}" if row.kind != "cough" else row.kind)
        for row in scenario.manoeuvres
    ]
    found += [Happening(row.at_s, "event", event_words(row)) for row in scenario.events]
    return tuple(sorted(found, key=lambda one: one.at_s))


def event_words(event: Event) -> str:
    """An event with its size and how fast it comes."""
    size = "" if event.size == 1 or event.kind in WITHOUT_SIZE else f", {event.size:g} times the typical"
    return f"{event.kind}{size}{f', over {duration(event.over_s)}' if event.over_s else ''}"


def _changed(before: Setting, after: Setting) -> dict[str, tuple[Any, Any]]:
    """Settings that differ; what another mode has no use for is not told."""
    old, new = told(before), told(after)
    return {key: (old.get(key), value) for key, value in new.items() if old.get(key) != value}
