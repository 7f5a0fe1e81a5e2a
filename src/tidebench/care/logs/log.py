"""A log: rows of any order, from one export or several that overlap, as events in the order of time."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from tidebench.care.logs.clock import EPOCH_DAY, MICRO
from tidebench.care.logs.meaning import classified, with_meaning
from tidebench.care.logs.reading import PHRASE, Part, read_part
from tidebench.care.logs.words import KINDS, PRIORITIES, STATES, Words
from tidebench.errors import LogError

MOST_FILES = 50
SHOWN = 8
ONE_BED = ""

COLUMNS = ("bed", "at_s", "until_s", "kind", "priority", "state", "name", "value", "said", "before", "text", "hour")
"""Columns of the events: ``said`` is the value as written; ``hour`` the hour of the day by the wall's clock."""


@dataclass(frozen=True, slots=True)
class Source:
    """A file that was read: its name, its SHA-256, its bytes, its rows, and of each bed the spans that it covers."""

    name: str
    sha256: str
    bytes: int
    rows: int
    spans: Mapping[str, tuple[tuple[float, float], ...]]


@dataclass(frozen=True)
class Log:
    """An event log.

    Attributes
    ----------
    events : polars.DataFrame
        :data:`COLUMNS`, in the order of time; 0 s is the first event, or the log's own zero where it counts seconds.
    start : datetime or None
        What the wall's clock showed at 0 s, without a zone; None where the log has no dates.
    zone : str
        ``"+01:00"``, ``"mixed"``, or empty where stamps have none.
    utc : datetime or None
        The same instant in UTC, with that zone; None where stamps have none.
    sources : tuple of Source
    columns : mapping of str to str
        Role to header, as the first file has it; ``proposed`` names those that nobody told.
    proposed : tuple of str
    unread : int
        Rows whose time could not be read, left out.
    repeated : int
        Rows that say again what another says, left out.
    capacity_rows : int or None
        How many rows a log of this kind keeps, where a person said so.
    set_back : tuple of (datetime, float)
        What the clock showed last before it was set back, and by how many seconds later rows were moved on.
    notes : tuple of str
    """

    events: pl.DataFrame
    start: datetime | None
    zone: str
    utc: datetime | None
    sources: tuple[Source, ...]
    columns: Mapping[str, str]
    proposed: tuple[str, ...]
    unread: int
    repeated: int
    capacity_rows: int | None = None
    set_back: tuple[tuple[datetime, float], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def log_id(self) -> str:
        """Hash of the files' hashes: the same files in any order have the same."""
        return hashlib.sha256("".join(sorted(one.sha256 for one in self.sources)).encode()).hexdigest()


def read_log(paths: Sequence[Path | str] | Path | str, words: Words | None = None) -> Log:
    """The log that one file holds, or several exports of the same log together.

    Parameters
    ----------
    paths : path, or sequence of path
        Text with a header line; see :mod:`tidebench.readers.sniff` for separators and encodings.
    words : Words, optional
        A house's own words and columns.

    Raises
    ------
    LogError
        No such file, too large, no text; a column that is missing or claimed twice; times that can't be read; files
        whose clocks can't be compared.
    """
    words = words or Words()
    files = [Path(paths)] if isinstance(paths, (str, Path)) else [Path(path) for path in paths]
    if not 1 <= len(files) <= MOST_FILES:
        raise LogError(f"{len(files)} files are given", where="log", expected=f"1 to {MOST_FILES}")
    parts = [read_part(path, words) for path in files]
    for told, what in (
        ({part.times.wall for part in parts}, "dates"),
        ({bool(part.times.zone) for part in parts}, "a zone"),
    ):
        if len(told) > 1:
            raise LogError(
                f"some files tell {what} and some do not",
                where=", ".join(path.name for path in files),
                expected="one clock",
            )
    return _joined([_as_others(part, parts) for part in parts], words)


def _as_others(part: Part, parts: Sequence[Part]) -> Part:
    """A file that begins after the clock was set back in another is moved on as that one's later rows are."""
    begin = part.rows["at"].min()
    steps = () if part.set_back else [step for other in parts for step in other.set_back]
    moved = sum(step.moved for step in steps if isinstance(begin, int) and begin > step.before)
    return replace(part, rows=part.rows.with_columns(pl.col("at", "until") + moved)) if moved else part


def _joined(parts: Sequence[Part], words: Words) -> Log:
    """One log of all parts, in the order of time."""
    wall, offset = parts[0].times.wall, round(words.clock.offset_s * MICRO)
    rows = pl.concat([part.rows for part in parts]) if len(parts) > 1 else parts[0].rows
    phrases, notes = _phrases(rows, parts, words)
    read = rows.filter(pl.col("at").is_not_null())
    earliest = read["at"].arg_min() or 0
    zero = int(read["at"][earliest]) if wall else -offset
    ordered = _ordered(read, phrases)
    zones, columns = {part.times.zone for part in parts}, parts[0].columns
    return Log(
        events=_events(ordered, phrases, zero, offset if wall else None),
        start=EPOCH_DAY + timedelta(microseconds=int(read["local"][earliest]) + offset) if wall else None,
        zone=next(iter(zones)) if len(zones) == 1 else "mixed",
        utc=EPOCH_DAY.replace(tzinfo=UTC) + timedelta(microseconds=zero + offset) if any(zones) else None,
        sources=tuple(_source(part, zero) for part in parts),
        columns={role: column.header for role, column in columns.items()},
        proposed=tuple(role for role, column in columns.items() if not column.told),
        unread=rows.height - read.height,
        repeated=read.height - ordered.height,
        capacity_rows=words.capacity_rows,
        set_back=tuple(
            (EPOCH_DAY + timedelta(microseconds=step.before + offset), step.moved / MICRO)
            for part in parts
            if wall
            for step in part.set_back
        ),
        notes=tuple(dict.fromkeys((*(note for part in parts for note in part.notes), *notes))),
    )


def _phrases(rows: pl.DataFrame, parts: Sequence[Part], words: Words) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Each combination of cells that say what happened: as written (``written_kind`` ...), and as it is meant.

    Sorted by name, off before on, so that the order of the rows doesn't matter.
    """
    found = rows.select(PHRASE).unique()
    bare = pl.col(pl.String).str.strip_chars()
    text = found.cast(pl.String).select(pl.when(bare != "").then(bare).name.keep())
    where = ", ".join(part.name for part in parts)
    headers = [part.columns[role].header for part in parts for role in ("name", "text") if role in part.columns]
    meant, notes = with_meaning(text, words, where)
    told, strange = classified(meant, words, alarms_only=any("alarm" in header.casefold() for header in headers))
    whole = pl.concat([told, found.rename({key: f"written_{key}" for key in PHRASE})], how="horizontal")
    off_first = (pl.col("meant_state") != "off").fill_null(value=True)
    return whole.sort("meant_name", off_first, *PHRASE).with_row_index("phrase"), (*notes, *strange)


def _ordered(read: pl.DataFrame, phrases: pl.DataFrame) -> pl.DataFrame:
    """Rows in the order of time, then of place and phrase; what says again what another row says is left out."""
    written = [f"written_{key}" for key in PHRASE]
    told = read.join(
        phrases.select("phrase", *written), left_on=PHRASE, right_on=written, how="left", nulls_equal=True
    ).drop(PHRASE)
    told = told.with_columns(_beds(told["bed"]))
    ordered = told.sort(pl.col("at"), pl.col("bed").to_physical(), "phrase", "value", "until", "said", "before")
    keys = [key for key in ordered.columns if key != "local"]
    again = pl.all_horizontal(pl.col(key).eq_missing(pl.col(key).shift()) for key in keys)
    return ordered.filter(~again)


def _beds(cells: pl.Series) -> pl.Series:
    """Beds by name, in the order of their names; one without a name where no column tells any."""
    if cells.null_count() == len(cells):
        return pl.repeat(ONE_BED, len(cells), dtype=pl.Enum([ONE_BED]), eager=True).alias("bed")
    names = cells.cast(pl.String).fill_null(ONE_BED).str.strip_chars()
    return names.cast(pl.Enum(names.unique().sort()))


def _events(ordered: pl.DataFrame, phrases: pl.DataFrame, zero: int, wall_offset: int | None) -> pl.DataFrame:
    """Rows as events: :data:`COLUMNS`."""
    names = pl.Enum(phrases["meant_name"].unique().sort())
    kinds: dict[str, pl.DataType] = {"kind": pl.Enum(KINDS), "priority": pl.Enum(PRIORITIES), "state": pl.Enum(STATES)}
    index = ordered["phrase"]
    told = {key: phrases[f"meant_{key}"].cast(kind).gather(index) for key, kind in (*kinds.items(), ("name", names))}
    hour = pl.lit(None, pl.Int8)
    if wall_offset is not None:
        hour = ((pl.col("local") + wall_offset) // (3600 * MICRO) % 24).cast(pl.Int8)
    return ordered.select(
        "bed",
        ((pl.col("at") - zero) / MICRO).alias("at_s"),
        ((pl.col("until") - zero) / MICRO).alias("until_s"),
        *(values.alias(key) for key, values in told.items()),
        "value",
        "said",
        "before",
        phrases["text"].gather(index).alias("text"),
        hour.alias("hour"),
    )


def _source(part: Part, zero: int) -> Source:
    first, last = (((moment - zero) / MICRO) for moment in (pl.col("at").min(), pl.col("at").max()))
    rows = part.rows.select("at", "stretch", _beds(part.rows["bed"])).drop_nulls("at")
    spans = rows.group_by("bed", "stretch").agg(first.alias("first"), last.alias("last"))
    covered: dict[str, tuple[tuple[float, float], ...]] = {}
    for place, _, begun, ended in sorted(spans.iter_rows()):
        covered[place] = (*covered.get(place, ()), (begun, ended))
    return Source(part.name, part.sha256, part.size, len(part.times.at), covered)
