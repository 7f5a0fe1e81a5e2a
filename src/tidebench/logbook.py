"""An event log from files to a result on disk: tables, figures, a page, and originals with their hash, put whole."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl
import tomlkit

from tidebench.care.logs import Question, Reviewed, Told, read_log, tell
from tidebench.care.logs.as_json import as_json
from tidebench.care.logs.tradeoff import table_of
from tidebench.case import CASE_FILE, Case, load_case
from tidebench.errors import OptionError, OutputError
from tidebench.store import Identity, keep_other_results, new_result, read_result
from tidebench.views.logs import originals, timeline_section
from tidebench.views.section import Section

Progress = Callable[[str, float], None]
MARK = "logged"
LOG = "log"
"""The folder in a case's that holds what its log tells."""
ASIDE = ".log-taken-out"
"""Where a log waits that was taken out of its case."""
MOST_BYTES = 256 << 20
MOST_ORIGINALS = 60
HEAD = "Rebuilt from an event log, to look at. The case and the log are as they were; nothing was overwritten."


@dataclass(frozen=True)
class Files:
    """Where a log, its case and a review lie, and what else belongs to the incident.

    ``kept`` are further originals (a file of words, pictures) that are hashed, and copied where ``incident`` is set.
    """

    logs: Sequence[Path] = ()
    case: Path | None = None
    review: Path | None = None
    kept: Sequence[Path] = ()
    incident: bool = False


@dataclass(frozen=True)
class Original:
    """A file as it was read: what it is called in the result, where it lies, its SHA-256 and its size."""

    name: str
    path: Path
    sha256: str
    bytes: int


@dataclass(frozen=True)
class Logbook:
    """What is told, and the originals that it was told from."""

    told: Told
    originals: tuple[Original, ...] = field(default=())

    @property
    def sections(self) -> tuple[Section, ...]:
        """What the page adds to what is told."""
        rows = [(one.name, one.sha256, one.bytes) for one in self.originals]
        return timeline_section(self.told), originals(rows)


def open_logbook(files: Files, asked: Question) -> Logbook:
    """Read log, case and review, and tell what they say together.

    Raises
    ------
    InputError
        A file can't be used, or they don't belong together.
    """
    case = load_case(files.case) if files.case is not None else None
    reviewed = reviewed_of(files.review, case) if files.review is not None else None
    log = read_log(files.logs, asked.words) if files.logs else None
    hashed = {} if log is None else dict(zip(files.logs, (one.sha256 for one in log.sources), strict=True))
    return Logbook(tell(log, case, reviewed, asked), tuple(_originals(files, case, hashed)))


def reviewed_of(folder: Path, case: Case | None) -> Reviewed:
    """What the result of a review holds.

    Raises
    ------
    InputError
        As :func:`tidebench.results.reviewed_result`.
    """
    from tidebench.results import reviewed_result

    reviewed_result(folder, case)
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    breaths, findings = (pl.read_parquet(folder / f"{name}.parquet", glob=False) for name in ("breaths", "findings"))
    return Reviewed(breaths, findings, summary["holds"])


def write_logbook(book: Logbook, out: Path, files: Files, progress: Progress | None = None) -> None:
    """Put the folder ``out``, whole or not at all.

    Raises
    ------
    OutputError
        ``out`` holds something else, or can't be written.
    """
    tell_of = progress or (lambda _stage, _share: None)
    keep_other_results(out, MARK)
    told = book.told
    with new_result(out) as draft:
        tell_of("writing tables", 0.0)
        metadata = _identity(book, files).metadata
        _tables(told, draft.folder, metadata)
        said = {**as_json(told), "originals": [_said(one) for one in book.originals]}
        text = json.dumps(said, ensure_ascii=False, indent=2, allow_nan=False)
        (draft.folder / "log.json").write_text(text + "\n", encoding="utf-8", newline="\n")
        if told.settings.tables:
            (draft.folder / "settings.toml").write_text(settings_toml(told), encoding="utf-8", newline="\n")
        if files.incident:
            _keep(book.originals, draft.folder / "originals")
        tell_of("drawing", 0.5)
        _page(book, draft.folder)
        draft.identity = _identity(book, files)


def _identity(book: Logbook, files: Files) -> Identity:
    told = book.told
    options = {MARK: True, "incident": files.incident, "originals": {one.name: one.sha256 for one in book.originals}}
    return Identity(told.log.log_id if told.log else "", told.case.case_hash if told.case else "", options)


def _tables(told: Told, folder: Path, metadata: dict[str, str]) -> None:
    told.timeline.write_parquet(folder / "timeline.parquet", metadata=metadata)
    if told.alarms is not None:
        told.alarms.cast({pl.Enum: pl.String}).write_parquet(folder / "alarms.parquet", metadata=metadata)
    if told.tradeoffs:
        table_of(told.tradeoffs).write_parquet(folder / "replay.parquet", metadata=metadata)
    if told.changed is not None:
        told.changed.gone.write_parquet(folder / "gone.parquet", metadata=metadata)


def _page(book: Logbook, folder: Path) -> None:
    """Figures as SVG, and the page as PDF."""
    from tidebench.report.logs import log_figures, log_pdf

    figures = log_figures(book.told)
    for name, picture in figures.items():
        (folder / f"{name}.svg").write_text(picture.standing_alone, encoding="utf-8", newline="\n")
    (folder / "log.pdf").write_bytes(log_pdf(book.told, figures, book.sections))


def settings_toml(told: Told) -> str:
    """The rebuilt ``[[settings]]`` as TOML, with where they come from."""
    document = tomlkit.document()
    for line in (HEAD, *(f"{one.name}, SHA-256 {one.sha256}" for one in (told.log.sources if told.log else ()))):
        document.add(tomlkit.comment(line))
    if told.start is not None:
        document.add(tomlkit.comment(f"0 s is {told.start.isoformat(sep=' ', timespec='seconds')} by the log's clock."))
    tables = tomlkit.aot()
    for row in told.settings.tables:
        table = tomlkit.table()
        table.update(row)
        tables.append(table)
    document.add("settings", tables)
    return tomlkit.dumps(document)


def _originals(files: Files, case: Case | None, hashed: Mapping[Path, str]) -> Iterator[Original]:
    """Every file that was read, with its hash; two of one name are told apart by a number."""
    paths = [*files.logs, *files.kept]
    if files.case is not None and case is not None:
        paths.append(files.case / CASE_FILE if files.case.is_dir() else files.case)
        paths += [case.path_of(part) for part in case.recordings]
    if len(paths) > MOST_ORIGINALS:
        raise OptionError(f"{len(paths)} files are given", expected=f"at most {MOST_ORIGINALS}")
    taken: dict[str, int] = {}
    for path in dict.fromkeys(paths):
        if not path.is_file():
            raise OptionError("there is no such file", where=str(path))
        number = taken[path.name] = taken.get(path.name, 0) + 1
        name = path.name if number == 1 else f"{path.stem}-{number}{path.suffix}"
        yield Original(name, path, hashed.get(path) or _hash(path), path.stat().st_size)


def _said(one: Original) -> dict[str, Any]:
    return {"name": one.name, "sha256": one.sha256, "bytes": one.bytes}


def _keep(kept: Sequence[Original], folder: Path) -> None:
    """Copy originals as they are.

    Raises
    ------
    OptionError
        One of them is too large to be copied, or changed since it was read.
    """
    folder.mkdir()
    for one in kept:
        if one.bytes > MOST_BYTES:
            raise OptionError(
                f"{one.name} has {one.bytes / 2**20:.0f} MiB", where="--incident", expected="originals up to 256 MiB",
                remedy="Leave --incident out: the hash is kept in any case.",
            )  # fmt: skip
        shutil.copyfile(one.path, folder / one.name)
        if _hash(folder / one.name) != one.sha256:
            raise OptionError("the file changed while it was read", where=str(one.path), remedy="Try again.")


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@dataclass(frozen=True)
class Kept:
    """A log that lies with its case: names of its files, and the folder of what it tells."""

    files: tuple[str, ...]
    folder: Path


def keep_with_case(
    log: Path,
    unwanted: Sequence[str],
    case: Path,
    review: Path | None,
    asked: Question,
    progress: Progress | None = None,
) -> Kept:
    """Put a log into a case's folder: its file, without unwanted columns, and what it tells in ``log``.

    Raises
    ------
    InputError
        As :func:`open_logbook` and :func:`write_logbook`; nothing is then left there.
    """
    from tidebench.readers.preview import without

    target = _free(case, log)
    try:
        if unwanted:
            without(log, unwanted, target)
        else:
            shutil.copyfile(log, target)
        files = Files((target,), case, review)
        write_logbook(open_logbook(files, asked), case / LOG, files, progress)
    except BaseException:
        target.unlink(missing_ok=True)
        raise
    return Kept((target.name,), case / LOG)


def kept_with_case(case: Path) -> Kept | None:
    """The log that lies with a case; None without one."""
    try:
        result = read_result(case / LOG)
        told = json.loads((result.folder / "log.json").read_text(encoding="utf-8"))
    except (OutputError, OSError, ValueError):
        return None
    if MARK not in result.manifest.get("options", {}):
        return None
    return Kept(tuple(source["name"] for source in told["sources"]), result.folder)


def take_out_of_case(case: Path) -> None:
    """Take the log that lies with a case out of it: it waits aside, until another is taken out.

    Raises
    ------
    OptionError
        There is none.
    """
    kept = kept_with_case(case)
    if kept is None:
        raise OptionError("there is no log with this case", where=case.name)
    shutil.rmtree(case / ASIDE, ignore_errors=True)
    (case / ASIDE).mkdir()
    kept.folder.rename(case / ASIDE / LOG)
    for path in (case / Path(name).name for name in kept.files):
        if path.is_file():
            path.rename(case / ASIDE / path.name)


def put_back_into_case(case: Path) -> None:
    """Put the log that was taken out of a case back.

    Raises
    ------
    OptionError
        None was, or something else lies in its place.
    """
    waiting = list((case / ASIDE).iterdir()) if (case / ASIDE).is_dir() else []
    if not waiting:
        raise OptionError("there is no log that was taken out", where=case.name)
    for path in waiting:
        if (case / path.name).exists():
            raise OptionError(f"{path.name} lies there already", where=case.name)
    for path in waiting:
        path.rename(case / path.name)
    (case / ASIDE).rmdir()


def _free(case: Path, log: Path) -> Path:
    """A name in the case's folder that nothing has."""
    names = (log.name if n == 1 else f"{log.stem}-{n}{log.suffix}" for n in range(1, MOST_ORIGINALS))
    return case / next(name for name in names if not (case / name).exists())
