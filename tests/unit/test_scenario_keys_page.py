"""The page of scenario keys is written from the models that validate them."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Any

import pytest

from tidebench.simulation import scenario_from, simulate

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def script() -> dict[str, Any]:
    """What the script defines."""
    return runpy.run_path(str(ROOT / "scripts" / "scenario_keys.py"))


def test_page_is_what_the_script_writes(script: dict[str, Any]) -> None:
    assert script["PAGE"].read_text(encoding="utf-8") == script["page"](), (
        "docs/scenario-keys.md is stale: PYTHONPATH=src python scripts/scenario_keys.py"
    )


def test_every_column_of_the_truth_is_described_in_order(script: dict[str, Any]) -> None:
    settings = {"mode": "A/C-VC", "peep_cmh2o": 5, "rate_per_min": 15, "tidal_volume_ml": 450, "inspiratory_time_s": 1}
    part = {"compliance_ml_cmh2o": 50, "resistance_cmh2o_s_l": 8}
    done = simulate(scenario_from({"duration_s": 10, "lung": {"compartments": [part]}, "settings": [settings]}))
    assert list(script["BREATH_COLUMNS"]) == done.breaths.columns
    assert list(script["EFFORT_COLUMNS"]) == done.efforts.columns


def test_script_explains_no_key_that_is_gone_and_leaves_none_out(script: dict[str, Any]) -> None:
    models = [script["Scenario"], *(model for _, model in script["tables"]())]
    keys = {key for model in models for key in model.model_fields}
    assert script["MEANING"].keys() <= keys
    assert all(f"`{key}`" in script["page"]() or f"[{key}]" in script["page"]() for key in keys)
