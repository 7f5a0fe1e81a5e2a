"""What the pages say is so: the tutorial runs, and links lead somewhere."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])


def test_tutorial_runs_as_it_is_printed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    outcome = doctest.testfile(str(ROOT / "docs" / "tutorial.md"), module_relative=False, encoding="utf-8")
    assert outcome.attempted > 5
    assert outcome.failed == 0


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_to_files_that_exist(page: Path) -> None:
    links = re.findall(r"\]\(([^)#:]+)[^):]*\)", page.read_text(encoding="utf-8"))
    missing = [link for link in links if not (page.parent / link).exists()]
    assert not missing


def test_readme_opens_with_the_job_and_two_commands() -> None:
    title, job, commands = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")[:3]
    assert title == "# Tidebench"
    assert "\n" not in job
    assert commands.splitlines() == ["```", "make demo", "make test", "```"]
