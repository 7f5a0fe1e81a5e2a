"""The live bench over its websocket: what is told is what the library gives, and what can't be is refused in words."""

from __future__ import annotations

import json
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from starlette.testclient import WebSocketTestSession
from starlette.websockets import WebSocketDisconnect

from tests.web.bench import REPORTED, served
from tidebench.bench import BANDS, Bench
from tidebench.case import load_case
from tidebench.quantities import quantity
from tidebench.readers import open_recording
from tidebench.web.bench_models import HEAD
from tidebench.web.guard import COOKIE
from tidebench.web.server import password_hash

LIVE = "/api/bench/live"
Told = dict[str, Any]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("casebook")


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with served(folder) as client:
        yield client


class Sat:
    """Somebody before the bench: says things, and keeps what is told."""

    def __init__(self, socket: WebSocketTestSession) -> None:
        self.socket = socket
        self.frames: list[tuple[float, np.ndarray[Any, Any], int]] = []
        self.told: list[Told] = []

    def say(self, **words: Any) -> None:
        """Say something, without waiting."""
        self.socket.send_json(words)

    def hear(self, kind: str) -> Told:
        """Listen until something of this kind is told."""
        while True:
            message = self.socket.receive()
            if message["type"] == "websocket.close":
                raise WebSocketDisconnect(message["code"])
            if message.get("bytes"):
                self.frames.append(unpacked(message["bytes"]))
                continue
            told: Told = json.loads(message["text"])
            self.told.append(told)
            if told["tell"] == kind:
                return told

    def begin(self, who: str = "copd", **words: Any) -> Told:
        """Begin with a patient."""
        self.say(do="begin", said={"who": who, **words})
        return self.hear("now")

    def drawn(self) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
        """Times and bands of every frame of the last past so far."""
        last = self.frames[-1][2]
        mine = [frame for frame in self.frames if frame[2] == last]
        times = np.concatenate([first + np.arange(bands.shape[1]) / 100 for first, bands, _ in mine])
        return times, np.concatenate([bands for _, bands, _ in mine], axis=1)


def unpacked(data: bytes) -> tuple[float, np.ndarray[Any, Any], int]:
    """Time, bands and generation of a frame."""
    first, _, n, _, _, parts, generation = HEAD.unpack_from(data)
    values = np.frombuffer(data, "<f4", offset=HEAD.size)
    assert len(values) == n * len(BANDS) + 3 * parts
    return first, values[: n * len(BANDS)].reshape(len(BANDS), n), generation


@contextmanager
def sitting(client: TestClient, **words: Any) -> Iterator[Sat]:
    """Sit down before a bench."""
    with client.websocket_connect(LIVE, **words) as socket:
        yield Sat(socket)


def test_offer_names_what_a_scenario_takes(client: TestClient) -> None:
    offer = client.get("/api/bench").json()
    assert "copd" in [patient["name"] for patient in offer["patients"]]
    with sitting(client) as sat:
        sat.begin()
        for event in offer["events"]:
            sat.say(do="event", kind=event["kind"], **({"size": 0.5} if event["sized"] else {}))
            assert sat.hear("changed")["text"].startswith(event["kind"])


def test_frames_are_the_library_s_own_signals(client: TestClient) -> None:
    with sitting(client) as sat:
        sat.begin()
        sat.say(do="step", seconds=12.0)
        sat.hear("now")
        times, bands = sat.drawn()
    bench = Bench({"who": "copd"})
    assert len(times) == 1200
    assert np.allclose(bands, bench.step(12.0).bands, rtol=1e-6, atol=1e-5)


def test_time_passes_as_fast_as_asked(client: TestClient) -> None:
    with sitting(client) as sat:
        sat.begin()
        sat.say(do="play", speed=4.0)
        sat.hear("now")
        time.sleep(1.0)
        sat.say(do="pause")
        now = sat.hear("now")
        assert not now["playing"]
        assert 1.0 < now["time_s"] < 8.0
        times, _ = sat.drawn()
    assert np.allclose(np.diff(times), 0.01)


def test_changed_setting_is_said_and_can_be_taken_back(client: TestClient) -> None:
    with sitting(client) as sat:
        sat.begin()
        sat.say(do="step", seconds=5.0)
        sat.hear("now")
        sat.say(do="set", settings={"peep_cmh2o": 9.0})
        changed = sat.hear("changed")
        assert changed["text"] == "set PEEP 5.0 → 9.0 cmH2O"
        assert blank(sat.hear("now"), "peep_cmh2o")["value"] == 9.0
        sat.say(do="step", seconds=2.0)
        sat.hear("now")
        assert sat.drawn()[1][BANDS.index("pressure"), -1] > 8.5
        sat.say(do="set", settings=changed["before"])
        assert blank(sat.hear("now"), "peep_cmh2o")["value"] == 5.0


def test_other_mode_goes_on_about_as_before(client: TestClient) -> None:
    """Pressure control set to what elastance took of a volume-controlled breath gives about its volume."""
    with sitting(client) as sat:
        sat.begin("ards-mild")
        sat.say(do="step", seconds=30.0)
        sat.hear("now")
        sat.say(do="set", settings={"mode": "A/C-PC"})
        keys = [part["key"] for sentence in sat.hear("now")["sentences"] for part in sentence if "key" in part]
        assert "pressure_control_cmh2o" in keys
        assert "tidal_volume_ml" not in keys
        sat.say(do="step", seconds=30.0)
        sat.hear("now")
        _, bands = sat.drawn()
    volume = bands[BANDS.index("volume")]
    before, after = (np.ptp(volume[part]) for part in (slice(2000, 3000), slice(5000, 6000)))
    assert after == pytest.approx(before, rel=0.25)


def test_going_back_gives_the_same_again_and_keeps_what_was(client: TestClient) -> None:
    with sitting(client) as sat:
        sat.begin()
        sat.say(do="step", seconds=20.0)
        sat.say(do="event", kind="bronchospasm")
        sat.say(do="step", seconds=10.0)
        for _ in range(3):
            sat.hear("now")
        _, first = sat.drawn()
        sat.say(do="back", to_s=15.0)
        now = sat.hear("now")
        assert now["time_s"] == 15.0
        assert now["happened"] == []
        assert [(line["number"], line["until_s"]) for line in now["others"]] == [(1, 30.0)]
        sat.say(do="step", seconds=5.0)
        sat.hear("now")
        times, again = sat.drawn()
        assert np.array_equal(again[:, times >= 15.0 - 1e-9], first[:, 1500:2000])
        sat.say(do="follow", line=1)
        now = sat.hear("now")
        assert (now["line"]["number"], now["time_s"]) == (1, 30.0)
        assert [one["text"] for one in now["happened"]] == ["bronchospasm"]


def test_measured_is_the_review_of_the_saved_case(client: TestClient, folder: Path) -> None:
    from tidebench.review import review

    with sitting(client) as sat:
        sat.begin("ards-mild")
        sat.say(do="step", seconds=40.0)
        sat.say(do="manoeuvre", kind="inspiratory hold")
        sat.say(do="step", seconds=20.0)
        told = sat.hear("measured")
        while told["until_s"] < 60.0:
            told = sat.hear("measured")
        sat.say(do="save", title="Tried on the bench")
        saved = sat.hear("saved")
    case = load_case(folder / saved["name"])
    assert case.title == "Tried on the bench"
    done = review(case, open_recording(case))
    whole = done.breaths.filter(done.breaths["end_s"] < 59.9)
    assert told["breaths"][0]["breath"] == whole.height - 1
    for number in told["breaths"][0]["numbers"]:
        assert number["value"] == quantity(number["key"]).text(whole[number["key"]][-1])
    assert len(told["findings"]) == min(12, done.findings.height)
    assert "plateau pressure" in told["holds"][0]["text"]
    assert (folder / saved["name"] / "truth_breaths.csv").is_file()


def test_what_was_said_comes_to_the_same_moment(client: TestClient) -> None:
    with sitting(client) as sat:
        sat.begin()
        sat.say(do="step", seconds=8.0)
        sat.say(do="set", settings={"rate_per_min": 22.0})
        sat.say(do="step", seconds=8.0)
        now = [sat.hear("now") for _ in range(3)][-1]
        _, first = sat.drawn()
        sat.say(do="begin", said=now["said"], until_s=now["time_s"])
        again = sat.hear("now")
        assert {**again, "generation": 0} == {**now, "generation": 0}
        sat.say(do="step", seconds=1.0)
        sat.hear("now")
        times, second = sat.drawn()
        assert np.array_equal(second[:, :1200], first[:, 400:])
        assert times[-1] == pytest.approx(16.99)


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        ({"do": "set", "settings": {"peep_cmh2o": 900.0}}, "set PEEP"),
        ({"do": "set", "settings": {"nonesuch": 1.0}}, "nonesuch"),
        ({"do": "set", "settings": {"mode": "A/C-XY"}}, "mode"),
        ({"do": "manoeuvre", "kind": "nonesuch"}, "kind"),
        ({"do": "event", "kind": "apnoea", "size": 2.0}, "size"),
        ({"do": "back", "to_s": 99.0}, "has not been yet"),
        ({"do": "follow", "line": 7}, "there is no line 7"),
        ({"do": "save"}, "at least 2 s"),
        ({"do": "begin", "said": {"who": "nobody"}}, "nobody"),
        ({"do": "begin", "said": {"who": "copd", "lung": {}}}, "lung"),
        ({"do": "step", "seconds": 1e9}, "seconds"),
        ({"do": "fly"}, "fly"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_words_and_changes_nothing(client: TestClient, words: Told, problem: str) -> None:
    with sitting(client) as sat:
        first = sat.begin()
        sat.say(**words)
        assert problem in sat.hear("refused")["problem"]
        sat.say(do="pause")
        assert sat.hear("now")["said"] == first["said"]


def test_second_hold_within_the_first_is_refused(client: TestClient) -> None:
    with sitting(client) as sat:
        sat.begin()
        sat.say(do="manoeuvre", kind="expiratory hold")
        sat.hear("changed")
        sat.say(do="manoeuvre", kind="suction")
        assert "before the expiratory hold" in sat.hear("refused")["problem"]


def test_nobody_on_the_bench_and_no_message_are_refused(client: TestClient) -> None:
    with sitting(client) as sat:
        sat.say(do="pause")
        assert "nobody is on the bench" in sat.hear("refused")["problem"]
        sat.socket.send_text("{")
        assert sat.hear("refused")["problem"]
        sat.socket.send_text('{"do": "save", "title": "' + "x" * 70_000 + '"}')
        assert "larger than it may be" in sat.hear("refused")["problem"]


def test_flood_of_messages_is_shown_the_door(client: TestClient) -> None:
    with sitting(client) as sat:
        for _ in range(200):
            sat.say(do="pause")
        with pytest.raises(WebSocketDisconnect) as gone:
            sat.hear("never")
        assert gone.value.code == 1008


def test_more_benches_than_may_be_are_refused_and_leaving_makes_room(folder: Path) -> None:
    with served(folder, limits=replace(REPORTED, benches=1)) as client:
        with sitting(client) as first:
            first.begin()
            with sitting(client) as second, pytest.raises(WebSocketDisconnect) as full:
                second.hear("now")
            assert full.value.code == 4429
        with sitting(client) as third:
            assert third.begin()["time_s"] == 0.0


def test_strangers_and_other_sites_are_refused(folder: Path) -> None:
    with served(folder, password_hash=password_hash("a long password")) as client:
        with pytest.raises(WebSocketDisconnect) as refused, sitting(client):
            pass
        assert refused.value.code == 4403
        client.post("/api/session", json={"password": "a long password"})
        own = {"cookie": f"{COOKIE}={client.cookies[COOKIE]}"}
        with (
            pytest.raises(WebSocketDisconnect) as refused,
            sitting(client, headers={**own, "origin": "https://elsewhere.example"}),
        ):
            pass
        assert refused.value.code == 4403
        with sitting(client, headers=own) as sat:
            sat.begin()
            client.delete("/api/session")
            sat.say(do="pause")
            with pytest.raises(WebSocketDisconnect) as ended:
                sat.hear("now")
            assert ended.value.code == 4401


def test_head_of_a_frame_is_as_described() -> None:
    assert HEAD.size == struct.calcsize("<dfIIIII") == 32


def blank(now: Told, key: str) -> Told:
    """A place in the sentences."""
    return next(part for sentence in now["sentences"] for part in sentence if part.get("key") == key)
