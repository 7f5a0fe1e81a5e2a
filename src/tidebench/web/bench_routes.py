"""The live bench over a websocket: time passes here, the page draws and asks. Who goes away leaves nothing behind."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from functools import cache
from typing import Any

from fastapi import APIRouter, FastAPI, WebSocket, WebSocketDisconnect
from pydantic import BaseModel, TypeAdapter, ValidationError

from tidebench.bench import Bench, Line, measured
from tidebench.bench.bench import LEAST_S, LONGEST_S
from tidebench.casebook import free_name
from tidebench.errors import OptionError, TidebenchError
from tidebench.simulation import patient_names
from tidebench.simulation.parameters import title_of
from tidebench.simulation.protocol import CHANGES, LASTS, WITHOUT_SIZE
from tidebench.views.sentences import Blank, Choice, Part, settings_sentences
from tidebench.web import bench_models as b
from tidebench.web import models as m
from tidebench.web.guard import Sessions, admits
from tidebench.web.options import Serving
from tidebench.web.refusals import REFUSED

log = logging.getLogger("tidebench.web")

TICK_S = 1 / 60
MOST_BYTES = 1 << 16
MOST_ASKED, WITHIN_S = 160, 4.0  # more messages than hands can send
WARM_S = 10.0  # with which a first review shows what it needs
BUSY_SHARE = 0.1  # of the time is spent on reviewing a bench while it runs
BEFORE_S = 12.0  # of what was before are drawn where a line is entered
FULL, FLOOD, STRANGER = 4429, 1008, 4401
"""Codes with which a websocket is closed."""


def bench_routes(serving: Serving, sessions: Sessions) -> APIRouter:
    """The routes of the live bench. Reviews of all benches take turns, so that time passes on all of them."""
    api = APIRouter(prefix="/api/bench", responses=REFUSED)
    reviewer = ThreadPoolExecutor(1, "live bench")
    benches: set[Session] = set()

    @api.get("")
    def offer() -> b.BenchOffer:
        """Who can breathe on the bench, what can be done and what can happen."""
        reviewer.submit(warm)
        return b.BenchOffer(
            patients=[b.PatientTold(name=name, title=title_of(name)) for name in patient_names()],
            manoeuvres=[b.ManoeuvreTold(kind=kind, lasts_s=lasts) for kind, lasts in LASTS.items()],
            events=[
                b.EventTold(kind=kind, words=summary(event), sized=kind not in WITHOUT_SIZE)
                for kind, event in CHANGES.items()
            ],
            longest_s=LONGEST_S,
        )

    @api.websocket("/live")
    async def live(socket: WebSocket) -> None:
        await socket.accept()
        if len(benches) >= serving.limits.benches:
            await socket.close(FULL, f"{serving.limits.benches} benches are open already.")
            return
        session = Session(socket, serving, sessions, reviewer)
        benches.add(session)
        try:
            await session.attend()
        finally:
            benches.discard(session)

    return api


@cache
def warm() -> None:
    """Load what the first review would otherwise wait for."""
    measured(*Bench({"who": patient_names()[0]}, WARM_S).recorded())


def summary(event: Callable[..., object]) -> str:
    """What an event does, as its function says."""
    return " ".join((event.__doc__ or "").partition("\n\n")[0].split())


def describe_messages(app: FastAPI) -> None:
    """Put the websocket's messages into the description, so that the page's types are made of it."""

    @app.webhooks.post("bench-asked", responses=REFUSED)
    def bench_asked(asked: b.BenchAsked) -> None:
        """Not a request: what the page may say over /api/bench/live, as text."""

    @app.webhooks.post("bench-told", responses=REFUSED)
    def bench_told(told: b.BenchTold) -> None:
        """Not a request: what the page is told over /api/bench/live, as text; frames are binary."""


class Session:
    """One bench and the page before it."""

    tick_s = TICK_S
    measure = staticmethod(measured)
    catch_up_s = 0.25  # of real time; a longer stall is time that did not pass
    longest_wait_s = 4.0  # from one review to the next, while time passes
    asks: TypeAdapter[Any] = b.ASKED

    def __init__(self, socket: WebSocket, serving: Serving, sessions: Sessions, reviewer: Executor) -> None:
        self._socket, self._serving, self._sessions, self._reviewer = socket, serving, sessions, reviewer
        self._bench: Bench | None = None
        self._speed, self._playing, self._generation = 1.0, False, 0
        self._busy = asyncio.Lock()  # one thing at a time happens on a bench
        self._asked: deque[float] = deque(maxlen=MOST_ASKED)
        self._began, self._began_s = 0.0, 0.0  # when time began to pass, and which moment of the bench that was
        self._breaths, self._review_at = 0, 0.0
        self._reviewing = self._once_more = False
        self._together: asyncio.TaskGroup

    async def attend(self) -> None:
        """Answer until the page goes away, which ends everything that goes on for it."""
        try:
            async with asyncio.TaskGroup() as self._together:
                self._together.create_task(self._pace())
                while True:
                    await self._hear(await self._socket.receive_text())
        except* WebSocketDisconnect:
            pass

    # --- what is said ---

    async def _hear(self, text: str) -> None:
        """Do what a message asks."""
        now = asyncio.get_running_loop().time()
        if len(self._asked) == MOST_ASKED and now - self._asked[0] < WITHIN_S:
            await self._show_the_door(FLOOD, "Too many messages at once.")
        self._asked.append(now)
        if not self._admitted():
            await self._show_the_door(STRANGER, "Say the password first.")
        try:
            if len(text) > MOST_BYTES:
                raise OptionError("the message is larger than it may be", where="live bench")
            asked = self.asks.validate_json(text)
            async with self._busy:
                await self._do(asked)
        except ValidationError as error:
            first = error.errors()[0]
            place = ".".join(str(part) for part in first["loc"]) or "message"
            await self._tell(b.RefusedTold(problem=f"{place}: {first['msg']}."))
        except TidebenchError as error:
            await self._tell(b.RefusedTold(problem=str(error)))
            if self._bench is not None:
                await self._tell_now()

    def _admitted(self) -> bool:
        return admits(self._serving, self._sessions, self._socket.headers)

    async def _show_the_door(self, code: int, why: str) -> None:
        await self._socket.close(code, why)
        raise WebSocketDisconnect(code, why)

    async def _do(self, asked: Any) -> None:
        if isinstance(asked, b.BeginAsked):
            said = asked.said.model_dump(exclude_none=True)
            self._bench = await asyncio.to_thread(Bench, said, asked.until_s)
            await self._enter()
            return
        bench = self._bench
        if bench is None:
            raise OptionError("nobody is on the bench yet", where="live bench", expected='first a "begin"')
        match asked:
            case b.GoOnAsked():
                self._speed, self._playing = asked.speed, True
                self._set_clock()
            case b.PauseAsked():
                self._playing = False
                self._look(bench)
            case b.StepAsked():
                self._playing = False
                await self._draw(bench, asked.seconds)
                self._look(bench)
            case b.SetAsked():
                before = bench.set(asked.settings)
                await self._changed(bench, before)
            case b.ManoeuvreAsked():
                bench.do(asked.kind, asked.duration_s)
                await self._changed(bench)
            case b.EventAsked():
                bench.happen(asked.kind, asked.size, asked.over_s)
                await self._changed(bench)
            case b.BackAsked():
                await asyncio.to_thread(bench.go_back, asked.to_s)
                await self._enter()
                return
            case b.FollowAsked():
                await asyncio.to_thread(bench.follow, asked.line)
                await self._enter()
                return
            case b.SaveAsked():
                await self._save(bench, asked.title.strip())
        await self._tell_now()

    async def _changed(self, bench: Bench, before: dict[str, Any] | None = None) -> None:
        latest = [one.text for one in bench.happened if one.at_s == bench.time_s]
        text = latest[-1] if latest else "nothing changed"
        await self._tell(b.ChangedTold(at_s=bench.time_s, text=text, before=before))

    async def _save(self, bench: Bench, title: str) -> None:
        title = title or bench.scenario.title
        folder = self._serving.folder
        name = free_name(folder, title)
        await asyncio.to_thread(bench.save, folder / name, title)
        await self._tell(b.SavedTold(name=name, title=title))

    async def _enter(self) -> None:
        """Show a line from where it is gone on with; time waits until somebody lets it pass."""
        bench = self._bench
        assert bench is not None
        self._generation += 1
        self._playing, self._breaths, self._review_at = False, bench.breaths, 0.0  # may be reviewed at once
        await self._tell_now()
        last = round(bench.time_s * bench.rate_hz)
        frame = bench.frame(max(0, last - round(BEFORE_S * bench.rate_hz)), last)
        await self._socket.send_bytes(b.packed(frame, bench.rate_hz, self._generation))
        await self._tell_truth(bench)
        self._look(bench)

    # --- time ---

    def _set_clock(self) -> None:
        assert self._bench is not None
        self._began, self._began_s = asyncio.get_running_loop().time(), self._bench.time_s

    async def _pace(self) -> None:
        """Let time pass, a frame at each tick. All benches tick at the same moments: the loop wakes once for all."""
        clock = asyncio.get_running_loop().time
        while True:
            await asyncio.sleep(self.tick_s - clock() % self.tick_s)
            async with self._busy:
                bench = self._bench
                if bench is None or not self._playing:
                    continue
                due = self._began_s + (clock() - self._began) * self._speed - bench.time_s
                if due > self.catch_up_s * self._speed:
                    self._set_clock()
                elif due * bench.rate_hz >= 1:
                    await self._go_on(bench, due)

    async def _go_on(self, bench: Bench, seconds: float) -> None:
        try:
            await self._draw(bench, seconds)
        except TidebenchError as error:
            self._playing = False
            await self._tell(b.RefusedTold(problem=str(error)))
            await self._tell_now()
            return
        if bench.breaths != self._breaths:
            self._breaths = bench.breaths
            await self._tell_truth(bench)
            if asyncio.get_running_loop().time() >= self._review_at:
                self._look(bench)

    async def _draw(self, bench: Bench, seconds: float) -> None:
        await self._socket.send_bytes(b.packed(bench.step(seconds), bench.rate_hz, self._generation))

    # --- what is seen ---

    def _look(self, bench: Bench) -> None:
        """Review what was recorded so far; while that is going on, once more after it."""
        if self._reviewing or bench.time_s < LEAST_S:
            self._once_more = self._reviewing
            return
        self._reviewing, self._once_more = True, False
        self._together.create_task(self._review(bench, self._generation))

    async def _review(self, bench: Bench, generation: int) -> None:
        loop = asyncio.get_running_loop()
        try:
            async with self._busy:
                case, recording = await asyncio.to_thread(bench.recorded)
            begun = loop.time()
            found = await loop.run_in_executor(self._reviewer, self.measure, case, recording)
            self._review_at = loop.time() + min((loop.time() - begun) / BUSY_SHARE, self.longest_wait_s)
        except TidebenchError as error:
            log.info("live bench: review refused: %s", type(error).__name__)
            return
        finally:
            self._reviewing = False
        if self._once_more:
            self._look(bench)
        if generation != self._generation:
            return
        await self._tell(
            b.MeasuredTold(
                until_s=found.until_s,
                generation=generation,
                breaths=[
                    b.BreathSeenTold(
                        breath=one.breath, start_s=one.start_s, heading=one.heading, spoken=one.spoken,
                        numbers=[
                            b.SeenNumberTold(key=n.quantity.key, label=n.quantity.label, value=n.value, reason=n.reason)
                            for n in one.numbers
                        ],
                    )
                    for one in found.breaths
                ],
                findings=[m.FindingTold.model_validate(page) for page in found.findings],
                holds=[b.HoldSeenTold.model_validate(hold) for hold in found.holds],
                matters=[m.MatterTold.model_validate(matter) for matter in found.matters],
            )
        )  # fmt: skip

    async def _tell_truth(self, bench: Bench) -> None:
        numbers = [b.TruthNumberTold(key=key, label=label, value=value) for key, label, value in bench.truth()]
        await self._tell(b.TruthTold(numbers=numbers))

    async def _tell_now(self) -> None:
        assert self._bench is not None
        await self._tell(now_told(self._bench, playing=self._playing, speed=self._speed, generation=self._generation))

    async def _tell(self, told: BaseModel) -> None:
        await self._socket.send_text(told.model_dump_json())


def now_told(bench: Bench, *, playing: bool, speed: float, generation: int) -> b.NowTold:
    """How things stand on a bench."""
    return b.NowTold(
        title=bench.scenario.title,
        time_s=bench.time_s,
        playing=playing,
        speed=speed,
        generation=generation,
        line=line_told(bench.here),
        others=[line_told(line) for line in bench.lines],
        sentences=[[part_told(part) for part in sentence] for sentence in settings_sentences(bench.setting)],
        happened=[b.HappenedTold.model_validate(one) for one in bench.happened],
        said=b.SaidAsked.model_validate(
            {key: bench.said[key] for key in b.SaidAsked.model_fields if key in bench.said}
        ),
    )


def line_told(line: Line) -> b.LineTold:
    """A line, with how much was done in it."""
    happened = sum(len(line.said.get(table, ())) for table in ("settings", "manoeuvres", "events")) - 1
    return b.LineTold(
        number=line.number, from_s=line.from_s, until_s=line.until_s, parent=line.parent, happened=happened
    )


def part_told(part: Part) -> b.PartTold:
    """A part of a sentence."""
    if isinstance(part, str):
        return b.WordsTold(text=part)
    if isinstance(part, Choice):
        return b.WordChoiceTold(key=part.key, label=part.label, value=part.value, options=list(part.options))
    assert isinstance(part, Blank)
    return b.BlankTold(
        key=part.quantity.key,
        label=part.quantity.label,
        unit=part.unit,
        value=part.value,
        low=part.low,
        high=part.high,
        step=part.step,
    )
