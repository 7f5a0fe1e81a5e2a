"""The page of scenario keys is written from the models that validate them."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def script() -> dict[str, Any]:
    """What the script defines."""
    return runpy.run_path(str(ROOT / "scripts" / "scenario_keys.py"))


def test_page_is_what_the_script_writes(script: dict[str, Any]) -> None:
    assert script["PAGE"].read_text(encoding="utf-8") == script["page"](), (
        "docs/scenario-keys.md is stale: PYTHONPATH=src python scripts/scenario_keys.py"
    )


def test_script_explains_no_key_that_is_gone_and_leaves_none_out(script: dict[str, Any]) -> None:
    models = [script["Scenario"], *(model for _, model in script["tables"]())]
    keys = {key for model in models for key in model.model_fields}
    assert script["MEANING"].keys() <= keys
    assert all(f"`{key}`" in script["page"]() or f"[{key}]" in script["page"]() for key in keys)
