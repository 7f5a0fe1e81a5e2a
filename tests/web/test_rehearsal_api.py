"""What-if on the page is `tidebench whatif`: the same patient, the same numbers, the same refusals."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.web.bench import CASE, DEMO, casebook, served
from tidebench.cli import main
from tidebench.quantities import quantity

URL = f"/api/cases/{CASE}/whatif"
STRETCH = {"from_s": 75.0, "to_s": 138.0}
CHANGED = {"rate_per_min": 18.0, "peep_cmh2o": 10.0}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with served(casebook(tmp_path_factory.mktemp("casebook"))) as client:
        yield client


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    out = tmp_path_factory.mktemp("whatif") / "out"
    words = [f"--set={key}={value}" for key, value in CHANGED.items()]
    main(["whatif", str(DEMO), "--out", str(out), "--from", "75", "--to", "138", *words, "--json"])
    told: dict[str, Any] = json.loads((out / "whatif.json").read_text(encoding="utf-8"))
    return told


def test_fit_and_its_levers(client: TestClient, printed: dict[str, Any]) -> None:
    fit = client.get(URL, params=STRETCH).json()
    levers = {lever["key"]: lever["value"] for lever in fit["levers"]}
    assert levers["peep_cmh2o"] == 12  # as the case sets it from 71 to 141 s
    assert {"rate_per_min", "tidal_volume_ml", "fio2"} <= levers.keys()
    assert "pressure_support_cmh2o" not in levers
    rows = {row["label"]: row["value"] for row in fit["rows"]}
    compliance = printed["fit"]["compliance_ml_cmh2o"]
    assert rows["compliance ml cmh2o"] == f"{compliance['value']:.3g} {compliance['unit']}"
    assert len(fit["now"]["airway_pressure"]) == len(fit["recorded"]["airway_pressure"])


def test_sketch_is_the_estimate_of_the_whole_rehearsal(client: TestClient, printed: dict[str, Any]) -> None:
    sketch = client.post(f"{URL}/sketch", json={**STRETCH, "settings": CHANGED}).json()
    told = {row["key"]: row["then"] for row in sketch["rows"]}
    for key in ("peak_pressure_cmh2o", "vti_ml", "rate_per_min", "total_peep_cmh2o", "paco2_mmhg"):
        assert told[key] == quantity(key).text(printed["then"][key]["value"])
    assert max(sketch["waves"]["airway_pressure"]) > 20


def test_rehearsal_has_the_doubt_of_the_command_line(client: TestClient, printed: dict[str, Any]) -> None:
    job = client.post(f"{URL}/rehearse", json={**STRETCH, "settings": CHANGED}).json()
    assert client.get(f"{URL}/rehearsed/{job['name']}").status_code in (200, 422)
    for _ in range(1500):
        job = client.get(f"/api/jobs/{job['name']}").json()
        if job["state"] not in ("waiting", "running"):
            break
        time.sleep(0.1)
    assert (job["state"], job["problem"]) == ("done", "")
    told = client.get(f"{URL}/rehearsed/{job['name']}").json()
    rows = {row["key"]: row for row in told["rows"]}
    for key in ("peak_pressure_cmh2o", "plateau_pressure_cmh2o", "mechanical_power_j_min", "paco2_mmhg"):
        then, record = printed["then"][key], quantity(key)
        low, high = (record.text(then[edge], unit=False) for edge in ("low", "high"))
        assert rows[key]["then"] == record.text(then["value"])
        assert rows[key]["span"] == f"{low} to {high}"
    assert [limit["then"] for limit in told["limits"]] == [
        limit["then"] for limit in printed["limits"] if "can't" not in limit["then"]
    ]


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        ({"pressure_support_cmh2o": 10}, "has no pressure_support_cmh2o"), ({"nonesuch": 1}, "nonesuch"),
        ({"rate_per_min": -3}, "rate_per_min"), ({"mode": "ABC"}, "mode"), ({"peep_cmh2o": 1e6}, "peep_cmh2o"),
    ],
)  # fmt: skip
def test_changes_that_can_not_be_are_refused_in_words(client: TestClient, settings: dict[str, Any], word: str) -> None:
    answer = client.post(f"{URL}/sketch", json={**STRETCH, "settings": settings})
    assert answer.status_code == 422
    assert word in answer.json()["problem"]


def test_stretch_without_breaths_or_end_is_refused(client: TestClient, tmp_path: Path) -> None:
    assert client.get(URL, params={"from_s": 3}).status_code == 422
    assert client.get(URL, params={"from_s": 3, "to_s": 3.1}).status_code == 422
    assert client.get("/api/cases/none/whatif").status_code == 404
    assert not list(tmp_path.iterdir())
