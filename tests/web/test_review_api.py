"""What the server says of a review is what the library and the command line say."""

from __future__ import annotations

import io
import json
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from fastapi.testclient import TestClient

from tests.web.bench import CASE, DEMO, casebook, served
from tidebench.case import load_case
from tidebench.casebook import current_review
from tidebench.cli import main
from tidebench.kept import KeptReview, open_kept
from tidebench.review import review
from tidebench.views import plain_view

URL = f"/api/cases/{CASE}"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return casebook(tmp_path_factory.mktemp("casebook"), report=True)


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with served(folder) as client:
        yield client


@pytest.fixture(scope="module")
def kept(folder: Path) -> KeptReview:
    case = load_case(folder / CASE)
    result = current_review(case)
    assert result is not None
    return open_kept(case, result)


def unpacked(content: bytes) -> dict[str, tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]]:
    """Times and values of each channel."""
    (length,) = struct.unpack_from("<I", content)
    head = json.loads(content[4 : 4 + length])
    at, found = 4 + length, {}
    for channel in head["channels"]:
        n = channel["points"]
        both = np.frombuffer(content, "<f4", 2 * n, at)
        found[channel["key"]] = (both[:n], both[n:])
        at += 8 * n
    assert at == len(content)
    return found


def test_a_limit_says_its_kind_once(client: TestClient) -> None:
    answers = client.get(f"{URL}/review").json()["answers"]
    limits = [one["limit"] for answer in answers for group in answer["groups"] for one in group["numbers"]]
    assert [limit for limit in limits if "common practice" in limit]
    assert max(limit.count("common practice") for limit in limits) == 1


def test_kept_review_is_the_review_that_was_made(kept: KeptReview) -> None:
    made = review(load_case(DEMO))
    assert plain_view(kept.review) == plain_view(made)
    assert kept.review.breaths.equals(made.breaths)
    assert kept.review.findings.equals(made.findings)
    for breath in (0, 40, 120):
        ours, theirs = kept.review.account(breath), made.account(breath)
        assert ours is not None
        assert theirs is not None
        assert np.array_equal(ours.muscle, theirs.muscle)


def test_volume_along_the_record_is_that_of_each_account(kept: KeptReview) -> None:
    for breath in range(0, kept.review.breaths.height, 7):
        account = kept.review.account(breath)
        assert account is not None
        start = int(kept.review.mechanics["start"][breath])
        along = kept.volume[start : start + len(account.volume)]
        assert np.allclose(along, account.volume, atol=1e-6)


def test_numbers_of_the_page_are_those_of_the_command_line(
    client: TestClient, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["review", str(DEMO), "--out", str(tmp_path / "out"), "--no-report", "--json"])
    printed = json.loads(capsys.readouterr().out)["view"]
    page = client.get(f"{URL}/review").json()
    assert [(m["headline"], m["detail"]) for m in page["matters"]] == [
        (m["headline"], m["detail"]) for m in printed["matters"]
    ]
    ours = [(n["label"], n["value"], n["range"]) for a in page["answers"] for g in a["groups"] for n in g["numbers"]]
    theirs = [(n["label"], n["value"], n["range"]) for a in printed["answers"] for _, g in a["groups"] for n in g]
    assert ours == theirs
    assert len(ours) > 15
    assert [u["text"] for u in page["untold"]] == [u["text"] for u in printed["untold"]]
    assert page["caution"] == printed["caution"]


def test_stretch_of_signals_keeps_its_peaks_and_its_clock(client: TestClient, kept: KeptReview) -> None:
    recording = kept.review.recording
    whole = unpacked(client.get(f"{URL}/signals", params={"from": 0, "to": 1e6, "points": 1000}).content)
    assert list(whole)[:3] == ["airway_pressure", "flow", "volume"]
    time, pressure = whole["airway_pressure"]
    assert len(pressure) <= 1000
    assert pressure.max() == pytest.approx(recording["airway_pressure"].max(), abs=1e-4)
    assert pressure.min() == pytest.approx(recording["airway_pressure"].min(), abs=1e-4)
    assert whole["flow"][1].min() == pytest.approx(60 * recording["flow"].min(), abs=1e-3)
    close = unpacked(client.get(f"{URL}/signals", params={"from": 100.5, "to": 102.5, "points": 1000}).content)
    time, pressure = close["airway_pressure"]
    index = np.rint((time + 100.5) * recording.rate_hz).astype(int)
    assert np.allclose(pressure, recording["airway_pressure"][index], atol=1e-4)


def test_breath_tells_its_account_its_numbers_and_why_others_are_missing(client: TestClient, kept: KeptReview) -> None:
    told = client.get(f"{URL}/breaths/120").json()
    account = kept.review.account(120)
    assert account is not None
    assert np.allclose(told["account"]["muscle"], account.muscle, atol=1e-3)
    parts = told["account"]
    summed = parts["start"] + np.array(parts["elastic"]) + parts["resistive"] - parts["muscle"] + parts["residual"]
    assert np.allclose(summed, parts["pressure"], atol=5e-3)
    instants = [value for one in told["instants"] for value in one.values()]
    assert any(value.startswith("−") for value in instants)
    assert not [value for value in instants if "-" in value], "a minus is a minus, no hyphen"
    missing = {n["key"]: n["reason"] for n in told["numbers"] if n["reason"]}
    assert "compliance_ml_cmh2o" in missing  # she breathes: a passive measure has a reason instead of a number
    assert [loop["earlier"] for loop in told["loops"]] == list(range(7))
    assert client.get(f"{URL}/breaths/100000").status_code == 404


def test_marks_are_kept_taken_back_and_survive_a_new_review(client: TestClient, folder: Path) -> None:
    kinds = client.get(f"{URL}/review").json()["kinds"]
    kind = next(kind for kind in kinds if kind["kind"] == "ineffective-effort")
    place = f"{URL}/findings/{kind['index'][0]}"
    whole = client.get(place).json()
    assert (kind["starts_s"][0], kind["ends_s"][0]) == pytest.approx((whole["start_s"], whole["end_s"]), abs=0.001)
    assert all(start <= end for one in kinds for start, end in zip(one["starts_s"], one["ends_s"], strict=True))
    said = client.put(f"{place}/mark", json={"state": "confirmed", "note": "seen", "who": "A"}).json()
    assert said["finding"]["mark"]["state"] == "confirmed"
    assert said["before"] is None
    assert said["tally"].startswith("1 confirmed")
    lines = (folder / CASE / "marks.jsonl").read_text(encoding="utf-8").splitlines()
    assert json.loads(lines[-1])["kind"] == "ineffective-effort"
    from tidebench.results import review_case

    review_case(folder / CASE, folder / CASE / "review", keep=True)
    assert client.get(place).json()["mark"]["note"] == "seen"
    assert client.get(f"{URL}/review").json()["marked"] == {str(kind["index"][0]): "confirmed"}
    late = client.put(f"{place}/mark", json={"state": "rejected", "who": "B", "seen": ""})
    assert late.status_code == 409  # B never saw what A said
    assert "A marked it confirmed" in late.json()["problem"]
    taken = client.put(f"{place}/mark", json={"state": "open"}).json()
    assert taken["finding"]["mark"] is None
    assert (taken["before"]["state"], taken["before"]["who"]) == (
        "confirmed",
        "A",
    )  # a second person learns of the first
    assert client.put(f"{place}/mark", json={"state": "sure"}).status_code == 422
    assert client.put(f"{place}/mark", json={"state": "unsure", "note": "x" * 2001}).status_code == 422


def test_two_stretches_side_by_side_hold_the_steps_of_peep(client: TestClient) -> None:
    told = client.get(f"{URL}/compare", params={"a_from": 10, "a_to": 60, "b_from": 150, "b_to": 200}).json()
    peep = next(effect for effect in told["effects"] if effect["key"] == "peep_cmh2o")
    assert peep["change"] == "8.0 → 16.0"  # as the scenario of the shipped case sets it
    assert peep["clear"]


def test_everything_that_can_be_saved_is_a_file_of_its_kind(client: TestClient, kept: KeptReview) -> None:
    stretch = {"from": 220, "to": 240}
    assert client.get(f"{URL}/export/report.pdf").content.startswith(b"%PDF")
    breaths = pl.read_parquet(io.BytesIO(client.get(f"{URL}/export/tables/breaths.parquet").content))
    assert breaths.equals(kept.review.breaths)
    text = client.get(f"{URL}/export/tables/breaths.csv").content.decode()
    assert text.count("\n") == breaths.height + 1
    signals = pl.read_csv(io.BytesIO(client.get(f"{URL}/export/signals.csv", params=stretch).content))
    assert signals.columns[:2] == ["time [s]", "airway_pressure [cmH2O]"]
    assert signals["time [s]"][0] == pytest.approx(220, abs=0.011)
    for what in ("trend", "stretch", "breaths/51/account", "breaths/51/loops"):
        assert client.get(f"{URL}/export/{what}.svg", params=stretch).text.lstrip().startswith("<?xml")
        assert client.get(f"{URL}/export/{what}.png", params=stretch).content.startswith(b"\x89PNG")
    assert client.get(f"{URL}/export/tables/secrets.csv").status_code == 422


def test_changed_case_has_no_review_until_it_is_reviewed_again(tmp_path: Path, folder: Path) -> None:
    import shutil

    shutil.copytree(folder / CASE, tmp_path / CASE)
    with served(tmp_path) as client:
        assert client.get("/api/cases").json()[0]["reviewed"] == "yes"
        case = tmp_path / CASE / "case.toml"
        case.write_text(
            case.read_text(encoding="utf-8").replace("height_cm = 168", "height_cm = 170"), encoding="utf-8"
        )
        assert client.get("/api/cases").json()[0]["reviewed"] == "outdated"
        refused = client.get(f"{URL}/review")
        assert refused.status_code == 404
        assert "Review the case first" in refused.json()["problem"]
