"""One timeline: the log's events, and what case, review and pictures tell of the same hours."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from tidebench.care.logs.rebuilt import Rebuilt
from tidebench.case import BloodGas, Case, Setting
from tidebench.quantities import quantity

SCHEMA: dict[str, type[pl.DataType]] = {
    "at_s": pl.Float64,
    "until_s": pl.Float64,
    "time": pl.Datetime,
    "source": pl.String,
    "kind": pl.String,
    "priority": pl.String,
    "state": pl.String,
    "what": pl.String,
    "bed": pl.String,
}
"""Columns: ``source`` is ``log``, ``case``, ``review`` or ``picture``; ``time`` the wall's clock, where it is known."""

Row = tuple[float, float | None, str, str, str]
"""Begin, end, source, kind, what."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture or another document, and the moment it stands for."""

    name: str
    at_s: float


def timeline(
    events: pl.DataFrame | None,
    case: Case | None,
    findings: pl.DataFrame | None,
    holds: Sequence[Mapping[str, Any]],
    pictures: Sequence[Picture],
    start: datetime | None,
) -> pl.DataFrame:
    """Everything in the order of time.

    Parameters
    ----------
    events : DataFrame or None
        Of a log, on the case clock.
    case : Case or None
        Its settings, gases, noted numbers and events.
    findings : DataFrame or None
        Of a review.
    holds : sequence of mapping
        As ``summary.json`` has them.
    pictures : sequence of Picture
    start : datetime or None
        Wall time of 0 s.
    """
    rows: list[Row] = [(one.at_s, None, "picture", "picture", one.name) for one in pictures]
    rows += _of_case(case, start) if case else []
    rows += [
        (hold["at_s"] - hold["duration_s"], hold["at_s"], "review", "hold", f"{hold['kind']} hold") for hold in holds
    ]
    if findings is not None:
        told = findings.select("start_s", "end_s", "kind", "evidence").iter_rows()
        rows += [(begin, end, "review", kind, evidence) for begin, end, kind, evidence in told]
    names = ("at_s", "until_s", "source", "kind", "what")
    others = pl.DataFrame(rows, schema={name: SCHEMA[name] for name in names}, orient="row")
    parts = [others.with_columns(pl.lit(None, SCHEMA[name]).alias(name) for name in SCHEMA if name not in names)]
    if events is not None:
        parts.append(_of_log(events))
    whole = pl.concat([part.select(key for key in SCHEMA if key != "time") for part in parts]).sort(
        "at_s", maintain_order=True
    )
    moment = pl.lit(None, pl.Datetime)
    if start is not None:
        moment = pl.lit(start) + pl.duration(microseconds=(pl.col("at_s") * 1e6).round().cast(pl.Int64))
    return whole.with_columns(moment.cast(pl.Datetime("us")).alias("time")).select(SCHEMA.keys())


def _of_log(events: pl.DataFrame) -> pl.DataFrame:
    told = pl.concat_str(pl.col("name").cast(pl.String), pl.col("said"), separator=" ", ignore_nulls=True)
    words = ("kind", "priority", "state", "bed")
    return events.select(
        "at_s",
        "until_s",
        pl.lit("log").alias("source"),
        told.alias("what"),
        *(pl.col(key).cast(pl.String) for key in words),
    )


def _of_case(case: Case, start: datetime | None) -> Iterator[Row]:
    for event in case.events:
        yield event.at_s, None, "case", event.kind, event.text or event.kind
    for setting in case.settings:
        yield setting.at_s, None, "case", "settings", _setting(setting)
    for gas in case.blood_gases:
        at_s = gas.at_s if gas.time is None else _after(gas.time, start)
        if at_s is not None:
            yield at_s, None, "case", "blood gas", _gas(gas)
    for seen in case.observed:
        numbers = ", ".join(_number(key, value, "observed") for key, value in seen.numbers.items())
        yield seen.at_s, None, "case", "noted", numbers or "nothing in numbers"


def _after(time: datetime, start: datetime | None) -> float | None:
    return None if start is None else (time.replace(tzinfo=None) - start).total_seconds()


def _number(key: str, value: float, table: str) -> str:
    record = quantity(key, table)
    return f"{record.symbol} {record.text(value)}"


def _setting(setting: Setting) -> str:
    said = setting.model_dump(exclude={"at_s"}, exclude_unset=True, exclude_none=True)
    return ", ".join(
        value if isinstance(value, str) else _number(key, value, "settings") for key, value in said.items()
    )


def _gas(gas: BloodGas) -> str:
    said = gas.model_dump(exclude={"at_s", "time", "site"}, exclude_none=True)
    return ", ".join(
        [gas.site or "site not stated", *(_number(key, value, "blood_gases") for key, value in said.items())]
    )


def changed_at(case: Case | None, told: Rebuilt) -> list[float]:
    """When settings were changed, by case and log."""
    by_case = [setting.at_s for setting in case.settings[1:]] if case else []
    return sorted({*by_case, *(change.at_s for change in told.changes)})
