"""Alarms on the page are replayed as `tidebench log` does: the same counts, the same choices, the same refusals."""

from __future__ import annotations

import json
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from fastapi.testclient import TestClient
from pypdf import PdfReader

from tests.reference.plain_alarm import Piece, soundings
from tests.web.bench import CASE, casebook, served
from tidebench.cli import main

URL = f"/api/cases/{CASE}/alarms"
PEAK = {"key": "peak_pressure_cmh2o", "side": "high"}
NOW, THEN, MUST = {"limit": 29.0, "delay_s": 0.0}, {"limit": 30.0, "delay_s": 3.0}, {"limit": 30.0, "delay_s": 0.0}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return casebook(tmp_path_factory.mktemp("casebook"))


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with served(folder) as client:
        yield client


@pytest.fixture
def printed(folder: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    case = folder / CASE
    main([
        "log", "--case", str(case), "--review", str(case / "review"), "--now=peak_pressure_cmh2o.high=29@0",
        "--then=peak_pressure_cmh2o.high=30@3", "--must=peak_pressure_cmh2o.high=30@0", "--json",
    ])  # fmt: skip
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    return told


def test_alarms_and_their_choices_are_those_of_the_command(client: TestClient, printed: dict[str, Any]) -> None:
    alarms = client.post(URL, json={"must": {**PEAK, "must": MUST}}).json()["alarms"]
    told = printed["limits_replayed"]
    assert [(one["key"], one["side"], one["events"]) for one in alarms] == [
        (one["quantity"], one["side"], one["events"]) for one in told
    ]
    for alarm, one in zip(alarms, told, strict=True):
        offers = [(offer["limit"], offer["delay_s"]) for offer in one["offers"]]
        shown = [(choice["limit"], choice["delay_s"]) for choice in alarm["choices"] if choice["name"] != "usual"]
        assert shown == offers
        assert alarm["reason"] == (one["reason"] or "")
        assert alarm["low"] <= min(pair["limit"] for pair in alarm["pairs"])


def test_a_limit_replayed_is_that_of_the_command(client: TestClient, printed: dict[str, Any]) -> None:
    played = client.post(f"{URL}/replay", json={**PEAK, "then": THEN, "now": NOW, "must": MUST}).json()
    then, events = printed["changed"]["then"], printed["changed"]["events"]
    numbers = dict(played["numbers"])
    assert numbers["alarms"] == f"{then['alarms']}"
    assert numbers["true events missed"] == f"{then['missed']} of {events}"
    assert not [label for label in numbers if "per hour" in label], "five minutes tell no rate"
    assert played["burden"] == then["alarms"], "the picture of the burden counts as the table does"
    peak = next(one for one in client.post(URL, json={}).json()["alarms"] if one["key"] == PEAK["key"])
    assert peak["burden"].startswith("alarms in all")
    assert all(pair["burden"] == int(pair["burden"]) for pair in peak["pairs"])
    assert (played["missed"], len(played["sounds"])) == (then["missed"], then["alarms"])
    assert played["heard"].count(False) == then["missed"]
    seconds = sum(end - start for start, end in played["sounds"])
    assert seconds == pytest.approx(60 * then["minutes"], rel=1e-4)
    gone = f"{printed['changed']['gone']} of {printed['changed']['now']['alarms']} alarms would have gone"
    assert gone in played["against"][0]


@pytest.mark.parametrize(("limit", "delay"), [(27.5, 0), (29.5, 5), (30.2, 0), (34, 20), (60, 0)])
def test_a_limit_replayed_is_that_of_a_plain_loop(client: TestClient, folder: Path, limit: float, delay: float) -> None:
    breaths = pl.read_parquet(folder / CASE / "review" / "breaths.parquet")
    played = client.post(f"{URL}/replay", json={**PEAK, "then": {"limit": limit, "delay_s": delay}}).json()
    turns, ends = breaths["expiration_s"].to_list(), breaths["end_s"].to_list()
    starts = breaths["start_s"].to_list()
    joined = [False, *(later - before <= 1.0 for before, later in zip(ends[:-1], starts[1:], strict=True))]
    until = [turns[k + 1] if k + 1 < len(turns) and joined[k + 1] else ends[k] for k in range(len(turns))]
    pieces = [Piece(*one) for one in zip(breaths["peak_pressure_cmh2o"].to_list(), turns, until, joined, strict=True)]
    assert played["sounds"] == [list(span) for span in soundings(pieces, limit, "high", delay)]


def test_course_has_every_breath_and_its_events(client: TestClient, folder: Path) -> None:
    breaths = pl.read_parquet(folder / CASE / "review" / "breaths.parquet")
    course = client.post(f"{URL}/course", json={**PEAK, "must": MUST}).json()
    assert course["values"] == pytest.approx(breaths["peak_pressure_cmh2o"].to_list(), rel=1e-5)
    assert course["time_s"] == pytest.approx(breaths["expiration_s"].to_list(), abs=1e-3)
    assert course["events"]
    assert course["duration_s"] == pytest.approx(330, abs=1)


@pytest.mark.parametrize(
    ("asked", "word"),
    [
        ({**PEAK, "then": {"limit": 3000}}, "-10 to 140"),
        ({"key": "nonesuch", "side": "high", "then": {"limit": 3}}, "nonesuch"),
        ({"key": "rate_per_min", "side": "low", "then": {"limit": 3}}, "rate_per_min.high"),
        ({**PEAK, "then": {"limit": 30, "delay_s": -1}}, "delay_s"), ({**PEAK, "then": {"limit": "x"}}, "limit"),
    ],
)  # fmt: skip
def test_limits_that_can_not_be_are_refused_in_words(client: TestClient, asked: dict[str, Any], word: str) -> None:
    answer = client.post(f"{URL}/replay", json=asked)
    assert answer.status_code == 422
    assert word in answer.json()["problem"]


def test_the_page_is_printed(client: TestClient) -> None:
    pdf = client.post(f"{URL}/page.pdf", json={**PEAK, "then": THEN, "now": NOW}).content
    text = " ".join("".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())
    assert "One limit against another" in text
    assert "Not a medical device" in text
