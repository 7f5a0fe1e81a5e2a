"""``tidebench lesson``: lessons listed, checked, taken, made of a case, printed, and their record kept."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, Parameter

from tidebench.cli.progress import progress_bar

if TYPE_CHECKING:
    from rich.console import Console

    from tidebench.lessons.check import Checked
    from tidebench.lessons.record import Record

lesson = App(name="lesson", help="Lessons from virtual patients and reviewed cases.", help_format="plaintext")
record = App(name="record", help="What was learned and observed, kept and deleted.", help_format="plaintext")
lesson.command(record)

RECORD = Path("lessons.sqlite")
BAD = 1


@lesson.command(name="list")
def list_lessons() -> None:
    """List the lessons that come with the program, in the order in which they are taught."""
    from rich.console import Console
    from rich.table import Table

    from tidebench.cli.printing import as_is
    from tidebench.lessons.shelf import lesson_names, open_lesson

    console = Console(highlight=False)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for head in ("lesson", "title", "min", "for whom"):
        table.add_column(head, overflow="fold")
    for name in lesson_names():
        found, _ = open_lesson(name)
        table.add_row(*map(as_is, (name, found.title, str(found.minutes), found.audience)))
    console.print(table)


@lesson.command
def check(name: str, /, *, seeds: int = 10, first_seed: int = 1) -> None:
    """Play a lesson with made-up learners: perfect passes, random fails, every step can be answered.

    Parameters
    ----------
    name : str
        A lesson of the program (`tidebench lesson list`), a folder with a lesson.toml, or all.
    seeds : int
        How many times each patient is drawn, 1 to 1000.
    first_seed : int
        The first seed; others follow.
    """
    from rich.console import Console

    from tidebench.errors import OptionError
    from tidebench.lessons.check import check as check_lesson
    from tidebench.lessons.shelf import lesson_names, open_lesson

    if not 1 <= seeds <= 1000 or first_seed < 0:
        raise OptionError(f"seeds {seeds} from {first_seed}", where="lesson check", expected="1 to 1000, from 0 on")
    names = lesson_names() if name == "all" else (name,)
    good = True
    for one in names:
        found, folder = open_lesson(one)
        with progress_bar() as tell:
            done = check_lesson(found, folder, seeds, first_seed, tell)
        _print_check(one, done, Console(highlight=False))
        good &= done.good
    if not good:
        raise SystemExit(BAD)


def _print_check(name: str, done: Checked, console: Console) -> None:
    from tidebench.cli.printing import heading, lines, say

    heading(f"{done.title} ({name})", console)
    for row in done.fared:
        say(
            f"{row.learner:8} passed {100 * row.passed:3.0f} %, marks {100 * row.mean:3.0f} % (least "
            f"{100 * row.least:.0f} %), {row.tried} tried",
            console,
        )
    if done.readable:
        say(f"read from the signals alone, near enough: {done.read} of {done.readable}", console)
    lines(done.problems, console)
    say("This lesson can be taught." if done.good else "This lesson can't be taught yet.", console, "bold")


@lesson.command
def run(
    name: str,
    /,
    *,
    seed: int | None = None,
    learner: str = "",
    site: str = "",
    record: Path = RECORD,
    figures: Path = Path("lesson-figures"),
    resume: int | None = None,
) -> None:
    """Take a lesson at the terminal; figures are written as SVG files. Answers are kept as they are given.

    Parameters
    ----------
    name : str
        A lesson of the program, or a folder with a lesson.toml.
    seed : int
        Draws the patients; one is drawn by chance unless said.
    learner, site : str
        May be left empty.
    record : Path
        The file that keeps attempts.
    figures : Path
        A folder for the figures.
    resume : int
        The number of an attempt to go on with.
    """
    from tidebench.cli.lesson_run import take

    take(name, seed, learner, site, record, figures, resume)


@lesson.command
def new(folder: Path, /, *, of: Annotated[Path, Parameter(name="--from")], title: str = "") -> None:
    """Make a lesson of a reviewed case: de-identified, with questions from findings that a reviewer confirmed.

    Parameters
    ----------
    folder : Path
        A new or empty folder.
    of : Path
        The case folder, or a result in it; findings that were marked are asked for.
    title : str
        A title that tells nobody who it was.
    """
    from tidebench.lessons.making import make_lesson

    done = make_lesson(of, folder, title)
    print(f"Lesson: {folder.resolve()}")
    for line in done:
        print(f"- {line}")
    print(f"Next: read lesson.toml, then tidebench lesson check {folder}")


@lesson.command
def kit(name: str, /, *, out: Path, seed: int = 1, sites: tuple[str, ...] = ()) -> None:
    """Print what a session needs: plan, handout, quiz with key, attendance, skills to sign, roster.

    Parameters
    ----------
    name : str
        A lesson of the program, or a folder with a lesson.toml.
    out : Path
        A folder for the pages, PDF. An earlier kit is replaced.
    seed : int
        Draws the patients of the quiz.
    sites : str
        Names of wards or houses for the roster; may be given several times.
    """
    from tidebench.lessons.kit import write_kit
    from tidebench.lessons.shelf import open_lesson

    found, folder = open_lesson(name)
    for page in write_kit(found, folder, seed, sites, out):
        print(f"Page: {page.resolve()}")


@lesson.command
def debrief(attempt: int, /, *, record: Path = RECORD, figures: Path = Path("lesson-figures")) -> None:
    """Tell a run afterwards: what was done, what the patient did, time inside limits, beside a way that works.

    Parameters
    ----------
    attempt : int
        The number of the attempt (`tidebench lesson record show`).
    record : Path
        The file that keeps attempts.
    figures : Path
        A folder for the timeline of each run, SVG.
    """
    from tidebench.cli.lesson_run import print_debriefs

    print_debriefs(record, attempt, figures)


@record.command
def show(*, record: Path = RECORD, learner: str | None = None) -> None:
    """List attempts and observed skills.

    Parameters
    ----------
    record : Path
        The file that keeps attempts.
    learner : str
        Of this learner alone.
    """
    from rich.console import Console

    from tidebench.cli.printing import heading, lines

    kept = _opened(record)
    console = Console(highlight=False)
    heading("Attempts", console)
    for one in kept.attempts(learner):
        marks = "under way" if one.points is None else f"{one.points:.1f} of {one.of:.0f}"
        verdict = "" if one.passed is None else ", passed" if one.passed else ", not passed"
        again = f", retake {one.retake}" if one.retake else ""
        until = f", counts until {one.expires}" if one.expires else ""
        who = one.learner or "no name"
        lines([f"{one.begun[:10]} {one.lesson}, {who}: {marks}{verdict}{again}{until}"], console, f"{one.id:4}  ")
    heading("Skills that an assessor watched", console)
    lines(
        (
            f"{row.at[:10]} {row.learner}: {row.skill}: {'able' if row.able else 'not yet'} ({row.assessor}, counts "
            f"until {row.expires})"
            for row in kept.observed(learner)
        ),
        console,
    )


@record.command
def observe(
    name: str,
    /,
    *,
    skill: int,
    learner: str,
    assessor: str,
    site: str = "",
    not_yet: bool = False,
    record: Path = RECORD,
) -> None:
    """Keep that an assessor watched a learner do a skill. A quiz is not competency; this is what was seen.

    Parameters
    ----------
    name : str
        The lesson.
    skill : int
        The number of the skill on the lesson's list, from 1.
    learner, assessor, site : str
        Who was watched, by whom, and where.
    not_yet : bool
        It was watched, and not yet able.
    record : Path
        The file that keeps attempts.
    """
    from tidebench.lessons.record import Record
    from tidebench.lessons.shelf import open_lesson

    found, _ = open_lesson(name)
    number = Record(record).observe(name, found, skill, not not_yet, learner, assessor, site)
    print(f"Kept as number {number}: {found.skills[skill - 1]}")


@record.command
def export(out: Path, /, *, record: Path = RECORD) -> None:
    """Write attempts by objective as CSV.

    Parameters
    ----------
    out : Path
        The file to write; one that exists is not replaced.
    record : Path
        The file that keeps attempts.
    """
    rows = _opened(record).write_csv(out)
    print(f"{rows} rows: {out.resolve()}")


@record.command(name="print")
def print_record(learner: str, /, *, out: Path, record: Path = RECORD) -> None:
    """Print what a learner did and was seen to do, as PDF.

    Parameters
    ----------
    learner : str
        The learner's name as it was kept.
    out : Path
        A folder for the page. An earlier one is replaced.
    record : Path
        The file that keeps attempts.
    """
    from tidebench.lessons.kit import write_record

    print(f"Page: {write_record(_opened(record), learner, out).resolve()}")


@record.command
def forget(learner: str, /, *, record: Path = RECORD) -> None:
    """Delete everything that is kept of a learner.

    Parameters
    ----------
    learner : str
        The learner's name as it was kept.
    record : Path
        The file that keeps attempts.
    """
    print(f"{_opened(record).forget(learner)} rows deleted")


@record.command
def retain(days: int, /, *, record: Path = RECORD) -> None:
    """Delete what is older than so many days.

    Parameters
    ----------
    days : int
        What is younger stays.
    record : Path
        The file that keeps attempts.
    """
    print(f"{_opened(record).keep_days(days)} rows deleted")


def _opened(path: Path) -> Record:
    from tidebench.errors import OptionError
    from tidebench.lessons.record import Record

    if not path.is_file():
        raise OptionError(
            "there is no record", where=str(path), remedy="Take a lesson first, or name another --record."
        )
    return Record(path)
