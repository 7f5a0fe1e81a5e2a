"""A class whose server is killed in the midst of answers: ``python -m tests.class_kills [KILLS]``."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from tidebench.lessons import open_lesson
from tidebench.lessons.classroom import MOST_LEARNERS, Classroom
from tidebench.lessons.record import Record

LESSON, EACH = "reverse-triggers", 4
STEPS = [step.key for step in open_lesson(LESSON)[0].steps]
ROOT = Path(__file__).parents[1]
KILLED = threading.Event()
SERVING = """
import sys
from pathlib import Path
import uvicorn
from tidebench.web.app import create_app
from tidebench.web.options import Serving
uvicorn.run(create_app(Serving(Path(sys.argv[1]), workers=1)), port=int(sys.argv[2]), log_level="error")
"""


@contextmanager
def running(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """A workbench in a process of its own, and its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    begun = subprocess.Popen(
        [sys.executable, "-c", SERVING, str(folder), str(port)],
        env={**os.environ, "PYTHONPATH": str(ROOT / "src")},
    )
    try:
        yield begun, f"http://127.0.0.1:{port}"
    finally:
        begun.kill()
        begun.wait()


def asked(address: str, path: str, body: object, **heads: str) -> Any:
    """Ask until the server that is on its way up answers; once it was killed, no more."""
    request = urllib.request.Request(
        f"{address}{path}", json.dumps(body).encode(),
        {"content-type": "application/json", "x-tidebench": "page", **heads},
    )  # fmt: skip
    until = time.monotonic() + 60
    while True:
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return json.loads(answer.read() or b"null")
        except (ConnectionError, urllib.error.URLError):
            if KILLED.is_set() or time.monotonic() > until:
                raise
            time.sleep(0.1)


def classes(room: Classroom, learners: int) -> list[str]:
    """Tokens of as many learners, in as many classes as it takes, all before the step that is answered."""
    tokens: list[str] = []
    while len(tokens) < learners:
        link = room.open(LESSON, led=False, own_patients=False).link
        tokens += [room.join(link) for _ in range(min(MOST_LEARNERS, learners - len(tokens)))]
    for token in tokens:
        room.go(token, 1)
    return tokens


def killed(folder: Path, kills: int) -> int:
    """Learners answer at once; the server is killed in their midst and comes back on the same folder, again and again.

    How many answers were acknowledged; each of them stands in the record with the mark that was told.
    """
    room = Classroom(Record(folder / "lessons.sqlite"))
    tokens = classes(room, kills * EACH)
    room.record.close()
    acknowledged: dict[str, float] = {}

    def answer(address: str, token: str) -> None:
        body = {"step": STEPS[1], "answer": {"breaths": [2, 4]}}
        acknowledged[token] = asked(address, "/api/class/step/answer", body, **{"x-tidebench-learner": token})["points"]

    rng = np.random.default_rng(1)
    for kill in range(kills):
        KILLED.clear()
        with running(folder) as (process, address), ThreadPoolExecutor(EACH) as pool:
            waiting = [pool.submit(answer, address, token) for token in tokens[kill * EACH :][:EACH]]
            wait(waiting, return_when="FIRST_COMPLETED")
            time.sleep(float(rng.uniform(0, 0.05)))
            process.send_signal(signal.SIGKILL)
            KILLED.set()
    again = Classroom(Record(folder / "lessons.sqlite"))
    for token, points in acknowledged.items():
        assert again.where(token).session.marks[STEPS[1]].points == points
    return len(acknowledged)


if __name__ == "__main__":
    asked_for = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    with tempfile.TemporaryDirectory() as here:
        print(f"{asked_for} kills: {killed(Path(here), asked_for)} answers acknowledged, none lost")
