"""What is told of a log, for machines: no NaN, times in seconds, units in the names."""

from __future__ import annotations

import math
from dataclasses import asdict, is_dataclass
from typing import Any

from tidebench._version import __version__
from tidebench.care.logs.coverage import Coverage
from tidebench.care.logs.room import Told
from tidebench.care.logs.tradeoff import WEIGHED, Tradeoff, together
from tidebench.caution import CAUTION
from tidebench.quantities import quantity

MOST = 1000
"""Floods and changes of settings that are listed; the tables hold all."""


def as_json(told: Told) -> dict[str, Any]:
    """The whole page as plain data."""
    log, heard = told.log, told.heard
    said: dict[str, Any] = {
        "start": told.start.isoformat() if told.start else None,
        "coverage": _coverage(heard.coverage) if heard else None,
        "columns": dict(log.columns) if log else None,
        "proposed": list(log.proposed) if log else None,
        "sources": [{key: value for key, value in asdict(one).items() if key != "spans"} for one in log.sources]
        if log
        else [],
        "notes": list(log.notes) if log else [],
        "burden": heard.burden if heard else None,
        "crowding": heard.crowding if heard else None,
        "clock": told.clock,
        "offset_by_holds_s": told.offset[0] if told.offset else None,
        "settings": {
            "changes": told.settings.changes[:MOST],
            "differ": told.settings.differ,
            "notes": told.settings.notes,
        },
        "beside": None
        if told.beside is None
        else {
            "within": told.beside.within,
            "outside": told.beside.outside,
            "near": [{**asdict(one), "share": one.share} for one in told.beside.near],
            "heard": told.beside.heard,
            "at_alarms": told.beside.at_alarms,
        },
        "limits_replayed": [_tradeoff(one) for one in told.tradeoffs],
        "together": together(told.tradeoffs),
        "apnoea_replayed": told.pauses,
        "weighed": WEIGHED if told.tradeoffs else None,
        "changed": None if told.changed is None else _changed(told),
        "policy": told.policy or None,
        "version": __version__,
        "caution": CAUTION,
    }
    plain: dict[str, Any] = _plain(said)
    return plain


def _coverage(covered: Coverage) -> dict[str, Any]:
    return {
        "hours": covered.hours,
        "standby_hours": covered.standby_hours,
        "first_s": covered.first_s,
        "last_s": covered.last_s,
        "beds": covered.beds,
        "spans_s": {bed: spans.tolist() for bed, spans in covered.spans.items()},
        "rows": covered.rows,
        "unread": covered.unread,
        "repeated": covered.repeated,
        "silences_s": covered.silences,
        "notes": covered.notes,
    }


def _tradeoff(one: Tradeoff) -> dict[str, Any]:
    return {
        "quantity": one.watched.key,
        "side": one.watched.side,
        "unit": quantity(one.watched.key).unit,
        "tells": one.watched.tells,
        "hours": one.hours,
        "unknown": one.unknown,
        "events": one.events,
        "usual": one.usual,
        "offers": one.offers,
        "longest_delay_s": one.delay.high if one.delay else None,
        "reason": one.reason or None,
    }


def _changed(told: Told) -> dict[str, Any]:
    done = told.changed
    assert done is not None
    sides = zip(("now", "then"), (done.now, done.then), done.alarms, done.minutes, done.missed, strict=True)
    whole: dict[str, Any] = {
        name: {**asdict(asked), "alarms": alarms, "minutes": minutes, "missed": missed}
        for name, asked, alarms, minutes, missed in sides
    }
    return {**whole, "events": done.events, "gone": done.gone.height, "gone_with_event": int(done.gone["event"].sum())}


def _plain(value: Any) -> Any:
    """Dataclasses as objects, tuples as lists, what is no finite number null, long lists cut."""
    if is_dataclass(value) and not isinstance(value, type):
        return {key: _plain(inner) for key, inner in asdict(value).items()}
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(inner) for inner in value[:MOST]]
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value
