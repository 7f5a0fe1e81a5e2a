"""``tidebench picture``: a case like any other comes out, and one message for what can't be."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
import tomlkit
from PIL import Image, ImageDraw

from tests.pictures.draw import Chart, axes_tables, draw
from tests.pictures.patients import signals
from tests.pictures.spoil import photographed
from tests.pictures.styles import Style
from tidebench.case import Case, load_case
from tidebench.caution import CAUTION
from tidebench.cli import main
from tidebench.readers import open_recording
from tidebench.report.content import content
from tidebench.results import review_case
from tidebench.review import review
from tidebench.views.pictured import pictured

PLAIN = Style(
    size=(1280, 720), panels=("airway_pressure", "flow", "volume"), left=0.08, right=0.95, spacing=0.3, seconds=20.0,
    paper=(1, 1, 1), ground=(0.97, 0.97, 0.97), ink=(0.1, 0.1, 0.1), grid="solid", grid_shade=0.15,
    colours=((0.0, 0.4, 0.7), (0.8, 0.35, 0.0), (0.0, 0.6, 0.45), (0.5, 0.3, 0.6)), width_px=2.0, smooth=True, fill=0.0,
    frame=True, text_inside=False, cursor=False, second_curve=False, bar=0.0, head=0.5,
)  # fmt: skip


@pytest.fixture(scope="module")
def chart() -> Chart:
    """Twenty seconds of a passive patient."""
    return draw(signals("open", 9, 21.0), PLAIN, np.random.default_rng(3))


@pytest.fixture
def folder(chart: Chart, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A picture and its axes, where the commands run."""
    monkeypatch.chdir(tmp_path)
    chart.image.save("screen.png")
    write_axes(chart)
    return tmp_path


def write_axes(chart: Chart, **changes: Any) -> None:
    """axes.toml of a chart, changed at its top."""
    Path("axes.toml").write_text(tomlkit.dumps({**changes, **axes_tables(chart, colours=False)}), encoding="utf-8")


def refusal(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """What a refused command says."""
    with pytest.raises(SystemExit) as stop:
        main(words)
    assert stop.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    return said.err


def test_a_picture_becomes_a_case_that_review_measures_with_intervals(
    folder: Path, chart: Chart, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["picture", "screen.png", "--axes", "axes.toml", "--out", "case", "--observed", "peak_pressure_cmh2o=23"])
    said = " ".join(capsys.readouterr().out.split())
    for words in ("airway pressure: traced over 100 %", "agrees with the volume panel", "Crop faces, names", CAUTION):
        assert words in said
    case = load_case(Path("case"))
    assert case.observed[0].numbers == {"peak_pressure_cmh2o": 23.0}
    recording = open_recording(case)
    assert recording.uncertainty is not None
    assert recording.duration_s == pytest.approx(20.0, abs=0.2)
    assert any("traced from a picture" in text for text in recording.warnings)
    done = review_case("case", "result", report=False)
    truth = signals("open", 9, 21.0).breaths.filter(pl.col("start_s").is_between(0, 19))
    volume = done.summary["quantities"]["vti_ml"]
    assert volume["median"] == pytest.approx(truth["vti_ml"].median(), rel=0.03)
    assert volume["low"] < volume["median"] < volume["high"]
    assert 0.002 < (volume["high"] - volume["low"]) / volume["median"] < 0.1
    assert any("nine times in ten" in text for text in done.summary["warnings"])


def test_the_library_does_what_the_command_does(folder: Path) -> None:
    from tidebench import picture_case
    from tidebench.pictures.album import Shot

    (taken,) = picture_case([Shot(file="screen.png", axes="axes.toml")], "by-library")
    assert taken.read is not None
    assert taken.read.recording is not None
    main(["picture", "screen.png", "--axes", "axes.toml", "--out", "by-command"])
    for name in ("signals.csv", "case.toml", "picture.json", "traced.png"):
        assert Path("by-library", name).read_bytes() == Path("by-command", name).read_bytes()


def test_what_lies_outside_the_panels_is_left_out_unless_asked_for(folder: Path, chart: Chart) -> None:
    main(["picture", "screen.png", "--axes", "axes.toml", "--out", "case"])
    kept = np.asarray(Image.open("case/panels.png"))
    outside = np.ones(kept.shape[:2], dtype=bool)
    for panel in chart.panels:
        left, top, right, bottom = (round(edge) for edge in panel.box)
        outside[top - 2 : bottom + 3, left - 2 : right + 3] = False
    assert (kept[outside] == 127).all()
    assert not Path("case/screen.png").exists()
    assert Path("case/traced.png").is_file()
    main(["picture", "screen.png", "--axes", "axes.toml", "--out", "case", "--whole"])
    assert Path("case/screen.png").read_bytes() == Path("screen.png").read_bytes()


def test_provenance_says_from_which_picture_and_how(folder: Path) -> None:
    main(["picture", "screen.png", "--axes", "axes.toml", "--out", "case"])
    told = json.loads(Path("case/picture.json").read_text(encoding="utf-8"))["pictures"][0]
    assert len(told["sha256"]) == 64
    assert told["axes"]["panel"][1]["unit"] == "L/min"
    assert [panel["quantity"] for panel in told["panels"]] == ["airway_pressure", "flow", "volume"]
    assert all(panel["pen_px"] == pytest.approx(2.0, abs=0.4) for panel in told["panels"])
    curves = pl.read_parquet("case/curves.parquet")
    assert set(curves["quantity"]) == {"airway_pressure", "flow", "volume"}
    assert (curves["sd"] > 0).all()


def test_a_calibration_that_disagrees_is_told_and_mended_only_when_asked(
    folder: Path, chart: Chart, capsys: pytest.CaptureFixture[str]
) -> None:
    tables = axes_tables(chart, colours=False)
    tables["panel"][2]["values"] = [[row, 1.2 * value] for row, value in tables["panel"][2]["values"]]
    Path("axes.toml").write_text(tomlkit.dumps(tables), encoding="utf-8")
    main(["picture", "screen.png", "--axes", "axes.toml", "--out", "case"])
    assert "% less than the volume panel shows" in " ".join(capsys.readouterr().out.split())
    told = open_recording(load_case("case"))
    main(["picture", "screen.png", "--axes", "axes.toml", "--out", "case", "--mend", "volume"])
    repaired = open_recording(load_case("case"))
    assert np.ptp(repaired["volume"]) == pytest.approx(np.ptp(told["volume"]) / 1.2, rel=0.02)
    assert np.array_equal(repaired["flow"], told["flow"])


def test_an_album_is_one_case_in_the_order_of_its_stamps(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("numbers.png").write_bytes(Path("screen.png").read_bytes())
    Path("later.png").write_bytes(Path("screen.png").read_bytes())
    Path("album.toml").write_text(
        '[[picture]]\nfile = "later.png"\naxes = "axes.toml"\nat = 2031-05-04T13:25:00\n'
        '[[picture]]\nfile = "screen.png"\naxes = "axes.toml"\nat = 2031-05-04T13:20:00\n'
        '[[picture]]\nfile = "numbers.png"\nat = 2031-05-04T13:22:00\n[picture.observed]\nspo2 = 0.95\n',
        encoding="utf-8",
    )
    Path("about.toml").write_text('title = "An invented stay"\n[patient]\nheight_cm = 170\nsex = "male"\n', "utf-8")
    main(["picture", "--album", "album.toml", "--out", "case", "--case", "about.toml"])
    case = load_case("case")
    assert (case.title, case.patient.height_cm) == ("An invented stay", 170)
    assert [part.start.minute for part in case.recordings if part.start] == [20, 25]
    assert [(row.at_s, row.spo2) for row in case.observed] == [(120.0, 0.95)]
    recording = open_recording(case)
    assert recording.duration_s == pytest.approx(320, abs=1)
    assert len(recording.gaps) == 1
    assert recording.uncertainty is not None
    assert "numbers noted: 1" in capsys.readouterr().out


def test_a_picture_without_flow_gives_its_curve_and_says_why_there_is_no_recording(
    folder: Path, chart: Chart, capsys: pytest.CaptureFixture[str]
) -> None:
    write_axes(replace(chart, panels=chart.panels[:1]))
    main(["picture", "screen.png", "--axes", "axes.toml", "--out", "case"])
    assert "No recording: the picture shows no flow over time" in capsys.readouterr().out
    assert load_case("case").recordings == ()
    assert pl.read_parquet("case/curves.parquet")["quantity"].unique().to_list() == ["airway_pressure"]


def test_trends_become_trends_and_loops_tell_their_work(folder: Path) -> None:
    page = Image.new("RGB", (1600, 600), "white")
    pen = ImageDraw.Draw(page)
    pen.line([(40 + x, 300 - 100 * np.sin(x / 120)) for x in range(700)], fill=(0, 90, 160), width=3)
    pen.ellipse((900, 150, 1300, 450), outline=(180, 60, 0), width=4)
    page.save("page.png")
    panels = [
        {"kind": "trend", "quantity": "rate_per_min", "unit": "/min", "box": [40, 100, 740, 500],
         "values": [[400, 10], [200, 30]], "times": [[40, 0], [740, 14400]]},
        {"kind": "loop", "quantity": "volume", "unit": "mL", "box": [850, 100, 1350, 500],
         "values": [[450, 0], [150, 600]], "across": "airway_pressure", "across_unit": "cmH2O",
         "across_values": [[900, 5], [1300, 25]]},
        {"kind": "trend", "quantity": "spo2", "unit": "%", "box": [40, 100, 740, 500],
         "values": [[400, 90], [200, 100]], "times": [[40, 0], [740, 14400]]},
    ]  # fmt: skip
    Path("page.toml").write_text(tomlkit.dumps({"panel": panels}), encoding="utf-8")
    main(["picture", "page.png", "--axes", "page.toml", "--out", "case"])
    shown = pictured(Path("case"))
    assert shown.trends[0].words == "Rate 10 to 30 /min, median 21 /min, over 4.0 h."
    assert shown.trends[1].words == "Oxygen saturation by pulse oximeter 90 to 100 %, median 96 %, over 4.0 h."
    assert "It encloses" in shown.loops[0]
    assert "gains" not in shown.loops[0]  # an upright ellipse has no slope
    trend = pl.read_parquet("case/trends.parquet").filter(pl.col("quantity") == "rate_per_min")
    true = 20 + 10 * np.sin((trend["time_s"].to_numpy() / 14400 * 700) / 120)
    assert np.abs(trend["value"].to_numpy() - true).max() < 0.3
    loop = json.loads(Path("case/picture.json").read_text(encoding="utf-8"))["pictures"][0]["loops"][0]
    assert loop["work_j"] == pytest.approx(np.pi / 4 * 20 * 0.6 * 0.0980665, rel=0.03)  # an ellipse
    assert "direction and time" in loop["not_told"]


def test_the_report_of_a_recording_tells_the_trends_beside_it(folder: Path, chart: Chart) -> None:
    """A screen with waveforms and, below them, a trend from 10 to 30 a minute."""
    page = Image.new("RGB", (1280, 1100), "white")
    page.paste(chart.image)
    line = [(40 + x, 900 - 100 * np.sin(x / 120)) for x in range(700)]
    ImageDraw.Draw(page).line(line, fill=(0, 90, 160), width=3)
    page.save("page.png")
    trend = {"kind": "trend", "quantity": "rate_per_min", "unit": "/min", "box": [40, 760, 740, 1060],
             "values": [[1000, 10], [800, 30]], "times": [[40, 0], [740, 14400]]}  # fmt: skip
    waves = axes_tables(chart, colours=False)["panel"]
    Path("page.toml").write_text(tomlkit.dumps({"panel": [*waves, trend]}), encoding="utf-8")
    main(["picture", "page.png", "--axes", "page.toml", "--out", "case"])
    done = review_case("case", "result")
    assert [words.replace("\xa0", " ") for words in content(done)["pictured"]] == [
        "Rate 10 to 30 /min, median 21 /min, over 4.0 h."
    ]


def test_a_report_without_pictures_has_nothing_of_them(folder: Path) -> None:
    main(["picture", "screen.png", "--axes", "axes.toml", "--out", "case"])
    case = load_case(Path("case"))
    assert content(review(Case(), open_recording(case)))["pictured"] == []


def test_proposed_axes_are_to_be_completed(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["picture", "screen.png", "--propose", "new.toml"])
    assert "Panels proposed: 3" in capsys.readouterr().out
    said = tomllib.loads(Path("new.toml").read_text(encoding="utf-8"))
    known = tomllib.loads(Path("axes.toml").read_text(encoding="utf-8"))
    off = np.abs(
        np.array([panel["box"] for panel in said["panel"]]) - np.array([panel["box"] for panel in known["panel"]])
    )
    assert off.max() <= 4
    assert Path("new.png").is_file()
    assert "'?'" in refusal(capsys, "picture", "screen.png", "--axes", "new.toml", "--out", "case")


def test_panels_are_proposed_on_no_screen_seen_aslant(
    folder: Path, chart: Chart, capsys: pytest.CaptureFixture[str]
) -> None:
    taken, _ = photographed(chart.image, np.random.default_rng(4))
    taken.save("taken.png")
    assert "--corners find" in refusal(capsys, "picture", "taken.png", "--propose", "new.toml")
    assert not Path("new.toml").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("screen.png", "--axes", "axes.toml"), "--out"),
        (("screen.png", "--out", "case"), "no axes are given"),
        (("--axes", "axes.toml", "--out", "case"), "no picture is given"),
        (("nowhere.png", "--axes", "axes.toml", "--out", "case"), "no such picture"),
        (("screen.png", "--axes", "nowhere.toml", "--out", "case"), "no such file"),
        (("screen.png", "screen.png", "--axes", "axes.toml", "--out", "case"), "two pictures are called screen.png"),
        (("screen.png", "--axes", "axes.toml", "--out", "case", "--observed", "peak=28"), "observed"),
        (("screen.png", "--axes", "axes.toml", "--out", "case", "--corners", "1,2 3"), "not four points"),
        (("screen.png", "--axes", "axes.toml", "--out", "case", "--page", "2"), "no page 2"),
    ],
)
def test_what_cannot_be_done_leaves_nothing_behind(
    folder: Path, words: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert says in refusal(capsys, "picture", *words)
    assert not Path("case").exists()


def test_a_box_without_a_curve_and_a_box_outside_are_told(
    folder: Path, chart: Chart, capsys: pytest.CaptureFixture[str]
) -> None:
    tables = axes_tables(chart, colours=False)
    tables["panel"][1]["box"] = [4, 20, 90, 700]
    Path("axes.toml").write_text(tomlkit.dumps(tables), encoding="utf-8")
    assert "no curve is found in the panel of flow" in refusal(
        capsys, "picture", "screen.png", "--axes", "axes.toml", "--out", "case"
    )
    tables["panel"][1]["box"] = [4, 20, 4000, 700]
    Path("axes.toml").write_text(tomlkit.dumps(tables), encoding="utf-8")
    assert "lies outside the picture" in refusal(
        capsys, "picture", "screen.png", "--axes", "axes.toml", "--out", "case"
    )
