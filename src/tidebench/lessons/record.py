"""The record of lessons: attempts, answers and observed skills in one SQLite file, kept as long as it should be."""

from __future__ import annotations

import csv
import json
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

from tidebench.errors import OptionError, OutputError
from tidebench.lessons.format import Lesson
from tidebench.lessons.marking import Mark
from tidebench.lessons.session import Session, identity

T = TypeVar("T")
SCHEMA_VERSION = 3
APPLICATION = 0x7464_626C  # "tdbl": says that the file is this record
LONGEST_NAME, MOST_DAYS = 80, 36_500
TIMEOUT_S = 10.0
COLUMNS = (
    "attempt", "lesson", "lesson_version", "seed", "learner", "site", "begun", "ended", "retake", "points", "of",
    "passed", "expires", "objective", "objective_points", "objective_of", "inside_s", "of_s",
)  # fmt: skip

_SCHEMA = """
CREATE TABLE attempt (
  id INTEGER PRIMARY KEY AUTOINCREMENT, lesson TEXT NOT NULL, title TEXT NOT NULL, lesson_version TEXT NOT NULL,
  seed INTEGER NOT NULL, learner TEXT NOT NULL, site TEXT NOT NULL, begun TEXT NOT NULL, ended TEXT,
  retake INTEGER NOT NULL, place INTEGER NOT NULL DEFAULT 0, points REAL, of REAL, passed INTEGER, expires TEXT
) STRICT;
CREATE TABLE answer (
  attempt INTEGER NOT NULL REFERENCES attempt(id) ON DELETE CASCADE, step TEXT NOT NULL, objective TEXT NOT NULL,
  given TEXT NOT NULL, points REAL NOT NULL, inside_s REAL, of_s REAL, at TEXT NOT NULL, words TEXT,
  PRIMARY KEY (attempt, step)
) STRICT;
CREATE TABLE observed (
  id INTEGER PRIMARY KEY AUTOINCREMENT, lesson TEXT NOT NULL, learner TEXT NOT NULL, site TEXT NOT NULL,
  skill TEXT NOT NULL, able INTEGER NOT NULL, assessor TEXT NOT NULL, at TEXT NOT NULL, expires TEXT NOT NULL
) STRICT;
CREATE TABLE class (
  id INTEGER PRIMARY KEY AUTOINCREMENT, lesson TEXT NOT NULL, link TEXT NOT NULL UNIQUE, teacher TEXT NOT NULL UNIQUE,
  seed INTEGER NOT NULL, own_patients INTEGER NOT NULL, place INTEGER NOT NULL, led INTEGER NOT NULL,
  site TEXT NOT NULL, begun TEXT NOT NULL, closed INTEGER NOT NULL DEFAULT 0
) STRICT;
"""
_MEMBER = """CREATE TABLE member (
  id INTEGER PRIMARY KEY AUTOINCREMENT, class INTEGER REFERENCES class(id) ON DELETE CASCADE, seat INTEGER,
  token TEXT NOT NULL UNIQUE, attempt INTEGER NOT NULL REFERENCES attempt(id) ON DELETE CASCADE, UNIQUE (class, seat)
) STRICT"""
_FROM_EARLIER = (  # a member who belongs to no class learns alone, and has no seat
    "ALTER TABLE member RENAME TO earlier", _MEMBER,
    "INSERT INTO member (id, class, seat, token, attempt) SELECT id, class, CASE WHEN class IS NOT NULL THEN "
    "row_number() OVER (PARTITION BY class ORDER BY id) END, token, attempt FROM earlier",
    "DROP TABLE earlier", "ALTER TABLE answer ADD COLUMN words TEXT",
)  # fmt: skip


@dataclass(frozen=True)
class Attempt:
    """One attempt at a lesson as the record holds it; ``points`` and what follows are None before it has ended."""

    id: int
    lesson: str
    title: str
    lesson_version: str
    seed: int
    learner: str
    site: str
    begun: str
    ended: str | None
    retake: int
    place: int
    points: float | None
    of: float | None
    passed: int | None
    expires: str | None


@dataclass(frozen=True)
class Observed:
    """A skill that an assessor watched, with who it was and until when it counts."""

    id: int
    lesson: str
    learner: str
    site: str
    skill: str
    able: int
    assessor: str
    at: str
    expires: str


class _Waiting:
    """A change that waits for the disk."""

    def __init__(self, work: Callable[[sqlite3.Connection], Any]) -> None:
        self.work = work
        self.value: Any = None
        self.error: Exception | None = None
        self.over = False


class Record:
    """A record in a file. Every change is on the disk before a method returns.

    Parameters
    ----------
    path : Path
        The file; made where there is none.

    Raises
    ------
    OutputError
        It can't be opened or written, or is something else.
    """

    def __init__(self, path: Path) -> None:
        self.path, self._lock = path, threading.RLock()
        self._turn, self._door = threading.Lock(), threading.Lock()
        self._waiting: list[_Waiting] = []
        with self._told():
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, timeout=TIMEOUT_S, isolation_level=None, check_same_thread=False)
            self._db.execute("PRAGMA foreign_keys = ON")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute("PRAGMA secure_delete = ON")
            with self.change():
                self._open()

    def _open(self) -> None:
        mark, version = (
            self._db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")
        )
        if mark == APPLICATION and version == SCHEMA_VERSION:
            return
        if mark == APPLICATION and version < SCHEMA_VERSION:
            for statement in _FROM_EARLIER:
                self._db.execute(statement)
            self._db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
            return
        if mark == APPLICATION:
            raise OutputError("the record was written by a later version", where=str(self.path))
        if self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            raise OutputError("the file is no record of lessons", where=str(self.path), expected="a new file")
        for statement in (*_SCHEMA.split(";\n"), _MEMBER):
            if statement.strip():
                self._db.execute(statement)
        self._db.execute(f"PRAGMA application_id = {APPLICATION}")
        self._db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    # --- attempts ---

    @staticmethod
    def refuse_names(**names: str) -> None:
        """Refuse a name of a learner, an assessor or a site that can't be kept.

        Raises
        ------
        OptionError
            It is too long, or holds what can't be printed.
        """
        for what, name in names.items():
            if len(name) > LONGEST_NAME or not name.isprintable():
                raise OptionError(f"{what} can't be that", where="record", expected=f"up to {LONGEST_NAME} letters")

    def begin(self, name: str, lesson: Lesson, seed: int, learner: str = "", site: str = "") -> int:
        """Begin an attempt; its number. The learner's name may be left empty.

        Raises
        ------
        OptionError
            A name that is too long.
        """
        with self.change() as db:
            return self.insert(db, name, lesson, seed, learner, site)

    def insert(
        self, db: sqlite3.Connection, name: str, lesson: Lesson, seed: int, learner: str = "", site: str = ""
    ) -> int:
        """Begin an attempt within a change that is under way. As :meth:`begin`."""
        self.refuse_names(learner=learner, site=site)
        earlier = db.execute(
            "SELECT count(*) FROM attempt WHERE lesson = ? AND learner = ? AND learner <> ''", (name, learner)
        ).fetchone()[0]
        row = (name, lesson.title, identity(lesson), seed, learner, site, _now(), earlier)
        done = db.execute(
            "INSERT INTO attempt (lesson, title, lesson_version, seed, learner, site, begun, retake) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            row,
        )
        return int(done.lastrowid or 0)

    def keep(self, attempt: int, answer: Mapping[str, Any], mark: Mark) -> None:
        """Keep an answer with its mark; it is on the disk when this returns. Of two for one step the first stands."""
        row = (
            attempt, mark.step, mark.objective, json.dumps(answer, allow_nan=False), mark.points, mark.inside_s,
            mark.of_s, _now(), mark.yours,
        )  # fmt: skip
        self.together(lambda db: db.execute("INSERT OR IGNORE INTO answer VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row))

    def walked(self, attempt: int, place: int) -> None:
        """Keep which step an attempt has come to."""
        self.together(lambda db: db.execute("UPDATE attempt SET place = ? WHERE id = ?", (place, attempt)))

    def end(self, attempt: int, session: Session) -> None:
        """Keep what an attempt came to, and until when a pass counts."""
        result = session.result()
        expires = _expiry(session.lesson.renewal_months) if result.passed else None
        with self.change():
            self._db.execute(
                "UPDATE attempt SET ended = ?, place = ?, points = ?, of = ?, passed = ?, expires = ? WHERE id = ?",
                (_now(), session.place, result.points, result.of, int(result.passed), expires, attempt),
            )

    def resumed(self, attempt: int, lesson: Lesson, folder: Path | None = None) -> Session:
        """The session of an attempt as it was left.

        Raises
        ------
        OptionError
            There is no such attempt, or the lesson has changed since.
        """
        with self._told():
            row = self._db.execute(
                "SELECT lesson_version, seed, place FROM attempt WHERE id = ?", (attempt,)
            ).fetchone()
            given = self._db.execute("SELECT step, given FROM answer WHERE attempt = ?", (attempt,)).fetchall()
        if row is None:
            raise OptionError(f"there is no attempt {attempt}", where=str(self.path))
        answers = {step: json.loads(text) for step, text in given}
        state = {"lesson": row[0], "seed": row[1], "place": row[2], "answers": answers}
        return Session.restored(lesson, state, folder)

    def attempts(self, learner: str | None = None) -> list[Attempt]:
        """Attempts, oldest first; of one learner where named."""
        with self._told():
            rows = self._db.execute(
                "SELECT id, lesson, title, lesson_version, seed, learner, site, begun, ended, retake, place, points, "
                "of, passed, expires FROM attempt WHERE ?1 IS NULL OR learner = ?1 ORDER BY id",
                (learner,),
            ).fetchall()
        return [Attempt(*row) for row in rows]

    def objectives(self, attempt: int) -> list[tuple[str, float, int, float | None, float | None]]:
        """By objective of an attempt: its key, marks, answers, time inside limits and time in all."""
        with self._told():
            return self._db.execute(
                "SELECT objective, sum(points), count(*), sum(inside_s), sum(of_s) FROM answer WHERE attempt = ? "
                "GROUP BY objective ORDER BY objective",
                (attempt,),
            ).fetchall()

    # --- what was watched at the bed ---

    def observe(
        self, lesson: str, of: Lesson, skill: int, able: bool, learner: str, assessor: str, site: str = ""
    ) -> int:
        """Keep that an assessor watched a skill (numbered from 1) of a learner.

        Raises
        ------
        OptionError
            No such skill, or a name that is missing or too long.
        """
        self.refuse_names(learner=learner, assessor=assessor, site=site)
        if not 1 <= skill <= len(of.skills):
            raise OptionError(f"there is no skill {skill}", where=of.title, expected=f"1 to {len(of.skills)}")
        if not (learner and assessor):
            raise OptionError("an observed skill needs a learner and an assessor", where="observed skill")
        if _same_name(learner, assessor):
            raise OptionError(
                "nobody signs for a skill of their own", where="observed skill", expected="an assessor who watched"
            )
        row = (lesson, learner, site, of.skills[skill - 1], int(able), assessor, _now(), _expiry(of.renewal_months))
        with self.change():
            done = self._db.execute(
                "INSERT INTO observed (lesson, learner, site, skill, able, assessor, at, expires) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                row,
            )
        return int(done.lastrowid or 0)

    def observed(self, learner: str | None = None) -> list[Observed]:
        """Skills that were watched, oldest first; of one learner where named."""
        with self._told():
            rows = self._db.execute(
                "SELECT id, lesson, learner, site, skill, able, assessor, at, expires FROM observed "
                "WHERE ?1 IS NULL OR learner = ?1 ORDER BY id",
                (learner,),
            ).fetchall()
        return [Observed(*row) for row in rows]

    # --- kept, and no longer ---

    def forget(self, learner: str) -> int:
        """Delete everything of a learner; how many rows went.

        Raises
        ------
        OptionError
            No name: attempts without one belong to nobody, and go by age. Nothing is kept under this name.
        """
        if not learner:
            raise OptionError("nobody is named", where="record", expected="a learner's name")
        with self.change():
            gone = sum(
                self._db.execute(f"DELETE FROM {table} WHERE learner = ?", (learner,)).rowcount
                for table in ("attempt", "observed")
            )
        if gone == 0:
            near = [one for one in self._learners() if _same_name(one, learner)]
            raise OptionError(
                f"nothing is kept of {learner!r}, and nothing was deleted", where="record",
                remedy=f"Written otherwise: {', '.join(near)}." if near else "",
            )  # fmt: skip
        return gone

    def _learners(self) -> list[str]:
        """Names in the record."""
        with self._told():
            rows = self._db.execute("SELECT learner FROM attempt UNION SELECT learner FROM observed").fetchall()
        return [str(row[0]) for row in rows if row[0]]

    def keep_days(self, days: int) -> int:
        """Delete what is older than so many days; how many rows went.

        Raises
        ------
        OptionError
            Days that can't be.
        """
        if not 0 <= days <= MOST_DAYS:
            raise OptionError(f"{days} days", where="record", expected=f"0 to {MOST_DAYS}")
        before = (datetime.now(UTC) - timedelta(days=days)).isoformat(timespec="seconds")
        with self.change():
            self._db.execute("DELETE FROM class WHERE begun < ?", (before,))
            gone = self._db.execute("DELETE FROM attempt WHERE begun < ?", (before,)).rowcount
            return gone + self._db.execute("DELETE FROM observed WHERE at < ?", (before,)).rowcount

    def write_csv(self, path: Path) -> int:
        """Every attempt by objective as CSV, a row each, in a new file; how many rows.

        Raises
        ------
        OutputError
            The file exists already, or can't be written.
        """
        rows = list(self._rows())
        try:
            with path.open("x", newline="", encoding="utf-8") as file:
                writer = csv.writer(file)
                writer.writerow(COLUMNS)
                writer.writerows([_safe(value) for value in row] for row in rows)
        except FileExistsError:
            raise OutputError("exists already, and is not replaced", where=str(path)) from None
        except OSError as error:
            raise OutputError(f"can't be written ({error.strerror})", where=str(path)) from None
        return len(rows)

    def _rows(self) -> Iterator[tuple[Any, ...]]:
        for one in self.attempts():
            whole = (
                one.id, one.lesson, one.lesson_version, one.seed, one.learner, one.site, one.begun, one.ended,
                one.retake, one.points, one.of, one.passed, one.expires,
            )  # fmt: skip
            by_objective = self.objectives(one.id)
            yield from ((*whole, *row) for row in by_objective)
            if not by_objective:
                yield (*whole, "", None, None, None, None)

    # --- inside ---

    @contextmanager
    def change(self) -> Iterator[sqlite3.Connection]:
        """A change that is made whole or not at all, and is on the disk at the end of the block."""
        with self._told():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    def together(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """A change of a few statements, made whole or not at all, and on the disk when this returns.

        Those who come while the disk is being written are written together next, so that a class that answers in the
        same moment doesn't wait for the disk one by one.
        """
        mine = _Waiting(work)
        with self._door:
            self._waiting.append(mine)
        with self._turn:
            if not mine.over:
                with self._door:
                    batch, self._waiting = self._waiting, []
                self._make(batch)
        if mine.error is not None:
            raise mine.error
        made: T = mine.value
        return made

    def _make(self, batch: list[_Waiting]) -> None:
        """Make changes in one write; one that fails takes no other with it, and a write that fails takes all."""
        try:
            with self.change() as db:
                for one in batch:
                    db.execute("SAVEPOINT one")
                    try:
                        one.value = one.work(db)
                    except Exception as error:
                        one.error = error
                        db.execute("ROLLBACK TO one")
                    db.execute("RELEASE one")
        except Exception as error:
            for one in batch:
                one.error = error
        finally:
            for one in batch:
                one.over = True

    def rows(self, question: str, told: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """What the file answers."""
        with self._told():
            return self._db.execute(question, told).fetchall()

    @contextmanager
    def _told(self) -> Iterator[None]:
        """One thing at a time, and what the file refuses in words."""
        try:
            with self._lock:
                yield
        except (sqlite3.Error, OSError) as error:
            raise OutputError(
                f"the record can't be used ({error})", where=str(self.path),
                remedy="Choose a file that you may write to, and close what holds it open.",
            ) from error  # fmt: skip


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _expiry(months: int) -> str:
    """The day on which something that lasts so many months ends; on the month's last day where it is shorter."""
    today = datetime.now(UTC).date()
    year, month = divmod(today.month - 1 + months, 12)
    first = today.replace(year=today.year + year, month=month + 1, day=1)
    last = (first + timedelta(days=31)).replace(day=1) - timedelta(days=1)
    return min(first + timedelta(days=today.day - 1), last).isoformat()


def _same_name(one: str, other: str) -> bool:
    """Whether two names differ in capitals and spaces alone."""
    return "".join(one.split()).casefold() == "".join(other.split()).casefold()


def _safe(value: Any) -> Any:
    """A text that a spreadsheet would take for a formula gets a mark before it."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
