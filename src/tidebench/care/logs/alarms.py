"""From rows to alarms: each with its start, and its end where the log tells one."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.care.logs.log import Log

GRADES = ("high", "medium", "low")
"""Priorities of alarm conditions by IEC 60601-1-8; an information signal is none."""
GROUP = ("bed", "name")
ENDS = ("logged", "comes again", "not logged")

Times = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]


def alarms_of(log: Log) -> pl.DataFrame:
    """Alarms, in the order of time.

    An alarm is a row that says that one came on, or that says neither on nor off. Its end is the told one, or the next
    row of the same name and bed that says off, unless it comes on again before. Rows of one instant are taken in the
    order that makes sense: off before on where the alarm was on, on before off where it wasn't.

    Returns
    -------
    DataFrame
        ``bed``, ``name``, ``priority``, ``at_s``, ``until_s``, ``duration_s``, ``ends`` (``"logged"``,
        ``"comes again"`` where it came on a second time without an end between, ``"not logged"``), ``value``, ``said``,
        ``text``, ``hour``. Without an end ``until_s`` and ``duration_s`` are null.
    """
    acknowledged = (pl.col("state") == "acknowledged").fill_null(value=False)
    rows = log.events.filter((pl.col("kind") == "alarm") & ~acknowledged)
    on = (rows["state"] != "off").fill_null(value=True).to_numpy()
    told = rows["until_s"].to_numpy()
    until, again = _paired(group_of(rows), rows["at_s"].to_numpy(), on)
    until = np.where(np.isfinite(told), told, until)
    until = np.where(until >= rows["at_s"].to_numpy(), until, np.nan)
    ends = np.where(np.isfinite(until), 0, np.where(again, 1, 2)).astype(np.uint8)
    return (
        rows.select(*GROUP, "priority", "at_s", "value", "said", "text", "hour")
        .with_columns(
            pl.Series("until_s", until, nan_to_null=True),
            pl.Series("ends", ends).replace_strict(range(len(ENDS)), ENDS, return_dtype=pl.Enum(ENDS)),
        )
        .filter(on)
        .with_columns(duration_s=pl.col("until_s") - pl.col("at_s"))
    )


def group_of(rows: pl.DataFrame) -> npt.NDArray[np.unsignedinteger]:
    """A number for each bed and name, shape (n,); small, so that sorting by it is quick."""
    beds, names = (rows[key].to_physical().to_numpy() for key in GROUP)
    several = int(names.max(initial=0)) + 1
    small = (int(beds.max(initial=0)) + 1) * several < 1 << 16
    whole = beds.astype(np.uint64) * np.uint64(several) + names.astype(np.uint64)
    return np.asarray(whole, np.uint16 if small else np.uint64)


def _paired(group: npt.NDArray[np.unsignedinteger], at: Times, on: Flags) -> tuple[Times, Flags]:
    """When each row's alarm goes off, NaN where that is not told; and whether it comes on again before.

    Rows are in the order of time, those of one instant and name with off before on.
    """
    order = np.argsort(group, kind="stable")
    at, on, same = at[order], on[order], np.diff(group[order]) == 0
    before_on = np.concatenate([[False], on[:-1] & same])[: len(on)]
    after = np.append(same, False)[: len(on)]
    after_on, after_off = after & np.append(on[1:], False), after & ~np.append(on[1:], True)
    until = np.where(after_off, np.append(at[1:], np.nan), np.nan)
    orphan = ~on & ~before_on
    at_once = np.concatenate([[False], orphan[:-1] & same & (np.diff(at) == 0)])[: len(on)]
    until = np.where(at_once & ~after_off, at, until)
    back_until, back_again = np.empty_like(until), np.empty_like(after_on)
    back_until[order], back_again[order] = until, after_on & ~at_once
    return back_until, back_again


def active_s(alarms: pl.DataFrame, exposed: Mapping[str, Times] | None = None) -> float:
    """Seconds during which at least one alarm of a bed was on, beds added up; alarms without an end count nothing.

    Parameters
    ----------
    alarms : DataFrame
    exposed : mapping of str to ndarray, shape (n, 2), optional
        By bed, spans in order and without overlap: only what lies within them counts.
    """
    known = alarms.select("bed", "at_s", "until_s").drop_nulls("until_s")
    total = 0.0
    for (bed,), part in known.group_by("bed"):
        at, until = part["at_s"].to_numpy(), part["until_s"].to_numpy()
        before = np.maximum.accumulate(np.concatenate([[-np.inf], until]))[: len(at)]
        begin = np.maximum(at, before)
        end = np.maximum(until, begin)
        spans = None if exposed is None else exposed[str(bed)]
        total += float((_within(end, spans) - _within(begin, spans)).sum())
    return total


def _within(at: Times, spans: Times | None) -> Times:
    """Seconds within spans up to each time; all of it where there are none."""
    if spans is None:
        return at
    if not len(spans):
        return np.zeros(len(at))
    behind = np.concatenate([[0.0], np.cumsum(spans[:, 1] - spans[:, 0])])
    return np.asarray(np.interp(at, spans.ravel(), np.repeat(behind, 2)[1:-1]), float)
