"""Sixty learners over real connections: joining at once, and as many live benches by websocket.

    python benchmarks/class_over_the_line.py [LEARNERS]

A workbench runs in a process of its own; learners are simulated by this one, which takes some of the machine too.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import struct
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import websockets

LESSON, ACT, LEARNERS, SECONDS, SPARE = "trapped-gas", "let-it-out", 60, 20.0, 3.0
PROJECTED_S = 5.0
"""From opening a class until its link is typed or scanned by the first."""
HEAD = struct.Struct("<dfIIIII")
ROOT = Path(__file__).parents[1]
SERVE = """
import sys
from pathlib import Path
import uvicorn
from tidebench.web.app import create_app
from tidebench.web.options import Serving
uvicorn.run(create_app(Serving(Path(sys.argv[1]), workers=1)), port=int(sys.argv[2]), log_level="error",
            ws_per_message_deflate=False)
"""


def asked(address: str, path: str, body: object = None, **heads: str) -> Any:
    """An answer of the server."""
    data = None if body is None else json.dumps(body).encode()
    head = {"content-type": "application/json", "x-tidebench": "page", **heads}
    with urllib.request.urlopen(urllib.request.Request(f"http://{address}/api{path}", data, head), timeout=60) as got:
        return json.loads(got.read() or b"null")


@contextmanager
def running(folder: Path) -> Iterator[tuple[str, int]]:
    """A workbench, and its process."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    source = os.pathsep.join(filter(None, [str(ROOT / "src"), os.environ.get("PYTHONPATH", "")]))
    process = subprocess.Popen(
        [sys.executable, "-c", SERVE, str(folder), str(port)], env={**os.environ, "PYTHONPATH": source}
    )
    try:
        address = f"127.0.0.1:{port}"
        for _ in range(600):
            try:
                asked(address, "/about")
                break
            except OSError:
                time.sleep(0.1)
        yield address, process.pid
    finally:
        process.kill()
        process.wait()


def processor_s(pid: int) -> float:
    """Processor time of a process so far; NaN where the system doesn't tell."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    except OSError:
        return float("nan")
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def opened(address: str, place: int) -> tuple[str, dict[str, str]]:
    """A class at one of its steps: the link, and the teacher's header."""
    told = asked(address, "/lessons/class", {"lesson": LESSON})
    head = {"x-tidebench-teacher": told["teacher"]}
    asked(address, "/lessons/class/steer", {"place": place}, **head)
    return told["link"], head


def joined(address: str, link: str) -> tuple[float, str]:
    """Seconds to join and see the step, and the learner's token."""
    begun = time.perf_counter()
    token = asked(address, f"/class/{link}", {})["learner"]
    asked(address, "/class", **{"x-tidebench-learner": token})
    return time.perf_counter() - begun, token


async def watched(address: str, token: str, seconds: float) -> tuple[float, list[float]]:
    """Patient's time over real time, and the seconds between frames of one bench."""
    async with websockets.connect(f"ws://{address}/api/class/live", compression=None) as line:
        await line.send(json.dumps({"do": "sit", "learner": token, "step": ACT}))
        await line.send(json.dumps({"do": "play", "speed": 1.0}))
        clock = asyncio.get_running_loop().time
        times: list[float] = []
        first = last = float("nan")
        begun = clock()
        while clock() < begun + seconds + SPARE:
            message = await line.recv()
            if isinstance(message, str) or clock() < begun + SPARE:
                continue
            at, rate, samples, *_ = HEAD.unpack_from(message)
            last = at + samples / rate
            first = last if not times else first
            times.append(clock())
        return (last - first) / (times[-1] - times[0]), np.diff(times).tolist()


async def sat(address: str, tokens: list[str], seconds: float) -> list[tuple[float, list[float]]]:
    """All at their benches at once."""
    return await asyncio.gather(*(watched(address, token, seconds) for token in tokens))


def main(learners: int) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder, running(Path(folder)) as (address, pid):
        for place in (0, 5):
            joined(address, opened(address, place)[0])  # compiled from now on
        print("| what | measured |\n| --- | --- |")
        link, _ = opened(address, 0)
        time.sleep(PROJECTED_S)
        spent = processor_s(pid)
        with ThreadPoolExecutor(learners) as pool:
            came = list(pool.map(lambda _: joined(address, link), range(learners)))
        took = [one for one, _ in came]
        spent = processor_s(pid) - spent
        print(f"| {learners} join in the same instant and see the first step: median, most, s | {np.median(took):.2f}, "
              f"{max(took):.2f} |")  # fmt: skip
        print(f"| processor time of the server for each, ms | {1000 * spent / learners:.1f} |")
        link, _ = opened(address, 5)
        tokens = [joined(address, link)[1] for _ in range(learners)]
        spent = processor_s(pid)
        done = asyncio.run(sat(address, tokens, SECONDS))
        spent = (processor_s(pid) - spent) / (SECONDS + SPARE)
        gaps = np.concatenate([between for _, between in done])
        print(f"| {learners} benches: frames a second each, median, least | {1 / np.median(gaps):.1f}, "
              f"{min(1 / np.mean(between) for _, between in done):.1f} |")  # fmt: skip
        print(f"| patient's time over real time, least | {min(share for share, _ in done):.3f} |")
        print(f"| between two frames, 95th percentile, most, ms | {1000 * np.quantile(gaps, 0.95):.0f}, "
              f"{1000 * gaps.max():.0f} |")  # fmt: skip
        print(f"| processor time of the server, s a second | {spent:.2f} |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else LEARNERS)
