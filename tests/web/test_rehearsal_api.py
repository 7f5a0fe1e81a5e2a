"""What-if on the page is `tidebench whatif`: the same patient, the same numbers, the same refusals."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from fastapi.testclient import TestClient
from pypdf import PdfReader

from tests.web.bench import CASE, DEMO, casebook, served
from tidebench.case import load_case
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


def over(client: TestClient, job: dict[str, Any]) -> str:
    """The name of a job that is done."""
    for _ in range(1500):
        job = client.get(f"/api/jobs/{job['name']}").json()
        if job["state"] not in ("waiting", "running"):
            break
        time.sleep(0.1)
    assert (job["state"], job["problem"]) == ("done", "")
    return str(job["name"])


def test_fit_and_its_levers(client: TestClient, printed: dict[str, Any]) -> None:
    fit = client.get(URL, params=STRETCH).json()
    levers = {lever["key"]: lever["value"] for lever in fit["levers"]}
    assert fit["title"] == load_case(DEMO).title
    assert levers["peep_cmh2o"] == 12  # as the case sets it from 71 to 141 s
    assert {"rate_per_min", "tidal_volume_ml", "fio2"} <= levers.keys()
    assert "pressure_support_cmh2o" not in levers
    rows = {row["label"]: row["value"] for row in fit["rows"]}
    compliance = printed["fit"]["compliance_ml_cmh2o"]
    assert rows["compliance"] == f"{compliance['value']:.3g} {compliance['unit']}"
    assert len(fit["now"]["airway_pressure"]) == len(fit["recorded"]["airway_pressure"])


def test_sketch_is_the_estimate_of_the_whole_rehearsal(client: TestClient, printed: dict[str, Any]) -> None:
    sketch = client.post(f"{URL}/sketch", json={**STRETCH, "settings": CHANGED}).json()
    told = {row["key"]: row["then"] for row in sketch["rows"]}
    for key in ("peak_pressure_cmh2o", "vti_ml", "rate_per_min", "total_peep_cmh2o", "paco2_mmhg"):
        assert told[key] == quantity(key).text(printed["then"][key]["value"])
    assert max(sketch["waves"]["airway_pressure"]) > 20
    assert (sketch["now_band"], sketch["then_band"]) == (None, None), "one patient has no doubt"


def test_rehearsal_has_the_doubt_of_the_command_line(client: TestClient, printed: dict[str, Any]) -> None:
    job = client.post(f"{URL}/rehearse", json={**STRETCH, "settings": CHANGED}).json()
    assert client.get(f"{URL}/rehearsed/{job['name']}").status_code in (200, 422)
    told = client.get(f"{URL}/rehearsed/{over(client, job)}").json()
    rows = {row["key"]: row for row in told["rows"]}
    for key in ("peak_pressure_cmh2o", "plateau_pressure_cmh2o", "mechanical_power_j_min", "paco2_mmhg"):
        then, record = printed["then"][key], quantity(key)
        low, high = (record.text(then[edge], unit=False) for edge in ("low", "high"))
        assert rows[key]["then"] == record.text(then["value"])
        assert rows[key]["span"] == f"{low} to {high}"
    for band, curves in (
        (told["then_band"], told["waves"]),
        (told["now_band"], client.get(URL, params=STRETCH).json()["now"]),
    ):
        assert band["low"]["time_s"] == curves["time_s"]
        for key in ("airway_pressure", "flow", "volume"):
            edges = zip(band["low"][key], curves[key], band["high"][key], strict=True)
            assert all(low <= value <= high for low, value, high in edges), "the band holds the estimate"
            assert band["low"][key] != band["high"][key]
    assert [limit["then"] for limit in told["limits"]] == [
        limit["then"] for limit in printed["limits"] if "can't" not in limit["then"]
    ]


@pytest.mark.parametrize("up", [(), ("rate_per_min", 20, 26, 3)], ids=["curve", "map"])
def test_a_sweep_is_that_of_the_command(client: TestClient, tmp_path: Path, up: tuple[Any, ...]) -> None:
    ranges = [("peep_cmh2o", 8, 14, 3), *([up] if up else [])]
    words = [f"--sweep={key}={low}:{high}:{step}" for key, low, high, step in ranges]
    main(["whatif", str(DEMO), "--out", str(tmp_path / "out"), "--from", "75", "--to", "138", *words, "--json"])
    table = pl.read_csv(tmp_path / "out" / "sweep.csv")
    asked = [dict(zip(("key", "low", "high", "step"), each, strict=True)) for each in ranges]
    job = client.post(f"{URL}/sweep", json={**STRETCH, "ranges": asked}).json()
    told = client.get(f"{URL}/swept/{over(client, job)}").json()
    assert [each["values"] for each in told["along"]] == [[8, 11, 14], *([[20, 23, 26]] if up else [])]
    found = {one["key"]: one for one in told["found"]}
    for key in ("driving_pressure_cmh2o", "peak_pressure_cmh2o", "paco2_mmhg"):
        assert found[key]["estimate"] == pytest.approx(table[key].to_list(), rel=1e-5)
        assert (found[key]["low"][0] is None) is bool(up)
        if not up:
            assert found[key]["low"] == pytest.approx(table[f"{key}_low"].to_list(), rel=1e-5)
        assert found[key]["words"][0] == quantity(key).text(table[key][0])


def test_a_range_goes_on_past_values_that_can_not_be_and_marks_what_was_never_recorded(
    client: TestClient, tmp_path: Path
) -> None:
    """410 mL at 40 L/min and a pause of 0.2 s are an inflation of 0.815 s: none fits into 0.75 s, a breath at 80."""
    asked = [{"key": "rate_per_min", "low": 20, "high": 80, "step": 20}]
    job = client.post(f"{URL}/sweep", json={**STRETCH, "ranges": asked}).json()
    told = client.get(f"{URL}/swept/{over(client, job)}").json()
    assert [bool(words) for words in told["refused"]] == [False, False, False, True]
    assert "0.815 s does not fit" in told["refused"][3]
    assert [bool(words) for words in told["beyond"]] == [False, False, True, False]  # gas stacked: less is inspired
    assert all(one["estimate"][3] is None for one in told["found"])
    out = tmp_path / "out"
    main(["whatif", str(DEMO), "--out", str(out), "--from=75", "--to=138", "--sweep=rate_per_min=20:80:20", "--json"])
    table = pl.read_csv(out / "sweep.csv")
    assert table["beyond_what_was_recorded"].to_list() == [False, False, True, False]
    assert table["not_possible"].null_count() == 3
    job = client.post(f"{URL}/sweep", json={**STRETCH, "ranges": [{**asked[0], "low": 80}]}).json()
    for _ in range(600):
        job = client.get(f"/api/jobs/{job['name']}").json()
        if job["state"] not in ("waiting", "running"):
            break
        time.sleep(0.1)
    assert job["state"] == "refused"  # no value of it can be
    assert "does not fit" in job["problem"]


@pytest.mark.parametrize(
    ("ranges", "word"),
    [
        ([("peep_cmh2o", 5, 15, 0.01)], "at most 61"), ([("peep_cmh2o", 15, 5, 1)], "TO above FROM"), ([], "ranges"),
        ([("peep_cmh2o", 5, 15, 1)] * 3, "ranges"),
    ],
)  # fmt: skip
def test_ranges_that_can_not_be_are_refused(client: TestClient, ranges: list[tuple[Any, ...]], word: str) -> None:
    asked = [dict(zip(("key", "low", "high", "step"), each, strict=True)) for each in ranges]
    answer = client.post(f"{URL}/sweep", json={**STRETCH, "ranges": asked})
    assert answer.status_code == 422
    assert word in answer.json()["problem"]


def test_the_report_holds_a_change(client: TestClient, printed: dict[str, Any]) -> None:
    job = client.post(f"{URL}/report", json={**STRETCH, "settings": CHANGED}).json()
    pdf = client.get(f"{URL}/report/{over(client, job)}.pdf").content
    text = " ".join(
        " ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).replace("\xa0", " ").split()
    )
    assert "A change, rehearsed" in text
    assert "not advice" in text
    then, record = printed["then"]["peak_pressure_cmh2o"], quantity("peak_pressure_cmh2o")
    assert record.text(then["value"]).replace("H2O", "H₂O") in text
    assert "What matters first" in text


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        ({"pressure_support_cmh2o": 10}, "has no set pressure support"), ({"nonesuch": 1}, "nonesuch"),
        ({"rate_per_min": -3}, "set rate"), ({"mode": "ABC"}, "mode"), ({"peep_cmh2o": 1e6}, "set PEEP"),
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
