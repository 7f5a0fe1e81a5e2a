"""Lessons made in the page: of a reviewed case and of a rehearsed change, put on the house's shelf and taken there."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.web.bench import CASE, casebook, served
from tidebench.errors import OptionError
from tidebench.lessons import check, lesson_names, load_lesson
from tidebench.lessons.shelf import OWN, HouseShelf

CHANGE = {"settings": {"tidal_volume_ml": 300.0}}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return casebook(tmp_path_factory.mktemp("casebook"))


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with served(folder) as client:
        yield client


def made(client: TestClient, path: str, body: dict[str, Any]) -> Any:
    """The lesson, once its job is over."""
    job = client.post(f"/api/cases/{CASE}/{path}", json=body)
    assert job.status_code == 200, job.text
    name, until = job.json()["name"], time.monotonic() + 240
    while (now := client.get(f"/api/jobs/{name}").json())["state"] in ("waiting", "running"):
        assert time.monotonic() < until
        time.sleep(0.2)
    return client.get(f"/api/cases/{CASE}/lesson/{name}").json() if now["state"] == "done" else now


def test_a_rehearsed_change_becomes_a_lesson_that_is_taken(client: TestClient, folder: Path) -> None:
    told = made(client, "whatif/lesson", {**CHANGE, "title": "Smaller breaths"})
    assert told["name"] == "smaller-breaths"
    assert told["asks"][-1].startswith("predict")
    shelf = client.get("/api/lessons").json()
    assert shelf[-1]["name"] == "smaller-breaths"
    assert [row["own"] for row in shelf] == [False] * len(lesson_names()) + [True]
    begun = client.post("/api/lessons/alone", json={"lesson": "smaller-breaths", "seed": 1})
    stood = client.get("/api/class", headers={"x-tidebench-learner": begun.json()["learner"]}).json()
    assert stood["lesson_title"] == "Smaller breaths"
    assert client.post("/api/lessons/class", json={"lesson": "smaller-breaths"}).status_code == 200
    text = (folder / OWN / "smaller-breaths" / "lesson.toml").read_text(encoding="utf-8")
    assert all(word not in text for word in (CASE, "height_cm", "age_years", "sex"))


def test_a_lesson_of_a_change_can_be_taught(client: TestClient, folder: Path) -> None:
    told = made(client, "whatif/lesson", {**CHANGE, "title": "Tried"})
    lesson = load_lesson(folder / OWN / told["name"])
    done = check(lesson, seeds=3)
    assert {row.learner: row.least for row in done.fared}["perfect"] == 1.0
    assert done.problems == ()


def test_a_change_of_nothing_and_a_case_of_which_nothing_can_be_asked_are_refused(client: TestClient) -> None:
    assert "nothing is changed" in made(client, "whatif/lesson", {"settings": {}})["problem"]
    told = made(client, "lesson", {"title": "x"})
    assert told.get("asks") or "nothing of this case can be asked" in told["problem"]
    assert client.post("/api/cases/none/lesson", json={}).status_code == 404
    assert client.get(f"/api/cases/{CASE}/lesson/nothing").status_code == 404


def test_own_lessons_do_not_hide_the_program_s_and_names_lead_nowhere_else(tmp_path: Path) -> None:
    shelf = HouseShelf(tmp_path)
    assert shelf.own() == ()
    assert shelf.place_for("Trapped gas").name == "trapped-gas-of-our-own"
    broken = tmp_path / OWN / "broken"
    broken.mkdir()
    (broken / "lesson.toml").write_text("title = 3", encoding="utf-8")
    assert shelf.own() == ()
    assert shelf.open("trapped-gas")[0].title == "Trapped gas"
    for name in ("../etc", "nothing", ""):
        with pytest.raises(OptionError):
            shelf.open(name)
