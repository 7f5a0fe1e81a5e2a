"""The live bench of a lesson: the learner of a step before its patient, over a websocket that a token opens."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from typing import Any

from fastapi import APIRouter, FastAPI, WebSocket

from tidebench.bench import Bench
from tidebench.bench.measured import Measured
from tidebench.case import Case
from tidebench.errors import OptionError, TidebenchError
from tidebench.lessons.classroom import Classroom
from tidebench.lessons.format import Act
from tidebench.lessons.sitting import Sitting, at_bench
from tidebench.lessons.stretch import TO_SHOWN, heading
from tidebench.recording import Recording
from tidebench.simulation import patient_names
from tidebench.views.sentences import Blank, Choice, Part, Sentence, settings_sentences
from tidebench.web import bench_models as b
from tidebench.web import lesson_bench_models as lb
from tidebench.web.bench_routes import BEFORE_S, FULL, STRANGER, WARM_S, Session, part_told
from tidebench.web.guard import Sessions
from tidebench.web.jobs import Apart
from tidebench.web.lesson_telling import mark_told
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED

TICK_S = 1 / 25
SEEN = tuple(
    lb.SeenTold(band=band, key=key, heading=heading(key), times=TO_SHOWN.get(key, 1.0))
    for band, key in (("pressure", "airway_pressure"), ("flow", "flow"))
)
LAGS, LAGS_S = 16, 2.0  # learners are counted at so many moments, within so long
AT_ONCE_S = 10.0  # of time are let pass at once where a learner does nothing more
SIT_WITHIN_S = 20.0
ELSEWHERE = 4409
"""Code with which a bench is closed whose learner has sat down at another."""


class Reviews:
    """Reviews of the lessons' benches, one after the other and in a process of their own: time passes meanwhile."""

    def __init__(self) -> None:
        self.turns = ThreadPoolExecutor(1, "lesson bench")
        self._apart = Apart("tidebench.web.work:measure_job")
        self._warm = False

    def __call__(self, case: Case, recording: Recording) -> Measured:
        """Review what was recorded so far."""
        said = {one.name: getattr(recording, one.name) for one in fields(recording) if one.init}
        found: Measured = self._apart(case=case, recorded=said | {"channels": dict(recording.channels)})
        return found

    def warm(self) -> None:
        """Begin with what the first review would otherwise wait for; once."""
        if self._warm:
            return
        self._warm = True
        self.turns.submit(self, *Bench({"who": patient_names()[0]}, WARM_S).recorded())

    def close(self) -> None:
        """End the process."""
        self._apart.close()


def lesson_bench(
    api: APIRouter, serving: Serving, sessions: Sessions, room: Callable[[], Classroom], reviews: Reviews
) -> None:
    """The route of the lessons' benches. Each learner has one; whoever sits down anew leaves the one before."""
    seats: dict[int, LessonSession] = {}
    open_ones: set[LessonSession] = set()

    @api.websocket("/class/live")
    async def live(socket: WebSocket) -> None:
        await socket.accept()
        if len(open_ones) >= serving.limits.lesson_benches:
            await socket.close(FULL, f"{serving.limits.lesson_benches} learners sit at benches already.")
            return
        session = LessonSession(socket, serving, sessions, reviews, room, seats)
        open_ones.add(session)
        try:
            await session.attend()
        finally:
            open_ones.discard(session)
            session.leave()


def describe_sitting(app: FastAPI) -> None:
    """Put the websocket's messages into the description, so that the page's types are made of it."""

    @app.webhooks.post("sitting-asked", responses=REFUSED)
    def sitting_asked(asked: lb.SittingAsked) -> None:
        """Not a request: what the page may say over /api/class/live, as text."""

    @app.webhooks.post("sitting-told", responses=REFUSED)
    def sitting_told(told: lb.SittingTold) -> None:
        """Not a request: what the page is told over /api/class/live, as text; frames are binary."""


class LessonSession(Session):
    """One learner at the bench of a step."""

    tick_s = TICK_S
    longest_wait_s = 20.0  # sixty benches take turns at being reviewed
    catch_up_s = 2.0  # time is made up for, since it is counted
    asks = lb.SITTING_ASKED

    def __init__(
        self, socket: WebSocket, serving: Serving, sessions: Sessions, reviews: Reviews,
        room: Callable[[], Classroom], seats: dict[int, LessonSession],
    ) -> None:  # fmt: skip
        super().__init__(socket, serving, sessions, reviews.turns)
        self.measure = reviews
        self._room, self._seats = room, seats
        self._attempt, self._token = -1, ""
        self._sitting: Sitting | None = None

    async def attend(self) -> None:
        """Answer until the page goes away, or nobody sits down in time: a place that is taken holds nobody else up."""
        waiting = asyncio.create_task(self._expect_somebody())
        try:
            await super().attend()
        finally:
            waiting.cancel()

    async def _expect_somebody(self) -> None:
        await asyncio.sleep(SIT_WITHIN_S)
        if self._sitting is None:
            await self._socket.close(STRANGER, "Nobody sat down.")

    def leave(self) -> None:
        """Give the seat up, unless somebody else has it by now."""
        if self._seats.get(self._attempt) is self:
            del self._seats[self._attempt]

    def _admitted(self) -> bool:
        return True  # nothing is done before a token is shown

    async def _do(self, asked: Any) -> None:
        if isinstance(asked, lb.SitAsked):
            await self._sit(asked)
            return
        sitting = self._sitting
        if sitting is None:
            raise OptionError("nobody sits at the bench yet", where="lesson", expected='first a "sit"')
        match asked:
            case b.GoOnAsked():
                self._speed, self._playing = asked.speed, not sitting.over
                self._set_clock()
            case b.PauseAsked():
                self._playing = False
                self._look(sitting.bench)
            case b.SetAsked():
                await self._did(sitting, sitting.set(asked.settings))
            case lb.HoldAsked():
                await self._did(sitting, sitting.hold(asked.kind))
            case lb.TreatAsked():
                await self._did(sitting, sitting.treat(asked.key))
            case lb.EndAsked():
                await self._end(sitting)
                return
        await self._tell_now()

    async def _sit(self, asked: lb.SitAsked) -> None:
        attempt, learner = await asyncio.to_thread(self._room().asked_now, asked.learner, asked.step)
        step = learner.step
        if not at_bench(step):
            raise OptionError("this step has no bench", where=step.title)
        if asked.step in learner.marks:
            raise OptionError("this step has been answered", where=step.title, remedy="Go on.")
        before = self._seats.get(attempt)
        self._seats[attempt] = self
        if before is not None and before is not self:
            await before.move_over()
        self._attempt, self._token = attempt, asked.learner
        sitting = await asyncio.to_thread(
            Sitting, learner.stage, step, asked.actions, asked.until_s, LAGS_S * (attempt % LAGS) / LAGS
        )
        self._sitting, self._bench = sitting, sitting.bench
        await self._enter()

    async def move_over(self) -> None:
        """Close: the learner has sat down at another bench."""
        await self._socket.close(ELSEWHERE, "You have sat down at this patient elsewhere.")

    async def _enter(self) -> None:
        sitting = self._sitting
        assert sitting is not None
        self._generation += 1
        self._playing, self._breaths, self._review_at = False, sitting.bench.breaths, 0.0
        await self._tell_now()
        frame = sitting.before(BEFORE_S)
        await self._socket.send_bytes(b.packed(frame, sitting.bench.rate_hz, self._generation))
        self._look(sitting.bench)
        if sitting.over:
            await self._finish(sitting)

    async def _did(self, sitting: Sitting, text: str) -> None:
        await self._tell(b.ChangedTold(at_s=sitting.bench.time_s, text=text, before=None))

    async def _draw(self, bench: Bench, seconds: float) -> None:
        sitting = self._sitting
        assert sitting is not None
        stood, busy = sitting.limits, sitting.busy_s > 0
        frame = sitting.pass_time(seconds)
        await self._socket.send_bytes(b.packed(frame, bench.rate_hz, self._generation))
        if sitting.over:
            self._playing = False
        if sitting.over or sitting.limits is not stood or busy != (sitting.busy_s > 0):
            await self._tell_now()
        if sitting.over:
            await self._finish(sitting)

    async def _end(self, sitting: Sitting) -> None:
        """Let the rest of the time pass at once."""
        self._playing = False
        while not sitting.over:
            await asyncio.to_thread(sitting.pass_time, AT_ONCE_S)
        await self._enter()

    async def _finish(self, sitting: Sitting) -> None:
        """The time is over: an act is answered by what was done; a number is still to come."""
        if not isinstance(sitting.step, Act):
            return
        key, answer = sitting.step.key, sitting.answer()
        try:
            found = await asyncio.to_thread(self._room().answer, self._token, key, answer)
        except TidebenchError as error:
            await self._tell(b.RefusedTold(problem=str(error)))
            return
        await self._tell(lb.MarkedTold(step=key, mark=mark_told(found)))

    def _look(self, bench: Bench) -> None:
        if self._sitting is not None and isinstance(self._sitting.step, Act):
            super()._look(bench)

    async def _tell_truth(self, bench: Bench) -> None:
        """A learner is told what the limits ask, and nothing more of the truth."""

    async def _tell_now(self) -> None:
        sitting = self._sitting
        if sitting is not None:
            await self._tell(sat_told(sitting, self._playing, self._speed, self._generation))


def sat_told(sitting: Sitting, playing: bool, speed: float, generation: int) -> lb.SatTold:
    """How things stand at a bench."""
    step = sitting.step
    sentences = settings_sentences(sitting.bench.setting) if isinstance(step, Act) else ()
    return lb.SatTold(
        step=step.key, time_s=sitting.time_s, lasts_s=sitting.lasts_s, begins_s=sitting.begins_s, over=sitting.over,
        playing=playing, speed=speed, generation=generation, busy_s=sitting.busy_s, seen=list(SEEN),
        sentences=[[part_told(part) for part in changeable(one, sitting.may)] for one in sentences],
        manoeuvres=list(sitting.manoeuvres),
        treatments=[lb.TreatmentTold.model_validate(row) for row in step.treatments] if isinstance(step, Act) else [],
        deeds=[lb.DeedTold(at_s=row.at_s, text=sitting.words(row)) for row in sitting.actions],
        actions=sitting.actions, limits=[lb.StoodTold.model_validate(one) for one in sitting.limits],
        inside_s=sitting.inside_s, keep_s=step.keep_s if isinstance(step, Act) else 0.0,
    )  # fmt: skip


def changeable(sentence: Sentence, may: tuple[str, ...]) -> list[Part]:
    """A sentence in which only some of the settings can be changed; the others are words."""
    parts: list[Part] = []
    for part in sentence:
        if isinstance(part, Blank) and part.quantity.key not in may:
            parts.append(f"{part.value:g} {part.unit}".rstrip())
        elif isinstance(part, Choice) and part.key not in may:
            parts.append(next(words for value, words in part.options if value == part.value))
        else:
            parts.append(part)
    return parts
