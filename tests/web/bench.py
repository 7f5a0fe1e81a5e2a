"""A casebook with the shipped case, reviewed, and a workbench that serves it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from fastapi.testclient import TestClient

import tidebench
from tidebench.results import review_case
from tidebench.web.app import create_app
from tidebench.web.options import Limits, Serving

DEMO = Path(tidebench.__file__).parent / "demo"
CASE = "stiff-lungs"
PAGE = {"x-tidebench": "page"}
REPORTED = Limits(lease_s=30.0)


def casebook(folder: Path, *, report: bool = False) -> Path:
    """A folder with the shipped case in it, reviewed as the page does."""
    shutil.copytree(DEMO, folder / CASE)
    review_case(folder / CASE, folder / CASE / "review", keep=True, report=report)
    return folder


@contextmanager
def served(folder: Path, **options: object) -> Iterator[TestClient]:
    """A client of a workbench; it sends the page's header unless told otherwise."""
    serving = replace(Serving(folder, workers=1, limits=REPORTED), **options)  # type: ignore[arg-type]
    with TestClient(create_app(serving), base_url="http://localhost", headers=PAGE) as client:
        yield client
