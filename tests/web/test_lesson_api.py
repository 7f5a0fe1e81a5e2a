"""Lessons taken alone over the interface: begun with a seed, answered, taken up again, and the bench of a step."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from starlette.testclient import WebSocketTestSession
from starlette.websockets import WebSocketDisconnect

from tests.web.bench import served
from tidebench.lessons import open_lesson
from tidebench.lessons.format import ASKED
from tidebench.lessons.learners import perfect
from tidebench.lessons.record import SCHEMA_VERSION, Record
from tidebench.lessons.stage import Stage
from tidebench.web.server import password_hash

LESSON, SEED = "trapped-gas", 5
OPENED, FOLDER = open_lesson(LESSON)
KEYS = [step.key for step in OPENED.steps]
STAGE = Stage(OPENED, SEED, FOLDER)
LIVE = "/api/class/live"


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with served(tmp_path) as client:
        yield client


def begun(client: TestClient, **asked: Any) -> dict[str, str]:
    """A learner's header."""
    done = client.post("/api/lessons/alone", json={"lesson": LESSON, "seed": SEED, **asked})
    assert done.status_code == 200, done.text
    return {"x-tidebench-learner": done.json()["learner"]}


def stood(client: TestClient, who: dict[str, str]) -> Any:
    return client.get("/api/class", headers=who).json()


def right(client: TestClient, who: dict[str, str], until: str) -> None:
    """Answer rightly, step by step, until one is reached."""
    for place, step in enumerate(OPENED.steps):
        assert client.post("/api/class/step/go", json={"place": place}, headers=who).status_code == 204
        if step.key == until:
            return
        if isinstance(step, ASKED):
            answer = perfect(STAGE, step, np.random.default_rng(0))
            body = {"step": step.key, "answer": answer}
            assert client.post("/api/class/step/answer", json=body, headers=who).json()["points"] == 1.0


def test_the_same_seed_brings_the_same_patient_and_none_is_drawn_by_chance(client: TestClient) -> None:
    one, other, chance = begun(client), begun(client, name="Ann"), begun(client, seed=None)
    assert stood(client, one)["figure"] == stood(client, other)["figure"]
    assert stood(client, chance)["figure"] != stood(client, one)["figure"]
    assert client.post("/api/lessons/alone", json={"lesson": LESSON, "seed": -1}).status_code == 422
    assert client.post("/api/lessons/alone", json={"lesson": "../x"}).status_code == 404


def test_a_step_says_what_is_asked_and_nothing_of_the_truth(client: TestClient) -> None:
    who = begun(client)
    first = stood(client, who)
    assert (first["kind"], first["alone"], first["led"], first["mark"]) == ("explain", True, False, None)
    assert [step["points"] for step in first["steps"]] == [None] * len(KEYS)
    assert len(first["figure"]["rows"]) == len(first["figure"]["breaths"])
    right(client, who, "fewer")
    step = stood(client, who)
    assert [way["truth"] for way in step["ways"]] == [ask.truth for ask in STAGE.lesson.steps[3].asks]  # type: ignore[union-attr]
    assert max(step["figure"]["time_s"]) <= 60.0  # what comes after the change is not shown yet
    assert "muscle_pressure" not in json.dumps(step)


def test_a_wrong_answer_shows_the_curve_that_proves_it(client: TestClient) -> None:
    who = begun(client)
    right(client, who, "hold")
    body = {"step": "hold", "answer": {"value": 40.0, "manoeuvres": []}}
    marked = client.post("/api/class/step/answer", json=body, headers=who).json()
    assert marked["points"] == 0.0
    assert marked["parts"][0]["yours"] == "40.0 cmH2O"
    assert [channel["key"] for channel in marked["proof"]["channels"]] == ["airway_pressure", "flow"]
    assert stood(client, who)["given"] == {"value": 40.0, "manoeuvres": []}


def test_an_attempt_goes_on_after_the_server_was_away_and_comes_to_a_result(tmp_path: Path) -> None:
    with served(tmp_path) as client:
        who = begun(client, name="Ann")
        right(client, who, "hold")
    with served(tmp_path) as client:
        assert stood(client, who)["key"] == "hold"
        assert client.get("/api/class/result", headers=who).json()["over"] is False
        right(client, who, "let-it-out")
        body = {"step": "let-it-out", "answer": perfect(STAGE, OPENED.steps[-1], np.random.default_rng(0))}
        assert client.post("/api/class/step/answer", json=body, headers=who).json()["points"] == 1.0
        told = client.get("/api/class/result", headers=who).json()
    assert (told["over"], told["passed"], told["points"], told["of"]) == (True, True, 5.0, 5.0)
    assert told["expires"] > "2026"
    assert [row["points"] for row in told["objectives"]] == [2.0, 3.0]
    assert [row.passed for row in Record(tmp_path / "lessons.sqlite").attempts("Ann")] == [1]


def test_who_learns_alone_needs_the_password_to_begin_and_the_token_from_then_on(tmp_path: Path) -> None:
    from tidebench.lessons.classroom import Classroom

    token = Classroom(Record(tmp_path / "lessons.sqlite")).alone(LESSON, SEED)
    with served(tmp_path, password_hash=password_hash("long enough a password")) as client:
        assert client.post("/api/lessons/alone", json={"lesson": LESSON}).status_code == 401
        assert client.get("/api/class", headers={"x-tidebench-learner": token}).status_code == 200
        assert client.get("/api/quantities").status_code == 200  # words and units for learners


@pytest.mark.parametrize("version", [1, 2])
def test_a_record_of_an_earlier_version_goes_on(tmp_path: Path, version: int) -> None:
    """The members of its classes stay, seated as they joined; a member may belong to no class, and has no seat."""
    from tidebench.lessons.classroom import Classroom

    path = tmp_path / "r.sqlite"
    room = Classroom(Record(path))
    link = room.open(LESSON, led=False).link
    tokens = [room.join(link), room.join(link)]
    if version == 2:
        tokens.append(room.alone(LESSON, 3))
    room.record.close()
    needed = "NOT NULL " if version == 1 else ""
    with sqlite3.connect(path) as old:
        old.execute("ALTER TABLE member RENAME TO late")
        old.execute(
            f"CREATE TABLE member (id INTEGER PRIMARY KEY AUTOINCREMENT, class INTEGER {needed}REFERENCES class(id) "
            "ON DELETE CASCADE, token TEXT NOT NULL UNIQUE, attempt INTEGER NOT NULL REFERENCES attempt(id) "
            "ON DELETE CASCADE) STRICT"
        )
        old.execute("INSERT INTO member SELECT id, class, token, attempt FROM late")
        old.execute("DROP TABLE late")
        old.execute("ALTER TABLE answer DROP COLUMN words")
        old.execute(f"PRAGMA user_version = {version}")
    old.close()
    again = Classroom(Record(path))
    assert [again.where(token).name for token in tokens] == [LESSON] * len(tokens)
    assert [again.where(token).seat for token in tokens] == [1, 2, None][: len(tokens)]
    assert again.where(again.join(link)).seat == 3
    assert again.now(again.alone(LESSON, 3)).alone
    assert again.record.rows("PRAGMA user_version") == [(SCHEMA_VERSION,)]


# --- the bench of a step ---


def heard(socket: WebSocketTestSession, kind: str, **wanted: Any) -> Any:
    """Listen until something of this kind is told, with these values."""
    while True:
        message = socket.receive()
        if message["type"] == "websocket.close":
            raise WebSocketDisconnect(message["code"], message.get("reason"))
        if message.get("text") is None:
            continue
        told = json.loads(message["text"])
        if told["tell"] == kind and all(told[key] == value for key, value in wanted.items()):
            return told


def seated(client: TestClient, who: dict[str, str], step: str) -> Any:
    socket = client.websocket_connect(LIVE)
    told = {"do": "sit", "learner": who["x-tidebench-learner"], "step": step}
    return socket, told


def test_an_act_at_the_bench_is_counted_and_marked_by_the_server(client: TestClient) -> None:
    who = begun(client)
    right(client, who, "let-it-out")
    socket, sit = seated(client, who, "let-it-out")
    with socket:
        socket.send_json(sit)
        first = heard(socket, "sat")
        changeable = {part["key"] for line in first["sentences"] for part in line if part["part"] == "number"}
        assert changeable == {"rate_per_min", "tidal_volume_ml", "inspiratory_flow_l_min", "peep_cmh2o"}
        assert [limit["inside"] for limit in first["limits"]] == [None, None, None]
        socket.send_json({"do": "play", "speed": 20})
        heard(socket, "sat", playing=True)
        socket.send_json({"do": "set", "settings": {"rate_per_min": 10}})
        assert "rate 10 /min" in heard(socket, "changed")["text"]
        socket.send_json({"do": "set", "settings": {"fio2": 1.0}})
        assert "may not be changed" in heard(socket, "refused")["problem"]
        socket.send_json({"do": "end"})
        marked = heard(socket, "marked")["mark"]
        assert marked["points"] == 1.0
    last = stood(client, who)
    assert last["mark"]["said"] == marked["said"]
    assert [row["settings"] for row in last["given"]["actions"]] == [{"rate_per_min": 10.0}]
    assert client.get("/api/class/result", headers=who).json()["over"] is True
    told = client.get("/api/class/debrief/let-it-out", headers=who).json()
    assert f"{told['limits'][0]['inside_s']:.0f} of" in told["said"].replace("Inside all limits ", "")
    assert {row["who"] for row in told["rows"]} == {"learner", "reference", "patient"}
    assert len(told["time_s"]) == len(told["limits"][0]["yours"]) == len(told["limits"][0]["reference"])
    for step in ("hold", "nothing"):
        assert client.get(f"/api/class/debrief/{step}", headers=who).status_code == 404


def test_the_bench_goes_on_with_what_was_done_and_one_seat_is_a_learners(client: TestClient) -> None:
    who = begun(client)
    right(client, who, "let-it-out")
    socket, sit = seated(client, who, "let-it-out")
    did = [{"at_s": 10.0, "settings": {"rate_per_min": 10}}]
    with socket:
        socket.send_json({**sit, "actions": did, "until_s": 100.0})
        told = heard(socket, "sat")
        assert told["time_s"] == pytest.approx(100.0)
        assert told["deeds"] == [{"at_s": 10.0, "text": "set rate 10 /min"}]
        assert told["limits"][0]["inside"] is True
        other, _ = seated(client, who, "let-it-out")
        with other:
            other.send_json(sit)
            assert heard(other, "sat")["time_s"] == 0.0
            with pytest.raises(WebSocketDisconnect) as left:
                heard(socket, "marked")
        assert left.value.code == 4409


def test_strangers_and_steps_without_a_bench_are_refused(client: TestClient) -> None:
    who = begun(client)
    with client.websocket_connect(LIVE) as socket:
        socket.send_json({"do": "play", "speed": 1})
        assert "nobody sits" in heard(socket, "refused")["problem"]
        socket.send_json({"do": "sit", "learner": "x" * 43, "step": "let-it-out"})
        assert "no such learner" in heard(socket, "refused")["problem"]
        for step in ("let-it-out", "why"):  # not asked yet; no bench
            socket.send_json({"do": "sit", "learner": who["x-tidebench-learner"], "step": step})
            assert heard(socket, "refused")["problem"]
        socket.send_json({"do": "event", "kind": "pneumothorax"})
        assert "tag" in heard(socket, "refused")["problem"]


def test_who_takes_a_place_and_does_not_sit_down_is_shown_the_door(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tidebench.web.lesson_bench.SIT_WITHIN_S", 0.2)
    with client.websocket_connect(LIVE) as socket:
        assert socket.receive()["code"] == 4401


def test_no_more_learners_sit_than_may(tmp_path: Path) -> None:
    from dataclasses import replace

    from tests.web.bench import REPORTED

    with served(tmp_path, limits=replace(REPORTED, lesson_benches=1)) as client, client.websocket_connect(LIVE):  # noqa: SIM117
        with client.websocket_connect(LIVE) as full:
            message = full.receive()
    assert message["code"] == 4429
