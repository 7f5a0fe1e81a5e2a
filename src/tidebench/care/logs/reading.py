"""From files of text to one log: rows of any order, from one export or several that overlap."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from tidebench.care.logs.clock import MICRO, Times, read_times
from tidebench.care.logs.columns import Column, listed, understand
from tidebench.care.logs.meaning import with_meaning
from tidebench.care.logs.words import KINDS, PRIORITIES, PRIORITY_WORDS, STATE_WORDS, STATES, Role, Words, plain
from tidebench.errors import LogError, SignalError
from tidebench.readers.sniff import BLANKS, Layout, sniff

MOST_BYTES = 1 << 30
MOST_ROWS = 20_000_000
MOST_FILES = 50
CELLS: tuple[Role, ...] = (
    "time", "date", "until", "duration", "bed", "kind", "priority", "state", "name", "text", "value", "before",
)  # fmt: skip
SHOWN = 8
ONE_BED = ""

COLUMNS = ("bed", "at_s", "until_s", "kind", "priority", "state", "name", "value", "said", "before", "text", "hour")
"""Columns of the events: ``said`` is the value as written; ``hour`` the hour of the day by the wall's clock."""
EPOCH = datetime(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class Source:
    """A file that was read: its name, its SHA-256, its bytes, its rows, and of each bed the span that it covers."""

    name: str
    sha256: str
    bytes: int
    rows: int
    spans: Mapping[str, tuple[float, float]]


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
    notes: tuple[str, ...] = ()

    @property
    def log_id(self) -> str:
        """Hash of the files' hashes: the same files in any order have the same."""
        return hashlib.sha256("".join(sorted(one.sha256 for one in self.sources)).encode()).hexdigest()


PHRASE = ("kind", "name", "text", "priority", "state")
"""Cells that together say what happened; different combinations are few, so each is looked at once."""


@dataclass(frozen=True)
class _Part:
    """One file, before it is joined to others. ``rows`` has the cells of a phrase as categories, times and values."""

    rows: pl.DataFrame
    name: str
    sha256: str
    size: int
    times: Times
    columns: Mapping[Role, Column]
    notes: tuple[str, ...]


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
    parts = [_part(path, words) for path in files]
    for told, what in (({part.times.wall for part in parts}, "dates"), ({bool(part.times.zone) for part in parts}, "a zone")):
        if len(told) > 1:
            raise LogError(
                f"some files tell {what} and some do not",
                where=", ".join(path.name for path in files),
                expected="one clock",
            )
    return _joined(parts, words)


def _part(path: Path, words: Words) -> _Part:
    layout, digest, size = _opened(path)
    columns = understand(layout.headers, words.columns, path.name)
    cells, notes = _cells(path, layout, columns)
    if cells.height > MOST_ROWS:
        raise LogError(f"the file has {cells.height} rows", where=path.name, expected=f"at most {MOST_ROWS}")
    times = read_times(cells, columns, words.clock.format, path.name, decimal_comma=layout.decimal_comma)
    if not times.at.count():
        raise LogError("no row has a time", where=path.name, expected="a header line, then a row for each event")
    used = {column.index for column in columns.values()}
    unused = [header for i, header in enumerate(layout.headers) if header and i not in used]
    left_out = (f"Columns not read: {listed(unused)}.",) if unused else ()
    rows = _rows(cells, times, decimal_comma=layout.decimal_comma)
    return _Part(rows, path.name, digest, size, times, columns, (*notes, *times.notes, *left_out))


def _opened(path: Path) -> tuple[Layout, str, int]:
    """Layout, hash and size of a file.

    The sniffer's words are those of signals, so that only what it found is kept of its message.
    """
    if not path.is_file():
        problem = "this is not an ordinary file" if path.exists() else "there is no such file"
        raise LogError(problem, where=str(path), expected="an event log as text")
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise LogError(
                f"the file has {size / 2**30:.1f} GiB", where=path.name, expected="at most 1 GiB",
                remedy="Cut it into parts, and name them all.",
            )  # fmt: skip
        layout = sniff(path)
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except SignalError as error:
        remedy = error.remedy if "Paw" not in error.remedy else "Put a line of column names first."
        raise LogError(
            error.problem, where=error.where, expected="an event log as text: a header line, then a row for each event",
            remedy=remedy,
        ) from None  # fmt: skip
    except OSError as error:
        raise LogError(f"this can't be read ({error.strerror or error})", where=str(path)) from error
    if layout.separator == BLANKS:
        raise LogError(
            "no separator is found between columns",
            where=path.name,
            expected="columns separated by a tab, a semicolon or a comma",
        )
    return layout, digest, size


def _cells(path: Path, layout: Layout, columns: Mapping[Role, Column]) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """The cells of the columns that are read, as text."""
    try:
        return _scanned(path, layout, columns), ()
    except pl.exceptions.PolarsError as error:
        if "utf" not in str(error).casefold():
            raise _fault(path, layout, error) from None
    text = path.read_bytes().decode("cp1252", "replace").encode()
    try:
        return _scanned(text, layout, columns), ("The file is not UTF-8: it was read as Windows-1252.",)
    except pl.exceptions.PolarsError as error:
        raise _fault(path, layout, error) from None


def _scanned(source: Path | bytes, layout: Layout, columns: Mapping[Role, Column]) -> pl.DataFrame:
    names = {column.index: role for role, column in columns.items()}
    schema: dict[str, type[pl.DataType]] = {}
    for index in range(len(layout.headers)):
        role = names.get(index)
        schema[role or f"column {index}"] = pl.Categorical if role in (*PHRASE, "bed") else pl.String
    return (
        pl.scan_csv(
            source if isinstance(source, Path) else io.BytesIO(source),
            has_header=False,
            skip_lines=layout.skip_lines,
            separator=layout.separator,
            schema=schema,
            quote_char='"',
        )
        .select([role for role in CELLS if role in columns])
        .with_columns(pl.col(pl.String).str.strip_chars() if layout.padded else [])
        .collect()
    )


def _fault(path: Path, layout: Layout, error: Exception) -> LogError:
    return LogError(
        f"the rows can't be read ({str(error).splitlines()[0][:120]})",
        where=path.name,
        expected=f"{len(layout.headers)} cells in a row, as the header has names",
        remedy="Text that holds the separator, or a line end, needs quotes around it.",
    )


def _rows(cells: pl.DataFrame, times: Times, *, decimal_comma: bool) -> pl.DataFrame:
    """Rows with their times, the cells of their phrase, and their value."""
    there = {key: pl.col(key) if key in cells.columns else pl.lit(None, pl.Categorical) for key in (*PHRASE, "bed")}
    said, before = (pl.col(key) if key in cells.columns else pl.lit(None, pl.String) for key in ("value", "before"))
    pointed = said.str.replace(",", ".", literal=True) if decimal_comma else said
    number = pointed.cast(pl.Float64, strict=False)
    return cells.select(
        times.at.alias("at"),
        times.until.alias("until"),
        times.local.alias("local"),
        *(cell.alias(key) for key, cell in there.items()),
        pl.when(number.is_finite()).then(number).alias("value"),
        said.alias("said"),
        before.alias("before"),
    )


def _classified(
    phrases: pl.DataFrame, words: Words, *, alarms_only: bool
) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Phrases with kind, priority and state in the words of this package; notes name words that nobody knows."""
    priorities = {word: one for one, said in PRIORITY_WORDS.items() for word in said}
    priorities |= {plain(word): one for word, one in words.priorities.items()}
    states = {word: one for one, said in STATE_WORDS.items() for word in said}
    states |= {plain(word): one for word, one in words.states.items()}
    priority, strange_priorities = _translated(phrases["priority"], priorities)
    state, strange_states = _translated(phrases["state"], states)
    graded = priority.is_in(PRIORITIES[:3]).fill_null(value=False) | alarms_only
    unsaid = pl.when(graded).then(pl.lit("alarm")).otherwise(pl.lit("other"))
    found = phrases.with_columns(
        priority.alias("meant_priority"),
        pl.coalesce(state, "meant_state").alias("meant_state"),
        pl.coalesce("meant_kind", unsaid).alias("meant_kind"),
    )
    quiet = (pl.col("meant_kind") == "alarm") & (pl.col("meant_priority") == "information")
    found = found.with_columns(pl.when(quiet).then(pl.lit("message")).otherwise("meant_kind").alias("meant_kind"))
    unknown = found.filter(pl.col("meant_kind") == "other")["meant_name"].unique().sort().to_list()
    notes = [
        _strange(strange_priorities, "priority", "[priorities]"),
        _strange(strange_states, "on or off", "[states]"),
        _strange(unknown, "kind of event", "[kinds]"),
    ]
    return found, tuple(note for note in notes if note)


def _translated(cells: pl.Series, known: Mapping[str, str]) -> tuple[pl.Series, list[str]]:
    """Words in this package's own, null where nobody knows them; and those."""
    meant = pl.Series([known.get(plain(word)) if word else None for word in cells], dtype=pl.String)
    return meant, cells.filter(meant.is_null() & cells.is_not_null()).unique().sort().to_list()


def _strange(words: list[str], what: str, table: str) -> str:
    if not words:
        return ""
    told = ", ".join(repr(word[:40]) for word in words[:SHOWN])
    more = f" and {len(words) - SHOWN} more" if len(words) > SHOWN else ""
    return f"No {what} is known for {told}{more}: say it in {table} of a file of words."


def _joined(parts: Sequence[_Part], words: Words) -> Log:
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
        start=EPOCH + timedelta(microseconds=int(read["local"][earliest]) + offset) if wall else None,
        zone=next(iter(zones)) if len(zones) == 1 else "mixed",
        utc=EPOCH.replace(tzinfo=UTC) + timedelta(microseconds=zero + offset) if any(zones) else None,
        sources=tuple(_source(part, zero) for part in parts),
        columns={role: column.header for role, column in columns.items()},
        proposed=tuple(role for role, column in columns.items() if not column.told),
        unread=rows.height - read.height,
        repeated=read.height - ordered.height,
        capacity_rows=words.capacity_rows,
        notes=tuple(dict.fromkeys((*(note for part in parts for note in part.notes), *notes))),
    )


def _phrases(
    rows: pl.DataFrame, parts: Sequence[_Part], words: Words
) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Each combination of cells that say what happened: as written (``written_kind`` ...), and as it is meant.

    Sorted by its text, so that the order of the rows doesn't matter.
    """
    found = rows.select(PHRASE).unique()
    bare = pl.col(pl.String).str.strip_chars()
    text = found.cast(pl.String).select(pl.when(bare != "").then(bare).name.keep())
    where = ", ".join(part.name for part in parts)
    headers = [part.columns[role].header for part in parts for role in ("name", "text") if role in part.columns]
    meant, notes = with_meaning(text, words, where)
    classified, strange = _classified(meant, words, alarms_only=any("alarm" in header.casefold() for header in headers))
    whole = pl.concat([classified, found.rename({key: f"written_{key}" for key in PHRASE})], how="horizontal")
    return whole.sort(PHRASE).with_row_index("phrase"), (*notes, *strange)


def _ordered(read: pl.DataFrame, phrases: pl.DataFrame) -> pl.DataFrame:
    """Rows in the order of time, then of place and phrase; what says again what another row says is left out."""
    written = [f"written_{key}" for key in PHRASE]
    told = read.join(
        phrases.select("phrase", *written), left_on=PHRASE, right_on=written, how="left", nulls_equal=True
    ).drop(PHRASE)
    beds = told["bed"].unique().cast(pl.String).fill_null(ONE_BED).str.strip_chars().unique().sort()
    told = told.with_columns(pl.col("bed").cast(pl.String).fill_null(ONE_BED).str.strip_chars().cast(pl.Enum(beds)))
    ordered = told.sort(pl.col("at"), pl.col("bed").to_physical(), "phrase", "value", "until", "said", "before")
    keys = [key for key in ordered.columns if key != "local"]
    again = pl.all_horizontal(pl.col(key).eq_missing(pl.col(key).shift()) for key in keys)
    return ordered.filter(~again)


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


def _source(part: _Part, zero: int) -> Source:
    bed = pl.col("bed").cast(pl.String).fill_null(ONE_BED).str.strip_chars()
    first, last = (((moment - zero) / MICRO) for moment in (pl.col("at").min(), pl.col("at").max()))
    spans = part.rows.drop_nulls("at").group_by(bed).agg(first.alias("first"), last.alias("last"))
    covered = {place: (begun, ended) for place, begun, ended in sorted(spans.iter_rows())}
    return Source(part.name, part.sha256, part.size, part.rows.height, covered)
