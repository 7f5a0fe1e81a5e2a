"""What a log covers, told before any rate: a log of fixed length overwrites, and a silent one may be off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.care.logs.log import Log

HOUR_S, DAY_S = 3600.0, 86400.0
LEAST_HOURS = 1.0
"""Covered hours from which on a rate per hour is told; one per bed-day asks for a whole day (this house's choice)."""
SILENT_S = 6 * HOUR_S
"""A stretch without any event that is told as silence (this house's choice)."""
SUSPECT = (100, 200, 250, 500)
"""Times a power of ten: numbers of rows at which logs of fixed length usually end (common practice, no source)."""

Spans = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Coverage:
    """What a log covers.

    Attributes
    ----------
    spans : mapping of str to ndarray, shape (n, 2)
        By bed, from when to when rows were kept, s; what lies between two exports that don't overlap is not covered.
    standby : mapping of str to ndarray, shape (n, 2)
        Standby within them, taken off the time under which alarms could come.
    hours : float
        Covered and not in standby, all beds together.
    standby_hours : float
    first_s, last_s : float
        First and last event.
    rows, unread, repeated : int
    silences : tuple of (float, float)
        Stretches without any event, the longest first; none that is standby or not covered from end to end.
    notes : tuple of str
        Why the log may begin later than what it tells of, and what else is to be known before a rate.
    set_back : tuple of (float, float)
        When the clock was set back, s, and by how many seconds it showed less from then on.
    """

    spans: dict[str, Spans]
    standby: dict[str, Spans]
    hours: float
    standby_hours: float
    first_s: float
    last_s: float
    rows: int
    unread: int
    repeated: int
    silences: tuple[tuple[float, float], ...]
    notes: tuple[str, ...]
    set_back: tuple[tuple[float, float], ...] = ()

    @property
    def beds(self) -> int:
        """How many beds the log tells of."""
        return len(self.spans)

    def exposure(self, bed: str) -> Spans:
        """Stretches of a bed that are covered and not in standby, shape (n, 2)."""
        return without(self.spans[bed], self.standby.get(bed, np.empty((0, 2))))


def coverage(log: Log) -> Coverage:
    """What a log covers, and what may be missing."""
    events = log.events
    told: dict[str, list[tuple[float, float]]] = {}
    for source in log.sources:
        for bed, parts in source.spans.items():
            told.setdefault(bed, []).extend(parts)
    spans = {bed: united(np.array(parts, float)) for bed, parts in told.items()}
    standby = _standby(events, spans)
    inside = {bed: united(clipped(standby[bed], spans[bed])) for bed in standby}
    covered = sum(length(part) for part in spans.values())
    resting = sum(length(part) for part in inside.values())
    exposed = [without(spans[bed], inside.get(bed, np.empty((0, 2)))) for bed in spans]
    return Coverage(
        spans=spans,
        standby=inside,
        hours=(covered - resting) / HOUR_S,
        standby_hours=resting / HOUR_S,
        first_s=float(events["at_s"][0]),
        last_s=float(events["at_s"][-1]),
        rows=sum(source.rows for source in log.sources),
        unread=log.unread,
        repeated=log.repeated,
        silences=_silences(events, exposed),
        notes=(*_begins_late(log), *_doubts(log, spans)),
        set_back=()
        if log.start is None
        else tuple(((stamp - log.start).total_seconds(), moved) for stamp, moved in log.set_back),
    )


def united(spans: Spans) -> Spans:
    """Spans that overlap or touch as one, in order, shape (n, 2)."""
    if not len(spans):
        return np.empty((0, 2))
    ordered = spans[np.argsort(spans[:, 0], kind="stable")]
    ends = np.maximum.accumulate(ordered[:, 1])
    begins = np.concatenate([[True], ordered[1:, 0] > ends[:-1]])
    last = np.concatenate([np.flatnonzero(begins)[1:] - 1, [len(ordered) - 1]])
    return np.column_stack([ordered[begins, 0], ends[last]])


def clipped(spans: Spans, into: Spans) -> Spans:
    """The parts of spans that lie in others, which don't overlap."""
    parts = [
        np.clip(spans, begin, end)[(spans[:, 1] > begin) & (spans[:, 0] < end)] for begin, end in into if len(spans)
    ]
    return np.concatenate(parts) if parts else np.empty((0, 2))


def without(spans: Spans, holes: Spans) -> Spans:
    """Spans less what lies in holes; both in order and without overlap."""
    if not len(holes):
        return spans
    edges = np.concatenate([[-np.inf], holes.ravel(), [np.inf]]).reshape(-1, 2)
    return united(clipped(edges, spans))


def length(spans: Spans) -> float:
    """Seconds in spans that don't overlap."""
    return float((spans[:, 1] - spans[:, 0]).sum()) if len(spans) else 0.0


def _standby(events: pl.DataFrame, spans: dict[str, Spans]) -> dict[str, Spans]:
    """Standby of each bed: from on to off, to its told end, or to the end of the log where it has neither."""
    rows = events.filter(pl.col("kind") == "standby")
    found: dict[str, list[tuple[float, float]]] = {}
    for (bed,), part in rows.group_by("bed", maintain_order=True):
        begun: float | None = None
        place = found.setdefault(str(bed), [])
        for at, until, state in part.select("at_s", "until_s", "state").iter_rows():
            if until is not None:
                place.append((at, until))
            elif state == "off":
                place += [(begun, at)] if begun is not None else []
                begun = None
            elif state == "on":
                begun = at if begun is None else begun
        if begun is not None:
            place.append((begun, float(spans[str(bed)][-1, 1])))
    return {bed: united(np.array(parts, float).reshape(-1, 2)) for bed, parts in found.items()}


def _silences(events: pl.DataFrame, exposed: Sequence[Spans]) -> tuple[tuple[float, float], ...]:
    at = events["at_s"].to_numpy()
    apart = np.diff(at)
    longest = sorted(np.flatnonzero(apart >= SILENT_S).tolist(), key=lambda k: -apart[k])
    found = ((float(at[k]), float(at[k + 1])) for k in longest)
    counted = (span for span in found if any(length(clipped(part, np.array([span]))) for part in exposed))
    return tuple(islice(counted, 5))


def _begins_late(log: Log) -> list[str]:
    """Signs that what came first was overwritten."""
    notes = []
    for source in log.sources:
        if log.capacity_rows is not None and source.rows >= log.capacity_rows:
            notes.append(
                f"{source.name} holds {source.rows} rows and keeps {log.capacity_rows}: it is full, and what came "
                "before its first event was overwritten."
            )
        elif log.capacity_rows is None and _suspect(source.rows):
            notes.append(
                f"{source.name} holds {source.rows} rows, as a log of fixed length does when it is full: what came "
                "before its first event may have been overwritten. capacity_rows in a file of words says how many it "
                "keeps."
            )
    alarms = log.events.filter(pl.col("kind") == "alarm")
    first = alarms.group_by("bed", "name", maintain_order=True).agg(pl.col("state").first())
    ended = int((first["state"] == "off").sum())
    if ended:
        notes.append(
            f"{'One alarm ends' if ended == 1 else f'{ended} alarms end'} without a start: "
            f"{'it was' if ended == 1 else 'they were'} on before the log begins."
        )
    return notes


def _suspect(rows: int) -> bool:
    return any(rows == size * 10**power for size in SUSPECT for power in range(6))


def _doubts(log: Log, spans: dict[str, Spans]) -> list[str]:
    """What else is to be known before a rate."""
    notes = []
    gaps = sum(len(part) - 1 for part in spans.values())
    if gaps:
        told = "1 stretch between them is not" if gaps == 1 else f"{gaps} stretches between them are not"
        notes.append(f"Exports don't join up: {told} covered, and count{'s' if gaps == 1 else ''} in no rate.")
    if log.zone == "mixed":
        notes.append("Stamps have several zones: durations are right, and hours of the day are those that were shown.")
    vague = log.events.filter((pl.col("kind") == "standby") & pl.col("state").is_null() & pl.col("until_s").is_null())
    if vague.height:
        notes.append("Standby is logged without its begin and end, so it can't be taken off the covered time.")
    return notes


def exposure_by_hour(
    spans: Sequence[Spans], start_s: float, set_back: Sequence[tuple[float, float]] = ()
) -> npt.NDArray[np.float64]:
    """Seconds of each hour of the day within spans, shape (24,), as the clock showed it.

    ``start_s`` is the time of day at 0 s; ``set_back`` as in :class:`Coverage`.
    """
    found = np.zeros(24)
    for part in spans:
        for begin, end in _as_shown(part, set_back) + start_s:
            found += _until(end) - _until(begin)
    return found


def _as_shown(spans: Spans, set_back: Sequence[tuple[float, float]]) -> Spans:
    """Spans by a clock that was set back on the way."""
    for at_s, moved_s in sorted(set_back, reverse=True):
        before, after = (clipped(spans, np.array([side])) for side in ((-np.inf, at_s), (at_s, np.inf)))
        spans = np.concatenate([before, after - moved_s])
    return spans


def _until(time_s: float) -> npt.NDArray[np.float64]:
    """Seconds of each hour of the day from midnight of day 0 to a time."""
    days, rest = divmod(time_s, DAY_S)
    return np.asarray(days * HOUR_S + np.clip(rest - HOUR_S * np.arange(24), 0.0, HOUR_S))
