"""Who may ask: this machine, or who knows the password; never another site's page."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from tests.web.bench import served
from tidebench.errors import OptionError
from tidebench.web.app import create_app
from tidebench.web.guard import COOKIE, Sessions, Tries
from tidebench.web.options import Limits, Serving, is_loopback
from tidebench.web.server import password_hash

PASSWORD = "a long enough password"


@pytest.mark.parametrize(
    ("host", "ours"),
    [("127.0.0.1", True), ("localhost", True), ("::1", True), ("[::1]", True), ("127.8.8.8", True),
     ("0.0.0.0", False), ("10.0.0.3", False), ("::", False), ("localhost.example", False)],
)  # fmt: skip
def test_loopback_is_told_from_the_rest(host: str, ours: bool) -> None:
    assert is_loopback(host) is ours


def test_every_answer_carries_the_policy_and_asks_nobody_else(tmp_path: Path) -> None:
    with served(tmp_path) as client:
        for path in ("/api/about", "/api/cases", "/api/nothing", "/api/jobs/none"):
            told = client.get(path).headers
            assert "default-src 'none'" in told["content-security-policy"]
            assert "unsafe" not in told["content-security-policy"]
            assert told["x-content-type-options"] == "nosniff"
            assert told["cache-control"] == "no-store"
        assert client.get("/docs").status_code == 404
        assert client.get("/redoc").status_code == 404


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"host": "somewhere.example"}, 400),
        ({"origin": "http://somewhere.example"}, 403),
        ({"origin": "null"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"x-tidebench": ""}, 403),
        ({"content-encoding": "gzip"}, 415),
        ({"origin": "http://localhost", "sec-fetch-site": "same-origin"}, 200),
    ],
)
def test_requests_of_other_sites_change_nothing(tmp_path: Path, headers: dict[str, str], status: int) -> None:
    with served(tmp_path) as client:
        assert client.post("/api/cases", json={"title": "x"}, headers=headers).status_code == status
    assert len([path for path in tmp_path.iterdir() if path.is_dir()]) == (1 if status == 200 else 0)


def test_body_that_is_too_large_is_cut_off(tmp_path: Path) -> None:
    with served(tmp_path, limits=Limits(body_bytes=5000)) as client:
        assert client.post("/api/cases", json={"notes": "x" * 3000}).status_code == 200
        answer = client.post("/api/cases", json={"notes": "x" * 6000})
        assert answer.status_code == 413
        assert "larger" in answer.json()["problem"]


@pytest.fixture(scope="module")
def locked() -> str:
    return password_hash(PASSWORD)


def test_other_machines_say_the_password_first(tmp_path: Path, locked: str) -> None:
    with served(tmp_path, host="10.0.0.3", password_hash=locked, secure=True) as client:
        assert client.get("/api/about").json()["locked"] is True
        for path in ("/api/cases", "/api/case-form", "/api/openapi.json"):
            assert client.get(path).status_code == 401
        assert client.post("/api/session", json={"password": "guess"}).status_code == 401
        answer = client.post("/api/session", json={"password": PASSWORD})
        assert answer.status_code == 204
        cookie = answer.headers["set-cookie"]
        for word in ("HttpOnly", "SameSite=strict", "Secure", "Path=/"):
            assert word in cookie
        token = cookie.split("=", 1)[1].split(";")[0]
        assert client.get("/api/cases", headers={"cookie": f"{COOKIE}={token}"}).status_code == 200
        assert client.delete("/api/session", headers={"cookie": f"{COOKIE}={token}"}).status_code == 204
        assert client.get("/api/cases", headers={"cookie": f"{COOKIE}={token}"}).status_code == 401


def test_guessing_has_to_wait(tmp_path: Path, locked: str) -> None:
    with served(tmp_path, host="10.0.0.3", password_hash=locked, limits=Limits(tries=2)) as client:
        for _ in range(2):
            assert client.post("/api/session", json={"password": "guess"}).status_code == 401
        answer = client.post("/api/session", json={"password": PASSWORD})
        assert answer.status_code == 429
        assert int(answer.headers["retry-after"]) > 0


def test_tries_and_sessions_run_out_by_the_clock() -> None:
    now = [0.0]
    tries, sessions = Tries(2, 60, lambda: now[0]), Sessions(100, lambda: now[0])
    tries.wrong("a")
    tries.wrong("a")
    assert tries.wait_s("a") == 60
    assert tries.wait_s("b") == 0
    token = sessions.begin()
    now[0] = 61
    assert tries.wait_s("a") == 0
    assert sessions.holds(token)  # used, so it lasts from here
    now[0] = 160
    assert sessions.holds(token)
    now[0] = 261
    assert not sessions.holds(token)


def test_short_password_is_refused() -> None:
    with pytest.raises(OptionError, match="too short"):
        password_hash("short")


def test_log_lines_hold_no_case(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, logger="tidebench.web"), served(tmp_path) as client:
        client.post("/api/cases", json={"title": "Somebody special"})
        client.get("/api/cases/somebody-special/review")
        client.get("/api/cases/somebody-special/signals", params={"from": 1, "to": 2})
    assert "/api/cases/{name}/review" in caplog.text
    assert "omebody" not in caplog.text


def test_fault_is_answered_and_logged_without_its_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    words = "".join(["Some", "body"])  # the line of code may be logged, its values may not

    def broken(_: Path) -> None:
        raise RuntimeError(words)

    monkeypatch.setattr("tidebench.web.casebook_routes.entries", broken)
    app = create_app(Serving(tmp_path, workers=1))
    with TestClient(app, base_url="http://localhost", raise_server_exceptions=False) as client:
        answer = client.get("/api/cases")
    assert answer.status_code == 500
    assert "fault of the program" in answer.json()["problem"]
    assert words not in answer.text + caplog.text
    assert "RuntimeError" in caplog.text
