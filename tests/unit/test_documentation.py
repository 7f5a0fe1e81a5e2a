"""What the pages say is so: the tutorial runs, and links lead somewhere."""

from __future__ import annotations

import doctest
import re
import tomllib
from pathlib import Path

import pytest

from tidebench.care.preparation import prepare, request_from
from tidebench.care.preparation.request import (
    CircuitCheck,
    Cylinder,
    DeadSpace,
    FlowSensor,
    Mechanics,
    Oxygen,
    PressureSensor,
    Transport,
    Tube,
)
from tidebench.case import case_from
from tidebench.limits import load_policy
from tidebench.pictures.album import album_from
from tidebench.pictures.axes import Axes, Panel, axes_from

ROOT = Path(__file__).parents[2]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])
CASE_PAGES = [ROOT / "README.md", *(ROOT / "docs").glob("*.md"), *(ROOT / "docs" / "how-to").glob("*.md")]


@pytest.mark.parametrize(
    "page",
    [
        "tutorial.md", "how-to/use-from-python.md", "how-to/rehearse-a-change.md", "how-to/look-at-weaning.md",
        "how-to/read-the-gases.md", "how-to/hand-over.md", "how-to/prepare-a-patient.md",
        "how-to/read-an-alarm-log.md",
        "how-to/teach-with-lessons.md",
    ],
)  # fmt: skip
def test_page_runs_as_it_is_printed(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    outcome = doctest.testfile(str(ROOT / "docs" / page), module_relative=False, encoding="utf-8")
    assert outcome.attempted > 5
    assert outcome.failed == 0


def test_simulation_page_runs_on_the_scenario_it_prints(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    page = ROOT / "docs" / "how-to" / "simulate.md"
    block = re.search(r"^```toml scenario\n(.*?)^```", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    assert block
    Path("scenario.toml").write_text(block[1], encoding="utf-8")
    outcome = doctest.testfile(str(page), module_relative=False, encoding="utf-8")
    assert outcome.attempted > 5
    assert outcome.failed == 0


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_to_files_that_exist(page: Path) -> None:
    links = re.findall(r"\]\(([^)#:]+)[^):]*\)", page.read_text(encoding="utf-8"))
    missing = [link for link in links if not (page.parent / link).exists()]
    assert not missing


@pytest.mark.parametrize("page", CASE_PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_case_and_policy_files_on_the_pages_are_valid(page: Path, tmp_path: Path) -> None:
    for block in re.findall(r"^```toml\n(.*?)^```", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL):
        said = tomllib.loads(block)
        if {"limit", "practice", "peep_table"} & said.keys():
            (tmp_path / "policy.toml").write_text(block, encoding="utf-8")
            house = load_policy(tmp_path / "policy.toml")
            assert house.limits or house.practice
            continue
        if "recording" in said and isinstance(said["recording"], dict):
            said["recording"].setdefault("file", "signals.csv")
        assert case_from(said)


def test_patient_file_on_its_page_is_valid_and_every_key_stands_there() -> None:
    page = (ROOT / "docs" / "how-to" / "prepare-a-patient.md").read_text(encoding="utf-8")
    block = re.search(r"^```toml patient\n(.*?)^```", page, flags=re.MULTILINE | re.DOTALL)
    assert block
    sheet = prepare(request_from(tomllib.loads(block[1])))
    assert sheet.questions == ()
    assert not [line.key for section in sheet.sections for line in section.lines if line.verdict == "fail"]
    for model in (Mechanics, Tube, DeadSpace, CircuitCheck, FlowSensor, PressureSensor, Oxygen, Cylinder, Transport):
        missing = [key for key in model.model_fields if f"`{key}`" not in page and f"[[oxygen.{key}]]" not in page]
        assert not missing


def test_axes_and_album_on_their_page_are_valid_and_every_key_stands_there() -> None:
    page = (ROOT / "docs" / "how-to" / "measure-a-picture.md").read_text(encoding="utf-8")
    blocks = dict(re.findall(r"^```toml (\w+)\n(.*?)^```", page, flags=re.MULTILINE | re.DOTALL))
    assert len(axes_from(tomllib.loads(blocks["axes"])).panels) == 3
    assert len(album_from(tomllib.loads(blocks["album"])).pictures) == 3
    keys = {*Panel.model_fields, *Axes.model_fields} - {"title", "panels"}
    assert not [key for key in keys if f"`{key}" not in page]


def test_readme_opens_with_the_job_and_two_commands() -> None:
    title, job, commands = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")[:3]
    assert title == "# Tidebench"
    assert "\n" not in job
    assert commands.splitlines() == ["```", "make demo", "make test", "```"]
