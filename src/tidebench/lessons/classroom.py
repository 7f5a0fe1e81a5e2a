"""A lesson taken together: the teacher steers or lets go, learners follow in their own time, no answer is lost.

Everything stands in the record before it is acknowledged, so that a class goes on where it was after the server was
killed. Who holds a link may join; who holds a token is that learner or the teacher: tokens are kept as hashes.
"""

from __future__ import annotations

import hashlib
import secrets
import sqlite3
import threading
from collections import Counter, OrderedDict, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tidebench.errors import OptionError, TidebenchError
from tidebench.lessons.debrief import Debrief, debrief
from tidebench.lessons.format import ASKED, Act, Lesson
from tidebench.lessons.learners import perfect
from tidebench.lessons.marking import RIGHT, Mark, mark
from tidebench.lessons.record import Record
from tidebench.lessons.session import Session, shown
from tidebench.lessons.shelf import open_lesson
from tidebench.lessons.stage import Stage

MOST_LEARNERS = 60
MOST_CLASSES = 200
MOST_SEED = 1 << 30
MOST_DRAWN = 1_000_000
"""Seeds that are drawn for who learns alone: short enough to be told to another."""
MOST_READY = 2
"""Classes for whose learners patients are held ready: those opened last."""
LINK_LETTERS, LINK_LENGTH = "abcdefghjkmnpqrstuvwxyz23456789", 12
"""59 bits: a thousand links tried each second for a year meet one of 200 open classes once in 100 000."""
HELD = 80
"""Sessions that are held in memory; others are made again from the record when they are asked for."""


@dataclass(frozen=True)
class Opened:
    """A class that was opened: its number, the link to project, and the teacher's token, told once."""

    number: int
    link: str
    teacher: str


@dataclass(frozen=True)
class Now:
    """Where a learner is to be: a step, whether a teacher leads, whether it is over, and whether there is a teacher."""

    place: int
    led: bool
    closed: bool
    alone: bool


@dataclass(frozen=True)
class Where:
    """Where a learner stands: the step, how far the teacher has come, whether the teacher leads, the answer's mark.

    ``seat`` counts from 1, as learners joined; None for who learns alone, and for the teacher.
    """

    name: str
    place: int
    teacher_place: int
    led: bool
    closed: bool
    alone: bool
    session: Session
    seat: int | None = None


@dataclass(frozen=True)
class Seat:
    """A learner in a class: the seat, which stays the same when others are forgotten, the name, the step, how many
    questions were answered, and the runs at a patient done.
    """

    seat: int
    name: str
    place: int
    answered: int
    runs: tuple[str, ...]


@dataclass(frozen=True)
class Seen:
    """What the teacher sees: who is where, and how answers to the teacher's step are spread, without names."""

    title: str
    place: int
    led: bool
    closed: bool
    steps: tuple[str, ...]
    asks: tuple[bool, ...]
    learners: tuple[Seat, ...]
    answered: int
    right: int
    spread: tuple[tuple[str, int, bool], ...]


class Classroom:
    """The classes of one record, and who learns alone.

    Parameters
    ----------
    record : Record
    lesson : callable, optional
        Opens a lesson by its name.
    """

    def __init__(self, record: Record, lesson: Callable[[str], tuple[Lesson, Path]] = open_lesson) -> None:
        self.record, self._lesson = record, lesson
        self._held: OrderedDict[int, Session] = OrderedDict()
        self._ready: OrderedDict[int, deque[Stage]] = OrderedDict()
        self._busy: dict[int, threading.Lock] = {}
        self._guard = threading.Lock()

    # --- the teacher ---

    def open(self, lesson: str, site: str = "", *, led: bool = True, own_patients: bool = True) -> Opened:
        """Open a class.

        Raises
        ------
        CaseError
            There is no such lesson.
        OptionError
            Too many classes are open, or the site's name can't be kept.
        """
        self._lesson(lesson)
        self.record.refuse_names(site=site)
        link, teacher = _link(), secrets.token_urlsafe(32)
        if self.record.rows("SELECT count(*) FROM class WHERE closed = 0")[0][0] >= MOST_CLASSES:
            raise OptionError(f"{MOST_CLASSES} classes are open already", where="class", remedy="Close one first.")
        with self.record.change() as db:
            done = db.execute(
                "INSERT INTO class (lesson, link, teacher, seed, own_patients, place, led, site, begun) "
                "VALUES (?, ?, ?, ?, ?, 0, ?, ?, strftime('%Y-%m-%dT%H:%M:%S+00:00', 'now'))",
                (lesson, link, _hash(teacher), secrets.randbelow(MOST_SEED), int(own_patients), int(led), site),
            )
        number = int(done.lastrowid or 0)
        if own_patients:
            self._prepare(number, lesson)
        return Opened(number, link, teacher)

    def _prepare(self, number: int, name: str) -> None:
        """Draw patients for those who will join, and simulate what they see first, before all come at once."""
        lesson, folder = self._lesson(name)
        ready: deque[Stage] = deque()
        with self._guard:
            self._ready[number] = ready
            while len(self._ready) > MOST_READY:
                self._ready.popitem(last=False)

        def draw() -> None:
            for _ in range(MOST_LEARNERS):
                if self._ready.get(number) is not ready:
                    return
                stage = Stage(lesson, secrets.randbelow(MOST_SEED), folder)
                try:
                    shown(stage, lesson.steps[0])
                except TidebenchError:
                    return  # whoever joins is told
                ready.append(stage)

        threading.Thread(target=draw, daemon=True).start()

    def steer(
        self, teacher: str, *, place: int | None = None, led: bool | None = None, closed: bool | None = None
    ) -> None:
        """Go to a step, lead or let go, close.

        Raises
        ------
        OptionError
            No such class, or no such step.
        """
        number, lesson, *_ = self._of_teacher(teacher)
        if place is not None and not 0 <= place < len(self._lesson(lesson)[0].steps):
            raise OptionError(f"there is no step {place}", where="class")
        with self.record.change() as db:
            for column, value in (("place", place), ("led", led), ("closed", closed)):
                if value is not None:
                    db.execute(f"UPDATE class SET {column} = ? WHERE id = ?", (int(value), number))

    def seen(self, teacher: str) -> Seen:
        """What the teacher sees."""
        number, name, _, _, place, led, closed, _ = self._of_teacher(teacher)
        lesson, _ = self._lesson(name)
        members = self.record.rows(
            "SELECT m.seat, a.learner, a.place, (SELECT group_concat(n.step) FROM answer n WHERE n.attempt = a.id) "
            "FROM member m JOIN attempt a ON a.id = m.attempt WHERE m.class = ? ORDER BY m.seat",
            (number,),
        )
        acts = {one.key for one in lesson.asked if isinstance(one, Act)}
        step = lesson.steps[place]
        given = self.record.rows(
            "SELECT m.attempt, n.points, n.words FROM member m JOIN answer n ON n.attempt = m.attempt "
            "WHERE m.class = ? AND n.step = ?",
            (number, step.key),
        )
        words: Counter[tuple[str, bool]] = Counter()
        for attempt, points, kept in given:
            yours = self._session(attempt, lesson, name).marks[step.key].yours if kept is None else kept
            words[yours, points >= RIGHT] += 1
        return Seen(
            lesson.title, place, bool(led), bool(closed), tuple(one.title for one in lesson.steps),
            tuple(isinstance(one, ASKED) for one in lesson.steps),
            tuple(
                Seat(seat, learner or f"learner {seat}", at, len(done), tuple(key for key in done if key in acts))
                for seat, learner, at, steps in members
                for done in [steps.split(",") if steps else []]
            ),
            len(given), sum(points >= RIGHT for _, points, _ in given),
            tuple((answer, count, right) for (answer, right), count in words.most_common()),
        )  # fmt: skip

    def projected(self, teacher: str) -> Where:
        """The step that the teacher has come to, at the class's own patients."""
        _, name, seed, _, place, led, closed, _ = self._of_teacher(teacher)
        lesson, folder = self._lesson(name)
        session = Session(lesson, seed, folder)
        session.place = place
        return Where(name, place, place, bool(led), bool(closed), False, session)

    def truth(self, teacher: str) -> Mark:
        """The mark of a right answer to the step that the teacher has come to, with what proves it.

        Raises
        ------
        OptionError
            The step asks nothing.
        """
        session = self.projected(teacher).session
        if not isinstance(session.step, ASKED):
            raise OptionError("this step asks nothing", where=session.step.title)
        return mark(session.stage, session.step, perfect(session.stage, session.step, np.random.default_rng(0)))

    def debrief_at(self, teacher: str, seat: int, step: str) -> Debrief:
        """A run that a learner of the class has finished, without the name; seats count from 1, as learners joined.

        Raises
        ------
        OptionError
            There is no such class, seat or run.
        """
        number, name, *_ = self._of_teacher(teacher)
        taken = self.record.rows("SELECT attempt FROM member WHERE class = ? AND seat = ?", (number, seat))
        if not taken:
            raise OptionError(f"there is nobody at seat {seat}", where="class")
        return _debriefed(self._session(taken[0][0], self._lesson(name)[0], name), step)

    # --- a learner ---

    def join(self, link: str, name: str = "") -> str:
        """Join by the link; a token that is this learner's alone, told once.

        Raises
        ------
        OptionError
            No such class, it is closed or full, or the name is too long.
        """
        number, lesson, seed, own, _, _, closed, site = self._of_link(link)
        if closed:
            raise OptionError("the class is closed", where="class")
        token = secrets.token_urlsafe(32)
        opened, folder = self._lesson(lesson)
        ready = self._ready.get(number)
        try:
            stage = ready.popleft() if own and ready else None
        except IndexError:
            stage = None
        drawn = stage.seed if stage else secrets.randbelow(MOST_SEED) if own else seed

        def seated(db: sqlite3.Connection) -> int:
            taken, last = db.execute(
                "SELECT count(*), coalesce(max(seat), 0) FROM member WHERE class = ?", (number,)
            ).fetchone()
            if taken >= MOST_LEARNERS:
                raise OptionError(f"the class is full: {MOST_LEARNERS} learners", where="class")
            attempt = self.record.insert(db, lesson, opened, drawn, name, site)
            row = (number, last + 1, _hash(token), attempt)
            db.execute("INSERT INTO member (class, seat, token, attempt) VALUES (?, ?, ?, ?)", row)
            return attempt

        attempt = self.record.together(seated)
        if stage is not None:
            session = Session(opened, drawn, folder)
            session.stage = stage
            self._hold(attempt, session)
        return token

    def alone(self, lesson: str, seed: int | None = None, name: str = "", site: str = "") -> str:
        """Begin a lesson alone; a token that is this learner's alone, told once.

        Raises
        ------
        CaseError, OptionError
            There is no such lesson, or a seed or name that can't be.
        """
        if seed is not None and not 0 <= seed < MOST_SEED:
            raise OptionError(f"{seed} is no seed", where="seed", expected=f"0 to {MOST_SEED - 1}")
        token, opened = secrets.token_urlsafe(32), self._lesson(lesson)[0]
        with self.record.change() as db:
            drawn = secrets.randbelow(MOST_DRAWN) if seed is None else seed
            attempt = self.record.insert(db, lesson, opened, drawn, name, site)
            db.execute("INSERT INTO member (token, attempt) VALUES (?, ?)", (_hash(token), attempt))
        return token

    def now(self, token: str) -> Now:
        """Where a learner is to be, without a look at it."""
        attempt, _, place, led, closed, alone = self._of_member(token)
        if not led:
            place = self.record.rows("SELECT place FROM attempt WHERE id = ?", (attempt,))[0][0]
        return Now(place, bool(led), bool(closed), bool(alone))

    def where(self, token: str) -> Where:
        """Where a learner stands. Who is led is taken to the teacher's step."""
        attempt, name, place, led, closed, alone = self._of_member(token)
        session = self._session(attempt, self._lesson(name)[0], name)
        with self._lock(attempt):
            if led and session.place != place:
                self._go(attempt, session, place)
            seat = self.record.rows("SELECT seat FROM member WHERE attempt = ?", (attempt,))[0][0]
            return Where(name, session.place, place, bool(led), bool(closed), bool(alone), session, seat)

    def result(self, token: str) -> tuple[Where, str]:
        """Where a learner stands, and until when a pass counts; empty where there is none yet."""
        attempt = self._of_member(token)[0]
        expires = self.record.rows("SELECT expires FROM attempt WHERE id = ?", (attempt,))[0][0]
        return self.where(token), expires or ""

    def debrief(self, token: str, step: str) -> Debrief:
        """A run at a patient that a learner has finished, looked at afterwards.

        Raises
        ------
        OptionError
            There is no such run.
        """
        return _debriefed(self.where(token).session, step)

    def asked_now(self, token: str, step: str) -> tuple[int, Session]:
        """The attempt and session of a learner before whom a step stands.

        Raises
        ------
        OptionError
            Another step is asked.
        """
        attempt = self._of_member(token)[0]
        session = self.where(token).session
        if session.step.key != step:
            raise OptionError(f"step {step!r} is not asked now", where="class", remedy="Load the page again.")
        return attempt, session

    def answer(self, token: str, step: str, answer: Mapping[str, Any]) -> Mark:
        """Answer a step that a learner has come to; kept on the disk before this returns. The same step again gets the
        first answer's mark.

        Raises
        ------
        OptionError, CaseError
            It is another step, or no answer to it.
        """
        attempt, name, place, led, closed, _ = self._of_member(token)
        lesson, _ = self._lesson(name)
        session = self._session(attempt, lesson, name)
        with self._lock(attempt):
            if step in session.marks:
                return session.marks[step]
            if closed:
                raise OptionError("the class is closed", where="class")
            stands = session.place
            keys = [one.key for one in lesson.steps[: (place if led else stands) + 1]]
            if step not in keys:
                raise OptionError(f"step {step!r} is not asked now", where="class", remedy="Load the page again.")
            try:
                session.place = keys.index(step)  # the teacher may have gone on while this was on its way
                found = session.answer(answer)
                session.place = stands
                self.record.keep(attempt, answer, found)
            except BaseException:
                self._forget(attempt)
                raise
            if len(session.marks) == len(lesson.asked):
                self.record.end(attempt, session)
            return found

    def go(self, token: str, place: int) -> None:
        """Go to a step, where the teacher has let go; forwards only past what was answered.

        Raises
        ------
        OptionError
            The teacher leads, or there is no such step, or a question would be passed over.
        """
        attempt, name, _, led, *_ = self._of_member(token)
        lesson, _ = self._lesson(name)
        session = self._session(attempt, lesson, name)
        with self._lock(attempt):
            if led:
                raise OptionError("the teacher leads", where="class", remedy="Wait for the next step.")
            if not 0 <= place < len(lesson.steps):
                raise OptionError(f"there is no step {place}", where="class")
            open_ones = [s.title for s in lesson.steps[:place] if isinstance(s, ASKED) and s.key not in session.marks]
            if place > session.place and open_ones:
                raise OptionError(f"{open_ones[0]!r} has not been answered", where="class")
            self._go(attempt, session, place)

    # --- inside ---

    def _go(self, attempt: int, session: Session, place: int) -> None:
        self.record.walked(attempt, place)
        session.place = place

    def _session(self, attempt: int, lesson: Lesson, name: str) -> Session:
        with self._guard:
            if attempt in self._held:
                self._held.move_to_end(attempt)
                return self._held[attempt]
        with self._lock(attempt):
            return self._hold(attempt, self.record.resumed(attempt, lesson, self._lesson(name)[1]))

    def _hold(self, attempt: int, session: Session) -> Session:
        with self._guard:
            held = self._held.setdefault(attempt, session)
            while len(self._held) > HELD:
                self._held.popitem(last=False)
            return held

    def _forget(self, attempt: int) -> None:
        with self._guard:
            self._held.pop(attempt, None)

    def _lock(self, attempt: int) -> threading.Lock:
        with self._guard:
            return self._busy.setdefault(attempt, threading.Lock())

    def _of_teacher(self, token: str) -> tuple[Any, ...]:
        return self._class("teacher = ?", _hash(token))

    def _of_link(self, link: str) -> tuple[Any, ...]:
        return self._class("link = ?", link)

    def _class(self, which: str, value: str) -> tuple[Any, ...]:
        rows = self.record.rows(
            f"SELECT id, lesson, seed, own_patients, place, led, closed, site FROM class WHERE {which}", (value,)
        )
        if not rows:
            raise OptionError("there is no such class", where="class", remedy="Ask for the link again.")
        return rows[0]

    def _of_member(self, token: str) -> tuple[Any, ...]:
        rows = self.record.rows(
            "SELECT m.attempt, a.lesson, coalesce(c.place, 0), coalesce(c.led, 0), coalesce(c.closed, 0), "
            "m.class IS NULL FROM member m JOIN attempt a ON a.id = m.attempt LEFT JOIN class c ON c.id = m.class "
            "WHERE m.token = ?",
            (_hash(token),),
        )
        if not rows:
            raise OptionError("there is no such learner", where="class", remedy="Join by the link again.")
        return rows[0]


def _link() -> str:
    """What a class is joined by: typed from a projector, so in groups, without letters that look alike."""
    letters = "".join(secrets.choice(LINK_LETTERS) for _ in range(LINK_LENGTH))
    return "-".join(letters[k : k + 4] for k in range(0, LINK_LENGTH, 4))


def _hash(token: str) -> str:
    """Tokens are long and drawn by chance: a plain hash is enough."""
    return hashlib.sha256(token.encode()).hexdigest()


def _debriefed(session: Session, step: str) -> Debrief:
    """The debrief of a run that was finished."""
    found = next((one for one in session.lesson.steps if one.key == step), None)
    if not isinstance(found, Act) or step not in session.answers:
        raise OptionError(f"there is no run {step!r} to look at", where="lesson")
    return debrief(session.stage, found, session.answers[step])
