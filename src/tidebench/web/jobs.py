"""Long work in processes of its own: reported, cancelled, and given up when nobody asks for it any more.

A worker is a process that runs one function after the other. One that is cancelled is ended and replaced, so that a
slow job can't hold up those who wait; a result that was half made leaves nothing (:mod:`tidebench.store`).
"""

from __future__ import annotations

import importlib
import math
import multiprocessing
import queue
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from typing import Any, Literal

from tidebench.errors import OptionError, TidebenchError
from tidebench.web.options import Limits

State = Literal["waiting", "running", "done", "refused", "cancelled"]
OVER: tuple[State, ...] = ("done", "refused", "cancelled")
POLL_S = 0.1
KEPT = 200
TOO_LONG = "The work took longer than it may; it was ended, and what was there before is still there."
BROKEN = "The work stopped by a fault of the program's. What was there before is still there."


@dataclass
class Job:
    """One piece of work and how far it is."""

    name: str
    about: str
    work: str
    words: dict[str, Any]
    most_s: float = math.inf
    state: State = "waiting"
    stage: str = ""
    share: float = 0.0
    problem: str = ""
    outcome: Any = None
    asked: float = field(default_factory=time.monotonic)
    cancel: threading.Event = field(default_factory=threading.Event)


class Jobs:
    """A few workers and the jobs that wait for them."""

    def __init__(self, workers: int, limits: Limits) -> None:
        self._limits = limits
        self._all: dict[str, Job] = {}
        self._waiting: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._threads = [threading.Thread(target=self._serve, daemon=True) for _ in range(workers)]
        for thread in self._threads:
            thread.start()

    def submit(self, about: str, work: str, *, most_s: float = math.inf, **words: Any) -> Job:
        """Put a job in the queue; ``work`` names a function as ``module:function``, called with ``words`` and ``tell``.

        It is ended after ``most_s``. The same work that waits or runs already is not done twice.

        Raises
        ------
        OptionError
            Too many wait already.
        """
        with self._lock:
            if job := self.going(work, **words):
                return job
            if sum(job.state == "waiting" for job in self._all.values()) >= self._limits.waiting_jobs:
                raise OptionError("too much waits to be done already", remedy="Wait until some of it is done.")
            job = Job(secrets.token_urlsafe(9), about, work, words, most_s)
            self._all[job.name] = job
            for old in [name for name, one in self._all.items() if one.state in OVER][:-KEPT]:
                del self._all[old]
        self._waiting.put(job)
        return job

    def going(self, work: str, **words: Any) -> Job | None:
        """The job that does this work, or waits for it; None where none does."""
        for job in list(self._all.values()):
            if job.state not in OVER and (job.work, job.words) == (work, words) and not job.cancel.is_set():
                return job
        return None

    def get(self, name: str) -> Job:
        """A job by its name; asking keeps it alive.

        Raises
        ------
        OptionError
            There is none.
        """
        job = self._all.get(name)
        if job is None:
            raise OptionError("there is no such job", remedy="Begin it again.")
        job.asked = time.monotonic()
        return job

    def cancel(self, name: str) -> Job:
        """Give a job up."""
        job = self.get(name)
        job.cancel.set()
        if job.state == "waiting":
            job.state = "cancelled"
        return job

    def close(self) -> None:
        """End all work."""
        for job in list(self._all.values()):
            job.cancel.set()
        for _ in self._threads:
            self._waiting.put(None)
        for thread in self._threads:
            thread.join(timeout=5)

    def _serve(self) -> None:
        """One thread for each worker: takes a job, lets the worker do it, follows it."""
        worker: Worker | None = None
        while (job := self._waiting.get()) is not None:
            if job.cancel.is_set():
                job.state = "cancelled"
                continue
            if worker is None or not worker.alive:
                worker = Worker()
            job.state = "running"
            if not self._follow(job, worker):
                worker.end()
                worker = None
        if worker:
            worker.end()

    def _follow(self, job: Job, worker: Worker) -> bool:
        """Until it is over; False where the worker is of no use any more."""
        worker.begin(job.work, job.words)
        begun = time.monotonic()
        while True:
            for kind, told in worker.heard(POLL_S):
                if kind == "tell":
                    job.stage, job.share = told
                    continue
                job.problem = "" if kind == "done" else told
                job.outcome = told if kind == "done" else None
                job.state = "done" if kind == "done" else "refused"
                return True
            if job.cancel.is_set() or time.monotonic() - job.asked > self._limits.lease_s:
                job.state = "cancelled"
                return False
            if time.monotonic() - begun > job.most_s:
                job.problem, job.state = TOO_LONG, "refused"
                return False
            if not worker.alive:
                job.problem, job.state = BROKEN, "refused"
                return False


class Worker:
    """A process that does one thing after the other."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._line, far = context.Pipe()
        self._process = context.Process(target=_work, args=(far,), daemon=True)
        self._process.start()
        far.close()

    @property
    def alive(self) -> bool:
        """Whether the process is there."""
        return self._process.is_alive()

    def begin(self, work: str, words: dict[str, Any]) -> None:
        """Set it to work."""
        self._line.send((work, words))

    def heard(self, wait_s: float) -> list[tuple[str, Any]]:
        """What it said since; waits for it a little."""
        said: list[tuple[str, Any]] = []
        try:
            while self._line.poll(0.0 if said else wait_s):
                said.append(self._line.recv())
        except (EOFError, OSError):
            return said
        return said

    def end(self) -> None:
        """Stop the process, whatever it does."""
        self._process.terminate()
        self._process.join(timeout=2)
        if self._process.is_alive():
            self._process.kill()
            self._process.join(timeout=2)
        self._line.close()


class Apart:
    """A function that is called in a process of its own, so that whoever waits for it holds nobody up.

    Parameters
    ----------
    work : str
        The function as ``module:function``; it is called with the words and ``tell``.
    """

    def __init__(self, work: str) -> None:
        self._work = work
        self._worker: Worker | None = None
        self._lock = threading.Lock()

    def __call__(self, **words: Any) -> Any:
        """What the function gives.

        Raises
        ------
        OptionError
            It refused, or the process broke.
        """
        with self._lock:
            if self._worker is None or not self._worker.alive:
                self._worker = Worker()
            self._worker.begin(self._work, words)
            while True:
                for kind, told in self._worker.heard(POLL_S):
                    if kind == "done":
                        return told
                    if kind != "tell":
                        raise OptionError(told)
                if not self._worker.alive:
                    raise OptionError(BROKEN)

    def close(self) -> None:
        """End the process, whatever it does; another call begins another."""
        if self._worker is not None:
            self._worker.end()


def _work(line: Connection) -> None:
    """What a worker does: functions by name, until the line is closed."""
    while True:
        try:
            work, words = line.recv()
        except (EOFError, OSError, KeyboardInterrupt):
            return
        module, _, name = work.partition(":")

        def tell(stage: str, share: float) -> None:
            line.send(("tell", (stage, share)))

        try:
            function: Callable[..., Any] = getattr(importlib.import_module(module), name)
            line.send(("done", function(**words, tell=tell)))
        except TidebenchError as error:
            line.send(("refused", str(error)))
        except (KeyboardInterrupt, BrokenPipeError):  # nobody listens any more
            return
        except Exception as error:
            import traceback

            traceback.print_tb(error.__traceback__)  # where, and not what: a message may hold words of a case
            line.send(("failed", f"{BROKEN} ({type(error).__name__})"))
