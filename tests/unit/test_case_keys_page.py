"""The page of case keys is written from the models that validate them."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def script() -> dict[str, Any]:
    """What the script defines."""
    return runpy.run_path(str(ROOT / "scripts" / "case_keys.py"))


def test_page_is_what_the_script_writes(script: dict[str, Any]) -> None:
    assert script["PAGE"].read_text(encoding="utf-8") == script["page"](), (
        "docs/case-keys.md is stale: PYTHONPATH=src python scripts/case_keys.py"
    )


def test_script_explains_no_key_that_is_gone(script: dict[str, Any]) -> None:
    tables = script["tables"]()
    assert [name for name, _, _ in tables] == list(script["TABLES"])
    keys = {key for _, _, model in tables for key in model.model_fields}
    assert script["MEANING"].keys() <= keys


def test_every_key_stands_on_the_page(script: dict[str, Any]) -> None:
    page = script["page"]()
    assert all(f"`{key}`" in page for _, _, model in script["tables"]() for key in model.model_fields)
