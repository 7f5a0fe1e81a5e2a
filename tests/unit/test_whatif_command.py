"""``tidebench whatif``: what it writes, and one clear message for what can't be."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

from tidebench.cli import main
from tidebench.errors import OptionError
from tidebench.fitting.sweep import range_of
from tidebench.fitting.target import Bound, bound_of, target_of
from tidebench.store import read_result

GAS = "\n[[blood_gases]]\nat_s = 30.0\nsite = 'arterial'\npaco2_mmhg = 50.0\nph = 7.30\npao2_mmhg = 80.0\nfio2 = 0.3\n"


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A passive adult, simulated, with a blood gas."""
    folder = tmp_path_factory.mktemp("whatif")
    (folder / "a.toml").write_text('who = "adult-healthy"\nduration_s = 60\n', encoding="utf-8")
    main(["simulate", str(folder / "a.toml"), "--out", str(folder / "case")])
    with (folder / "case" / "case.toml").open("a", encoding="utf-8") as file:
        file.write(GAS)
    return folder / "case"


def test_a_rehearsal_is_a_result(case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    options = [
        "--set",
        "rate_per_min=20",
        "--sweep",
        "peep_cmh2o=4:8:2",
        "--show",
        "plateau_pressure_cmh2o",
        "--minutes",
        "5",
    ]
    main(["whatif", str(case), "--out", str(out), *options])
    said = capsys.readouterr().out
    assert "Not a medical device" in said
    assert "carbon dioxide" in said
    assert said.index("then") < said.index("Fitted to") < said.index("Assumed"), "the answer comes first"
    assert set(read_result(out).files) == {
        "whatif.json",
        "whatif.pdf",
        "signals.parquet",
        "waves.svg",
        "sweep.svg",
        "sweep.csv",
        "course.svg",
        "course.csv",
    }
    pdf = (out / "whatif.pdf").read_bytes()
    assert pdf.startswith(b"%PDF-")
    told = json.loads((out / "whatif.json").read_text(encoding="utf-8"))
    assert told["settings_then"]["rate_per_min"] == 20
    assert told["then"]["rate_per_min"]["value"] == pytest.approx(20, abs=0.1)
    assert told["then"]["paco2_mmhg"]["low"] < told["then"]["paco2_mmhg"]["value"] < 50
    for parameter in told["fit"].values():
        if "why" in parameter:
            assert parameter.keys() == {"value", "low", "high", "unit", "identifiable", "why"}
    assert told["fit"]["goodness"]["pressure_error_cmh2o"] < 1
    assert told["limits"]
    assert any("nobody begins to" in words for words in told["assumptions"])
    assert pl.read_csv(out / "sweep.csv")["set_peep_cmh2o"].to_list() == [4, 6, 8]
    signals = pl.read_parquet(out / "signals.parquet")
    then = signals.filter(pl.col("which") == "then")
    assert then.select(
        ((pl.col("volume_low") <= pl.col("volume")) & (pl.col("volume") <= pl.col("volume_high"))).all()
    ).item()
    assert (
        signals.filter(pl.col("which") == "recorded")["airway_pressure_low"].null_count()
        == signals.filter(pl.col("which") == "recorded").height
    )
    assert set(signals["which"]) == {"recorded", "now", "then"}
    waves = (out / "waves.svg").read_text(encoding="utf-8")
    assert all(f"{side}, 90 %" in waves for side in ("now", "then")), "the bands of the mean breaths are in the legend"
    main(["whatif", str(case), "--out", str(out), "--set", "peep_cmh2o=7", "--json"])
    assert json.loads(capsys.readouterr().out)["settings_then"]["peep_cmh2o"] == 7
    assert not (out / "sweep.csv").exists(), "replaced whole"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--set", "rate_per_min"], "'rate_per_min' says no value. Expected: KEY=VALUE"),
        (["--set", "peep_cmh2o=5", "--set", "peep_cmh2o=8"], "peep_cmh2o is given twice."),
        (["--set", "peep=5"], "there is no such key. Nearest: "),
        (["--set", "peep_cmh2o=500"], "--set peep_cmh2o=500: is 500. Expected: 0 to 60 cmH2O."),
        (["--sweep", "peep_cmh2o=61:64:3"], "--sweep peep_cmh2o=61:64:3: is 61. Expected: 0 to 60 cmH2O."),
        (["--set", "peep_cmh2o=nan"], "--set peep_cmh2o=nan: is nan."),
        (["--set", "mode=A/C-PC"], "pressure_control_cmh2o is missing. Expected: pressure_control_cmh2o for A/C-PC."),
        (["--set", "mode=sideways"], "--set mode=sideways: is 'sideways'."),
        (["--from", "10", "--to", "12"], "from 10 to 12 s: 0 whole, settled breaths. Expected: at least 5."),
        (["--sweep", "peep_cmh2o=9:5:1"], "is no range. Expected: KEY=FROM:TO:STEP"),
        (["--sweep", "peep_cmh2o=5:50:0.01"], "values. Expected: at most 61."),
        (["--sweep", "peep_cmh2o=5:6:1", "--sweep", "peep_cmh2o=5:6:1"], "can't be swept. Expected: one range, or two"),
        (["--show", "beauty"], "'beauty' is not told."),
        (["--target", "paco2_mmhg"], "is no target."),
        (["--target", "paco2_mmhg=40", "--within", "driving_pressure_cmh2o=13"], "is no bound."),
        (["--assume", "compliance_ml_cmh2o=50"], "only half a lung is named."),
        (["--assume", "compliance_ml_cmh2o=5000"], "can't be assumed. Expected: compliance_ml_cmh2o 0.05 to 300"),
        (["--set", "peep_cmh2o=high"], "--set peep_cmh2o=high: is 'high'. Expected: a number, without quotes."),
        (
            ["--set", "pressure_support_cmh2o=8"],
            "A/C-VC has no pressure_support_cmh2o. Expected: another mode, or what A/C-VC has: tidal",
        ),
        (["--set", "mode=3"], "--set mode=3: is 3. Expected: a mode in words, such as A/C-VC or CSV-PS."),
        (["--sweep", "mode=1:2:1"], "--sweep mode=1:2:1: is 1. Expected: a mode in words"),
        (["--set", "rate_per_min=0"], "--set rate_per_min=0: is 0, and nobody was seen to breathe."),
        (["--from", "nan"], "--from: is nan. Expected: a time in seconds."),
        (["--from", "40", "--to", "20"], "--to: begins at 40 s and ends at 20 s. Expected: a later time."),
        (["--target", "paco2_mmhg=-4"], "'paco2_mmhg=-4' is no value that a patient reaches. Expected: "),
        (["--seed", "-1"], "is -1. Expected: a whole number, 0 or more."),
        (["--within", "vti_ml<=400"], "bounds have a use with a target alone."),
        (["--show", "vti_ml"], "it is drawn along a range alone."),
        (["--target", "vti_ml=400", "--within", "driving_pressure_cmh2o<=1.2.3"], "is no bound."),
        (["--target", "vti_ml=420", "--within", "plateau_pressure_cmh2o<=nan"], "is no bound."),
        (["--target", "paco2_mmhg=45", "--minutes", "60"], "gases can't be followed after a search"),
        (["--minutes", "0"], "0 minutes. Expected: 1 to 240."),
        (["--reacting"], "drive can't react. Expected: a patient who breathes."),
    ],
)
def test_one_clear_message(
    case: Path, options: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main(["whatif", str(case), "--out", str(tmp_path / "out"), *options])
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_the_result_of_another_command_is_kept(case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["whatif", str(case), "--out", str(case)])
    assert "holds the result of another command" in capsys.readouterr().err


def test_a_changed_peep_takes_the_inspiratory_pressure_with_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = 'who = "ards-severe"\nduration_s = 40\n'
    (tmp_path / "a.toml").write_text(text, encoding="utf-8")
    main(["simulate", str(tmp_path / "a.toml"), "--out", str(tmp_path / "case")])
    capsys.readouterr()
    command = ["whatif", str(tmp_path / "case"), "--out", str(tmp_path / "out"), "--json", "--set"]
    main([*command, "peep_cmh2o=11"])
    told = json.loads(capsys.readouterr().out)
    assert told["change"]["peak_pressure_cmh2o"]["value"] == pytest.approx(-3.0, abs=0.2)
    main(
        [
            "whatif",
            str(tmp_path / "case"),
            "--out",
            str(tmp_path / "out"),
            "--set",
            "inspiratory_pressure_cmh2o=24",
            "--json",
        ]
    )
    assert json.loads(capsys.readouterr().out)["then"]["peak_pressure_cmh2o"]["value"] == pytest.approx(24, abs=0.4)


def test_ranges_targets_and_bounds_are_read() -> None:
    assert range_of("peep_cmh2o=5:9:2").values == (5, 7, 9)
    assert range_of("peep_cmh2o=5:7").values == (5, 6, 7)
    assert target_of("ph=7.35") == ("ph", 7.35)
    bound = bound_of(" driving_pressure_cmh2o <= 13 ")
    assert bound.met(13.0)
    assert not bound.met(13.1)
    assert not bound.met(float("nan"))
    assert bound_of("vti_ml>=200").met(200.0)
    assert bound_of("pressure_support_cmh2o<=.5") == Bound("pressure_support_cmh2o", True, 0.5), "a setting is held too"
    with pytest.raises(OptionError, match="fio2"):
        bound_of("beauty<=3")
    for words in ("peep_cmh2o<=.", "peep_cmh2o<=-", "peep_cmh2o<=1.2.3", "peep_cmh2o<8", "peep_cmh2o<=8cmH2O"):
        with pytest.raises(OptionError, match="is no bound"):
            bound_of(words)
