"""The page of findings is written from what each rule says of itself, and so is what the command prints."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

from tidebench.cli import main
from tidebench.findings import ABOUT

ROOT = Path(__file__).parents[2]


def test_page_is_what_the_script_writes() -> None:
    script = runpy.run_path(str(ROOT / "scripts" / "findings_page.py"))
    assert script["PAGE"].read_text(encoding="utf-8") == script["page"](), (
        "docs/findings.md is stale: PYTHONPATH=src python scripts/findings_page.py"
    )


def test_every_kind_says_what_it_is_after_whom_and_what_next() -> None:
    for about in ABOUT.values():
        assert all(len(words) > 10 for words in (about.seen, about.source, about.behind, about.further))


@pytest.mark.parametrize("words", ["double-trigger", "double", "Double trigger", "double_trigger"])
def test_a_kind_is_explained_by_any_of_its_names(words: str, capsys: pytest.CaptureFixture[str]) -> None:
    main(["findings", words])
    out = " ".join(capsys.readouterr().out.split())
    assert ABOUT["double-trigger"].further in out
    assert "Decisions stay with licensed clinicians" in out
    assert "Not a medical device" in out


def test_all_kinds_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    main(["findings"])
    out = capsys.readouterr().out
    assert all(kind in out for kind in ABOUT)


@pytest.mark.parametrize(
    ("words", "near"), [("cycling", "delayed-cycling, premature-cycling"), ("doubel-triger", "double")]
)
def test_an_unclear_kind_is_refused_with_near_ones(words: str, near: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["findings", words])
    assert stopped.value.code == 2
    assert near in capsys.readouterr().err
