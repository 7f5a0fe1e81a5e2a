"""An event log on the page is `tidebench log`: columns said by a person, the same numbers, nothing kept of people."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from pypdf import PdfReader

from tests.web.bench import CASE, casebook, served
from tidebench.cli import main
from tidebench.web.options import Limits

LOG = """When;Kind;Alarm;Priority;State;Value;Patient name
2030-02-11 14:20:05;Setting changed;PEEP;;;8;Nobody
2030-02-11 14:21:33;Alarm;High pressure;high;on;47;Nobody
2030-02-11 14:21:53;Alarm;High pressure;high;off;;Nobody
2030-02-11 14:22:40;Alarm;Low minute volume;medium;on;3.1;Nobody
2030-02-11 14:23:35;Alarm;Low minute volume;medium;off;;Nobody
"""
BYTES = {"content-type": "application/octet-stream"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return casebook(tmp_path_factory.mktemp("casebook"))


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with served(folder) as client:
        yield client


def sent(client: TestClient, text: str = LOG, name: str = "evening.csv") -> dict[str, Any]:
    told: dict[str, Any] = client.post("/api/uploads/logs", params={"name": name}, content=text, headers=BYTES).json()
    return told


def job_done(client: TestClient, token: str, asked: dict[str, Any]) -> dict[str, Any]:
    return over(client, client.post(f"/api/logs/{token}/read", json=asked).json())


def over(client: TestClient, job: dict[str, Any]) -> dict[str, Any]:
    """A job that is over."""
    for _ in range(600):
        if job["state"] not in ("waiting", "running"):
            return job
        time.sleep(0.1)
        job = client.get(f"/api/jobs/{job['name']}").json()
    raise AssertionError("the log was not read in a minute")


def test_columns_are_understood_and_those_of_people_hidden(client: TestClient) -> None:
    upload = sent(client)
    roles = {column["header"]: column["role"] for column in upload["columns"]}
    assert roles == {"When": "time", "Kind": "kind", "Alarm": "name", "Priority": "priority", "State": "state",
                     "Value": "value", "Patient name": ""}  # fmt: skip
    assert (upload["problem"], upload["people"]) == ("", ["Patient name"])
    assert "Nobody" not in json.dumps(upload)


def test_a_person_says_what_a_header_does_not(client: TestClient) -> None:
    upload = sent(client, LOG.replace("When", "Stamp of it"), "stamp.csv")
    assert "no column holds the time" in upload["problem"]
    asked = {"columns": {"Stamp of it": "time", "Value": "ignore"}}
    again = client.post(f"/api/logs/{upload['token']}/preview", json=asked).json()
    assert again["problem"] == ""
    told = {column["header"]: (column["role"], column["told"]) for column in again["columns"]}
    assert (told["Stamp of it"], told["Value"]) == (("time", True), ("ignore", True))
    assert job_done(client, upload["token"], asked)["state"] == "done"
    wrong = client.post(f"/api/logs/{upload['token']}/preview", json={"columns": {"Value": "nonesuch"}}).json()
    assert "'nonesuch' is no role of a column" in wrong["problem"]


@pytest.mark.parametrize("beside", [False, True], ids=["alone", "beside its case"])
def test_the_page_is_that_of_the_command(
    client: TestClient, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], beside: bool
) -> None:
    path = tmp_path / "evening.csv"
    path.write_text(LOG, encoding="utf-8")
    case = folder / CASE
    main(["log", str(path), *(["--case", str(case), "--review", str(case / "review")] if beside else [])])
    said = " ".join(capsys.readouterr().out.split())
    job = job_done(client, sent(client)["token"], {"case": CASE if beside else ""})
    told = client.get(f"/api/logs/read/{job['name']}").json()
    parts = {part["heading"]: part for part in told["page"]["parts"]}
    assert {"What the log covers", "The ten that matter"} <= parts.keys()
    assert ("What was going on" in parts) is beside
    if beside:
        shown = parts["What was going on"]
        assert shown["head"][:4] == ["at", "alarm", "in the log", "Ppeak cmH2O"]
        assert {"47", "3.1"} == {row[2] for row in shown["rows"]}, "the log's own number stands beside the breath's"
    for part in told["page"]["parts"]:
        if part["heading"] in ("Timeline", "Originals"):
            continue
        for words in (line for line in (*part["lines"], *part["after"]) if "in the form" not in line):
            assert " ".join(words.split()) in said.replace(" - ", " ") or words[:30] in said
    assert "“holds” in the form says otherwise" in parts["What the log covers"]["lines"][-2]
    rows = parts["How often, and how long"]["rows"]
    assert [row[:2] for row in rows] == [["high", "1"], ["medium", "1"], ["all", "2"]]
    assert told["figures"]["course"]["svg"].startswith("<")
    pdf = client.get(f"/api/logs/read/{job['name']}/page.pdf").content
    assert "Not a medical device" in " ".join(PdfReader(BytesIO(pdf)).pages[0].extract_text().split())


def test_a_log_is_kept_with_its_case_without_people_and_taken_out_again(client: TestClient, folder: Path) -> None:
    case = folder / CASE
    before = {path.name for path in case.iterdir()}
    assert client.get(f"/api/cases/{CASE}/log").status_code == 404
    token = sent(client)["token"]
    assert client.post(f"/api/logs/{token}/keep", json={}).status_code == 422
    job = over(client, client.post(f"/api/logs/{token}/keep", json={"case": CASE}).json())
    assert (job["state"], job["problem"]) == ("done", "")
    assert client.get(f"/api/cases/{CASE}/log").json() == {"files": ["evening.csv"]}
    copied = (case / "evening.csv").read_text(encoding="utf-8")
    assert "Nobody" not in copied
    assert copied.count("\n") == LOG.count("\n")
    told = json.loads((case / "log" / "log.json").read_text(encoding="utf-8"))
    assert told["coverage"]["rows"] == 5
    assert "Nobody" not in json.dumps(told)
    assert client.get(f"/api/cases/{CASE}/log/page.pdf").content.startswith(b"%PDF")
    assert client.delete(f"/api/cases/{CASE}/log").status_code == 204
    assert {path.name for path in case.iterdir() if not path.name.startswith(".")} == before
    assert client.delete(f"/api/cases/{CASE}/log").status_code == 404
    assert client.put(f"/api/cases/{CASE}/log").json() == {"files": ["evening.csv"]}
    assert (case / "evening.csv").read_text(encoding="utf-8") == copied
    assert client.put(f"/api/cases/{CASE}/log").status_code == 404
    assert client.delete(f"/api/cases/{CASE}/log").status_code == 204


def test_a_column_that_is_not_read_does_not_come_into_the_case(client: TestClient, folder: Path) -> None:
    token = sent(client, LOG.replace("Patient name", "Seen to by"), "night.csv")["token"]
    job = over(client, client.post(f"/api/logs/{token}/keep", json={"case": CASE}).json())
    assert (job["state"], job["problem"]) == ("done", "")
    copied = (folder / CASE / "night.csv").read_text(encoding="utf-8")
    assert "Seen to by" not in copied
    assert "Nobody" not in copied
    assert client.delete(f"/api/cases/{CASE}/log").status_code == 204


def test_a_log_may_be_larger_than_a_request_and_not_larger_than_a_file_may(folder: Path) -> None:
    with served(folder, limits=Limits(body_bytes=100, upload_bytes=1000)) as client:
        assert sent(client)["problem"] == ""
        for content, status in ((4 * LOG, 413), (iter([4 * LOG.encode()]), 422)):  # its size said, or found on the way
            answer = client.post("/api/uploads/logs", params={"name": "a.csv"}, content=content, headers=BYTES)
            assert answer.status_code == status
            assert "too large" in answer.json()["problem"]


def test_what_can_not_be_read_is_refused_in_words(client: TestClient) -> None:
    answer = client.post("/api/uploads/logs", params={"name": "evening.xlsx"}, content=LOG, headers=BYTES)
    assert answer.status_code == 422
    assert "Save it as text" in answer.json()["problem"]
    upload = sent(client, "When;Alarm\n31.31.2030;High pressure\n", "bad.csv")
    job = job_done(client, upload["token"], {})
    assert job["state"] == "refused"
    assert "bad.csv" in job["problem"]
    several = sent(client, LOG.replace("Patient name", "Bed").replace(";Nobody", ";A1", 1), "beds.csv")
    job = job_done(client, several["token"], {"case": CASE})
    assert "2 beds" in job["problem"]
    assert job_done(client, several["token"], {"case": CASE, "bed": "A1"})["state"] == "done"
    assert client.post("/api/logs/0123456789abcdef/read", json={}).status_code == 422
    assert client.get("/api/logs/read/none").status_code == 404
