"""A result on disk: tables, metadata and summary, and nothing where it failed."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.reference.exact_lung import Breath, Lung, half_sines, ventilate
from tidebench.cli.terminal import print_review
from tidebench.errors import SignalError, TidebenchError
from tidebench.findings import FINDINGS
from tidebench.records import BREATH_COLUMNS, EFFORT_COLUMNS, FINDING_COLUMNS
from tidebench.report.method import method
from tidebench.results import review_case
from tidebench.store import read_result
from tidebench.views.verdicts import verdicts

TABLES = {"breaths": BREATH_COLUMNS, "efforts": EFFORT_COLUMNS, "findings": FINDING_COLUMNS}


def write_case(folder: Path, flow_unit: str = "L/s") -> Path:
    """A case on disk: two minutes of a leaking lung, the second with efforts."""
    lung = Lung(0.045, 11, muscle=half_sines(6, 0.9, 4.3, 62), leak=0.02)
    done = ventilate(lung, Breath(3.5, 1, above=13, trigger=0.15), 120).recording(noise=0.004)
    folder.mkdir()
    table = pl.DataFrame(
        {
            "time [s]": np.arange(len(done)) / 100,
            "Paw [cmH2O]": done["airway_pressure"],
            f"Flow [{flow_unit}]": done["flow"],
        }
    )
    table.write_csv(folder / "signals.csv")
    (folder / "case.toml").write_text('[recording]\nfile = "signals.csv"\n', encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A result without a report."""
    folder = tmp_path_factory.mktemp("results")
    review_case(write_case(folder / "case"), folder / "out", report=False)
    return folder / "out"


@pytest.mark.parametrize("name", TABLES)
def test_table_has_the_columns_that_are_promised(result: Path, name: str) -> None:
    table = pl.read_parquet(result / f"{name}.parquet")
    assert dict(table.schema) == {**TABLES[name], "recording_id": pl.String}
    assert table.height > 0
    assert set(table["recording_id"]) == {json.loads((result / "summary.json").read_text())["recording_id"]}


@pytest.mark.parametrize("name", TABLES)
def test_table_says_of_itself_what_it_was_made_of(result: Path, name: str) -> None:
    told = pl.read_parquet_metadata(result / f"{name}.parquet")
    assert {"recording_id", "case_hash", "options_hash", "schema_version"} <= told.keys()
    assert all(told[key] for key in ("recording_id", "case_hash", "options_hash", "schema_version"))


def numbers(value: Any) -> list[float]:
    """Every number in a JSON value."""
    if isinstance(value, dict):
        return [number for inner in value.values() for number in numbers(inner)]
    if isinstance(value, list):
        return [number for inner in value for number in numbers(inner)]
    return [value] if isinstance(value, float) else []


def test_summary_holds_finite_numbers_and_the_caution(result: Path) -> None:
    summary = json.loads((result / "summary.json").read_text(encoding="utf-8"))
    assert {"quantities", "holds", "findings", "asynchrony_index_percent", "warnings", "version", "caution"} <= set(
        summary
    )
    assert len(numbers(summary)) > 50
    assert all(math.isfinite(number) for number in numbers(summary))
    for statistics in summary["quantities"].values():
        assert statistics["p05"] <= statistics["median"] <= statistics["p95"]
        assert statistics["n"] > 0


def test_missing_value_has_its_reason_and_a_present_one_has_none(result: Path) -> None:
    table = pl.read_parquet(result / "breaths.parquet")
    keys = set(BREATH_COLUMNS) - {"not_measured"}
    for row in table.iter_rows(named=True):
        silent = {key for key in keys if row[key] is None}
        reasons = [reason["quantity"] for reason in row["not_measured"]]
        assert set(reasons) == silent
        assert len(reasons) == len(set(reasons)), "one reason each"
        assert all(reason["code"] and reason["text"] for reason in row["not_measured"])


def test_no_number_in_a_table_is_nan(result: Path) -> None:
    for name in TABLES:
        table = pl.read_parquet(result / f"{name}.parquet")
        floats = table.select(pl.selectors.float())
        assert not any(floats[key].is_nan().any() for key in floats.columns)


def test_manifest_comes_with_what_it_lists(result: Path) -> None:
    read = read_result(result)
    assert set(read.files) == {"breaths.parquet", "efforts.parquet", "findings.parquet", "summary.json"}
    assert not read.altered()


@pytest.mark.parametrize("earlier", [False, True], ids=["new", "over an earlier one"])
def test_failure_leaves_nothing_behind(tmp_path: Path, earlier: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    good, bad, out = write_case(tmp_path / "good"), write_case(tmp_path / "bad", "furlongs"), tmp_path / "out"
    if earlier:
        review_case(good, out, report=False)
    before = {path.relative_to(tmp_path): path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    with pytest.raises(TidebenchError):
        review_case(bad, out, report=False)
    monkeypatch.setattr("tidebench.results.write_tables", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises((OSError, TidebenchError)):
        review_case(good, out, report=False)
    after = {path.relative_to(tmp_path): path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert {p: b for p, b in after.items() if p.suffix != ".lock"} == {
        p: b for p, b in before.items() if p.suffix != ".lock"
    }


def test_same_case_gives_the_same_bytes(tmp_path: Path) -> None:
    case = write_case(tmp_path / "case")
    for name in ("one", "two"):
        review_case(case, tmp_path / name, report=False)
    for name in ("breaths.parquet", "efforts.parquet", "findings.parquet", "summary.json"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_manifest_names_rules_by_the_kind_of_finding(result: Path) -> None:
    assert set(read_result(result).manifest["rules"]) == set(FINDINGS)


def test_unreadable_signals_are_told_of_their_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def deny(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("tidebench.results.open_recording", deny)
    case = write_case(tmp_path / "case")
    with pytest.raises(SignalError, match=r"signals\.csv: the signals can't be read \(Input/output error\)"):
        review_case(case, tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["case"]


POLICY = 'title = "{}"\n[[limit]]\nquantity = "peak_pressure_cmh2o"\ngroup = "adult"\nhigh = {}\n'


def test_policy_beside_the_case_or_named_is_used_and_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case, named = write_case(tmp_path / "case"), tmp_path / "named.toml"
    with (case / "case.toml").open("a", encoding="utf-8") as file:
        file.write("[patient]\nage_years = 50\n")
    none = review_case(case, tmp_path / "none", report=False)
    assert none.summary["policy"] is read_result(tmp_path / "none").manifest["options"]["policy"] is None
    assert "Limits" not in dict(method(none))
    (case / "policy.toml").write_text(POLICY.format("Beside", 12), encoding="utf-8")
    named.write_text(POLICY.format("Named", 13), encoding="utf-8")
    hashes = set()
    for policy, title, high in ((None, "Beside", 12), (named, "Named", 13)):
        done = review_case(case, tmp_path / title, policy=policy, report=False)
        judged = {verdict.limit.key: verdict for verdict in verdicts(done)}["peak_pressure_cmh2o"]
        assert (judged.limit.high, judged.limit.kind, judged.state) == (high, "house policy", "crossed")
        kept = json.loads((tmp_path / title / "summary.json").read_text(encoding="utf-8"))["policy"]
        assert kept == read_result(tmp_path / title).manifest["options"]["policy"]
        assert kept["name"] == title
        hashes.add(kept["hash"])
        assert f"Limits of this house were used: {title}." in dict(method(done))["Limits"]
        capsys.readouterr()
        print_review(done)
        assert f"Limits of this house were used: {title}." in capsys.readouterr().out
    assert len(hashes) == 2
