"""``tidebench log``: an event log read, laid beside its case, and limits replayed over what was measured."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from tidebench.cli.options import Number, Switch, Words, print_json
from tidebench.cli.printing import as_is, heading, lines, say
from tidebench.cli.progress import progress_bar

if TYPE_CHECKING:
    from rich.console import Console

    from tidebench.care.logs import Words as LogWords
    from tidebench.limits import Policy
    from tidebench.views.section import Section


def log(
    *logs: Path,
    case: Path | None = None,
    review: Path | None = None,
    words: Path | None = None,
    column: Words = (),
    offset: Number = None,
    zero: datetime | None = None,
    bed: str | None = None,
    now: str | None = None,
    then: str | None = None,
    must: Words = (),
    picture: Words = (),
    policy: Path | None = None,
    out: Path | None = None,
    incident: Switch = False,
    json: Switch = False,
) -> None:
    """Read an event log: what it covers, what its alarms come to, what was going on, and limits replayed.

    Parameters
    ----------
    logs : Path
        The log as text; several exports of one log are joined. Without any, limits are replayed alone.
    case : Path
        The case that it belongs to: a folder, or its case.toml.
    review : Path
        The result of a review of this case: breaths and findings, over which limits are replayed.
    words : Path
        What a house's log means by its words, in TOML: columns, kinds, priorities, settings, clock.
    column : str
        What a column holds, such as "When=time" or "Length=duration [s]"; may be given again.
    offset : float
        Seconds that are added to the log's clock.
    zero : datetime
        What the log's clock showed at the first sample of the recording, where nothing else says so.
    bed : str
        The bed of the case, where the log is of several.
    now : str
        A limit as it is, such as peak_pressure_cmh2o.high=40@0, with @ the delay in s.
    then : str
        A limit that it is held against.
    must : str
        What may not be missed, as a limit: stretches beyond it count as true events; may be given again.
    picture : str
        A picture and its moment, such as screen.jpg=605 or screen.jpg=2031-05-04T13:30; may be given again.
    policy : Path
        A house's limits, within which limits are offered; a policy.toml in the case folder unless another is named.
    out : Path
        Where the result goes: a new folder, or an earlier one of this command, which is replaced.
    incident : bool
        Keep the originals in the result, as they are, with their hash.
    json : bool
        Print log.json and nothing else.
    """
    from tidebench.care.logs import Question, asked_of
    from tidebench.errors import OptionError
    from tidebench.logbook import Files, open_logbook, write_logbook

    if incident and out is None:
        raise OptionError("originals are kept in a result", where="--incident", expected="--out FOLDER too")
    told_words = _words(words, column, offset)
    pictures = [_picture(text) for text in picture]
    used = _policy_file(case, policy)
    kept = [*(path for path in (words, used) if path is not None), *(path for path, _ in pictures)]
    files = Files(logs, case, review, kept, incident)
    asked = Question(
        words=told_words,
        zero=zero,
        bed=bed,
        now=None if now is None else asked_of(now, "--now"),
        then=None if then is None else asked_of(then, "--then"),
        must=tuple(asked_of(text, "--must") for text in must),
        pictures=tuple((path.name, moment) for path, moment in pictures),
        policy=_policy(case, policy),
    )
    with progress_bar(shown=not json) as tell:
        tell("reading", 0.0)
        book = open_logbook(files, asked)
        if out is not None:
            write_logbook(book, out, files, tell)
    if json:
        from tidebench.care.logs.as_json import as_json

        print_json(as_json(book.told))
        return
    from rich.console import Console

    from tidebench.caution import CAUTION
    from tidebench.views.logs import log_page

    console = Console(highlight=False)
    for part in log_page(book.told):
        _section(part, console)
    console.print()
    say(CAUTION, console, "italic")
    if out is not None:
        print(f"\nPage: {out.resolve() / 'log.pdf'}")


def _words(path: Path | None, columns: tuple[str, ...], offset: Number) -> LogWords:
    """The words of a file, with what the command line adds."""
    from tidebench.care.logs import Words, load_words
    from tidebench.care.logs.words import Clock
    from tidebench.errors import OptionError

    told = load_words(path) if path else Words()
    pairs = {}
    for text in columns:
        header, equals, role = text.rpartition("=")
        if not equals or not header.strip():
            raise OptionError(f"{text!r} says no role", where="--column", expected='"their header=time"')
        pairs[header.strip()] = role
    told = told.with_columns(pairs)
    if offset is None:
        return told
    if not -1e9 <= offset <= 1e9:
        raise OptionError(f"an offset of {offset:g} s", where="--offset", expected="-1e9 to 1e9 s")
    return told.model_copy(update={"clock": Clock(format=told.clock.format, offset_s=told.clock.offset_s + offset)})


def _picture(text: str) -> tuple[Path, float | datetime]:
    """A picture and its moment.

    Raises
    ------
    OptionError
        No moment, or none that is one; no such file.
    """
    from tidebench.errors import OptionError

    name, equals, moment = text.rpartition("=")
    path = Path(name)
    if not equals or not path.is_file():
        raise OptionError(
            f"{text!r} names no picture with its moment", where="--picture", expected="screen.jpg=605, in s, or a date"
        )
    for read in (float, datetime.fromisoformat):
        try:
            return path, read(moment)
        except ValueError:
            continue
    raise OptionError(f"{moment!r} is no moment", where="--picture", expected="seconds, or 2031-05-04T13:30")


def _policy(case: Path | None, named: Path | None) -> Policy | None:
    """A house's limits: named, or beside the case. What the review needs is loaded for these alone."""
    if case is not None:
        from tidebench.case import load_case
        from tidebench.results import policy_for

        return policy_for(load_case(case), named)
    if named is None:
        return None
    from tidebench.limits import load_policy

    return load_policy(named)


def _policy_file(case: Path | None, named: Path | None) -> Path | None:
    """The file of the policy that is used, which belongs to the incident; None without one."""
    if named is not None or case is None:
        return named
    from tidebench.case import load_case
    from tidebench.results import POLICY_FILE

    beside = load_case(case).folder / POLICY_FILE
    return beside if beside.is_file() else None


def _section(part: Section, console: Console) -> None:
    """A section, readable at 80 columns."""
    from rich.table import Table

    if part.heading:
        heading(part.heading, console)
    for line in part.lines:
        say(line, console)
    if part.rows:
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="italic")
        for k, name in enumerate(part.head):
            table.add_column(as_is(name), justify="right" if k in part.right else "left")
        for row in part.rows:
            table.add_row(*map(as_is, row))
        console.print(table)
    lines(part.after, console)
