"""From rows to alarms: each with its start, and its end where the log tells one."""

from __future__ import annotations

import polars as pl

from tidebench.care.logs.log import Log

GRADES = ("high", "medium", "low")
"""Priorities of alarm conditions by IEC 60601-1-8; an information signal is none."""
GROUP = ("bed", "name")
ENDS = ("logged", "comes again", "not logged")


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
    rows = (
        log.events.lazy()
        .filter((pl.col("kind") == "alarm") & (pl.col("state").is_null() | (pl.col("state") != "acknowledged")))
        .with_columns(on=(pl.col("state") != "off").fill_null(value=True))
        .sort("bed", "name", "at_s", "on", maintain_order=True)  # off before on
    )
    before_on, before_at = (beside(key, 1) for key in ("on", "at_s"))
    after_on, after_at = (beside(key, -1) for key in ("on", "at_s"))
    paired = (
        rows.with_columns(orphan=~pl.col("on") & ~before_on.fill_null(value=False))
        .with_columns(
            next_off=pl.when(~after_on).then(after_at),
            again=after_on.fill_null(value=False),
            at_once=(beside("orphan", 1) & (before_at == pl.col("at_s"))).fill_null(value=False),
        )
        .filter("on")
    )
    open_end = pl.coalesce("until_s", "next_off")
    until = pl.when(pl.col("at_once") & open_end.is_null()).then("at_s").otherwise(open_end)
    until = pl.when(until >= pl.col("at_s")).then(until)
    ends = (
        pl.when(pl.col("until_s").is_not_null()).then(pl.lit("logged"))
        .when("again").then(pl.lit("comes again")).otherwise(pl.lit("not logged"))
    )  # fmt: skip
    return (
        paired.with_columns(until_s=until)
        .with_columns(duration_s=pl.col("until_s") - pl.col("at_s"), ends=ends.cast(pl.Enum(ENDS)))
        .select(*GROUP, "priority", "at_s", "until_s", "duration_s", "ends", "value", "said", "text", "hour")
        .sort("at_s", *GROUP, maintain_order=True)
        .collect()
    )


def beside(key: str, rows: int) -> pl.Expr:
    """A column so many rows before (or after, negative) in a table sorted by :data:`GROUP`; null in another group."""
    same = pl.all_horizontal(pl.col(part) == pl.col(part).shift(rows) for part in GROUP)
    return pl.when(same).then(pl.col(key).shift(rows))


def active_s(alarms: pl.DataFrame) -> float:
    """Seconds during which at least one alarm of a bed was on, beds added up; alarms without an end count nothing."""
    known = alarms.lazy().drop_nulls("until_s").sort("bed", "at_s")
    begun = pl.max_horizontal("at_s", pl.col("until_s").cum_max().shift(1).over("bed"))
    new = (pl.col("until_s") - begun).clip(lower_bound=0.0)
    total = known.select(new.sum()).collect().item()
    return float(total or 0.0)
