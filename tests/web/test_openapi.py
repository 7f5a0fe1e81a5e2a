"""The server keeps to its own description, which is the one that the page's types are made of."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest
import schemathesis
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance

from tests.web.bench import CASE, PAGE, casebook
from tidebench.web.app import create_api
from tidebench.web.guard import Sessions
from tidebench.web.jobs import Jobs
from tidebench.web.options import Limits, Serving

ROOT = Path(__file__).parents[2]


def test_committed_description_is_that_of_the_server() -> None:
    script = runpy.run_path(str(ROOT / "scripts" / "openapi.py"))
    committed = script["TARGET"].read_text(encoding="utf-8")
    assert committed == script["text"](), "run scripts/openapi.py"
