"""The server keeps to its own description, which is the one that the page's types are made of."""

from __future__ import annotations

import json
import runpy
import shutil
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance, status_code_conformance

from tests.web.bench import CASE, DEMO, PAGE, casebook
from tidebench.web.app import create_api
from tidebench.web.guard import Sessions
from tidebench.web.jobs import Jobs
from tidebench.web.options import Limits, Serving

ROOT = Path(__file__).parents[2]
DESCRIPTION = ROOT / "src" / "tidebench" / "web" / "frontend" / "openapi.json"
GOING = "going"
"""A case that is taken out and put back."""
COMPILED_S = 180.0
"""By when an answer is there even where kernels are compiled for the first time."""


def test_committed_description_is_that_of_the_server() -> None:
    script = runpy.run_path(str(ROOT / "scripts" / "openapi.py"))
    committed = script["TARGET"].read_text(encoding="utf-8")
    assert committed == script["text"](), "run scripts/openapi.py"


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> schemathesis.BaseSchema:
    folder = casebook(tmp_path_factory.mktemp("casebook"))
    shutil.copytree(DEMO, folder / GOING)
    app = create_api(Serving(folder), Jobs(0, Limits(waiting_jobs=10**6)), Sessions(1))
    return schemathesis.openapi.from_asgi("/api/openapi.json", app)


OPERATIONS = [
    (path, method)
    for path, methods in json.loads(DESCRIPTION.read_text(encoding="utf-8"))["paths"].items()
    for method in methods
]


@pytest.mark.parametrize(("path", "method"), OPERATIONS, ids=[f"{method} {path}" for path, method in OPERATIONS])
def test_server_keeps_to_its_description(described: schemathesis.BaseSchema, path: str, method: str) -> None:
    @given(case=described[path][method].as_strategy())
    @settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck), database=None)
    def holds(case: schemathesis.Case[Any]) -> None:
        if "name" in case.path_parameters:
            case.path_parameters["name"] = GOING if path == "/api/cases/{name}" else CASE
        answer = case.call(headers=PAGE, timeout=COMPILED_S)
        case.validate_response(
            answer, checks=[not_a_server_error, response_schema_conformance, status_code_conformance]
        )
        assert answer.status_code < 500

    holds()
