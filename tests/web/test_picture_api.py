"""Pictures over the line: opened, traced, mended, made a case; refused where they are too large, too slow or none."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from PIL import Image, ImageDraw

from tests.pictures.draw import Chart
from tests.pictures.spoil import photographed
from tests.web.bench import served
from tests.web.pictures import panels_of, plain_chart, png
from tidebench.case import load_case
from tidebench.casebook import REVIEW
from tidebench.pictures.axes import load_axes
from tidebench.readers import open_recording
from tidebench.web.jobs import TOO_LONG
from tidebench.web.options import Limits
from tidebench.web.uploads import LASTS_S


@pytest.fixture(scope="module")
def chart() -> Chart:
    return plain_chart()


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with served(tmp_path) as client:
        yield client


def dragged(client: TestClient, content: bytes, name: str = "screen.png") -> str:
    """A picture sent to the workbench; its token."""
    answer = client.post("/api/uploads/pictures", params={"name": name}, content=content)
    assert answer.status_code == 200, answer.text
    token: str = answer.json()["token"]
    return token


def done(client: TestClient, job: dict[str, Any]) -> dict[str, Any]:
    """A job once it is over."""
    until = time.monotonic() + 200
    while job["state"] in ("waiting", "running") and time.monotonic() < until:
        time.sleep(0.05)
        job = client.get(f"/api/jobs/{job['name']}").json()
    return job


def opened(client: TestClient, token: str, **how: Any) -> dict[str, Any]:
    job = done(client, client.post(f"/api/pictures/{token}/open", json=how).json())
    assert job["state"] == "done", job
    told: dict[str, Any] = client.get(f"/api/pictures/opened/{job['name']}").json()
    return told


def traced(client: TestClient, token: str, **said: Any) -> dict[str, Any]:
    begun = client.post(f"/api/pictures/{token}/trace", json={"token": token, "size": [1280, 720], **said}).json()
    assert begun["slips"] == []
    job = done(client, begun["job"])
    assert job["state"] == "done", job
    told: dict[str, Any] = client.get(f"/api/pictures/traced/{job['name']}").json()
    return told


def test_form_has_the_catalogues_words_and_units(client: TestClient) -> None:
    form = client.get("/api/pictures/form").json()
    channels = {one["key"]: one for one in form["channels"]}
    assert channels["airway_pressure"]["label"] == "airway pressure"
    assert {"cmH2O", "mbar"} <= set(channels["airway_pressure"]["units"])
    assert "peak_pressure_cmh2o" in [field["key"] for field in form["observed"]["fields"]]
    assert "faces, names and bed numbers" in form["crop"]


def test_a_picture_is_shown_with_panels_proposed(client: TestClient, chart: Chart) -> None:
    token = dragged(client, png(chart))
    seen = opened(client, token)
    assert seen["size"] == seen["original"] == [1280, 720]
    assert not seen["aslant"]
    assert len(seen["boxes"]) == 3
    for box, panel in zip(seen["boxes"], chart.panels, strict=True):
        assert np.abs(np.array(box) - np.array(panel.box)).max() < 3
    shown = client.get(f"/api/pictures/{token}/shown/{seen['shown']}")
    assert shown.headers["content-type"] == "image/png"
    assert shown.headers["cache-control"] == "no-store"
    assert client.get(f"/api/pictures/{token}/shown/..%2fscreen.png").status_code == 404


def test_what_is_only_proposed_or_missing_is_told_at_its_panel(client: TestClient, chart: Chart) -> None:
    token = dragged(client, png(chart))
    panels = panels_of(chart)
    panels[0]["confirmed"] = False
    panels[1]["values"][0]["value"] = ""
    panels[2]["unit"] = "cmH2O"
    answer = client.post(
        f"/api/pictures/{token}/trace", json={"token": token, "size": [1280, 720], "panels": panels}
    ).json()
    assert answer["job"] is None
    told = {slip["panel"]: (slip["field"], slip["problem"]) for slip in answer["slips"]}
    assert told[1] == ("confirmed", "This panel is only proposed: look at it, then confirm it or take it out.")
    assert told[2] == ("values", "A figure is missing.")
    assert told[3][0] == "unit"
    assert "a unit of volume, such as mL" in told[3][1]


def test_curves_come_back_in_pixels_with_their_band_and_what_panels_say(client: TestClient, chart: Chart) -> None:
    token = dragged(client, png(chart))
    told = traced(client, token, panels=panels_of(chart), observed={"peak_pressure_cmh2o": "60", "rate_per_min": "12"})
    assert [one["quantity"] for one in told["curves"]] == ["airway_pressure", "flow", "volume"]
    for curve, panel in zip(told["curves"], chart.panels, strict=True):
        column = np.array(curve["column"])
        row = np.array([np.nan if v is None else v for v in curve["row"]])
        seconds = (column - panel.box[0]) / (panel.box[2] - panel.box[0]) * chart.seconds
        true = panel.row(np.interp(seconds, panel.time_s, panel.values))  # type: ignore[arg-type]
        assert np.nanmedian(np.abs(row - true)) < 0.5
        low, high = (np.array(curve[side], dtype=float) for side in ("low", "high"))
        assert np.nanmax(high - row) < 0 < np.nanmin(low - row)
        assert len(curve["turns"]) >= 2
    states = {one["what"]: one["state"] for one in told["held"]}
    assert states["Flow summed up against the volume panel"] == "agrees"
    assert states["End of inspiration in volume and flow"] == "agrees"
    peak = next(one for one in told["beside"] if one["key"] == "peak_pressure_cmh2o")
    assert (peak["noted"], peak["state"]) == ("60.0 cmH2O", "differs")
    assert told["mendable"]


def test_a_wrong_calibration_is_told_and_mended_only_when_asked(client: TestClient, chart: Chart) -> None:
    token = dragged(client, png(chart))
    panels = panels_of(chart)
    for mark in panels[1]["values"]:
        mark["value"] = f"{1.25 * float(mark['value']):g}"
    told = traced(client, token, panels=panels)
    match = re.search(r"gives ([\d.]+) % more than the volume panel", told["held"][0]["words"])
    assert match
    assert float(match[1]) == pytest.approx(25, abs=2)
    assert told["held"][0]["state"] == "differs"
    before = next(one for one in told["beside"] if one["key"] == "vti_ml")["measured"]
    mended = traced(client, token, panels=panels, mend="flow")
    assert next(one for one in mended["beside"] if one["key"] == "vti_ml")["measured"] != before


def test_a_clock_that_is_off_shows_where_inspiration_ends(client: TestClient, chart: Chart) -> None:
    token = dragged(client, png(chart))
    panels = panels_of(chart)
    for mark in panels[0]["clock"]["marks"]:
        mark["value"] = f"{float(mark['value']) + 0.2:g}"
    held = traced(client, token, panels=panels)["held"]
    pressure = next(one for one in held if one["what"].startswith("End of inspiration in airway pressure"))
    assert pressure["state"] == "differs"
    assert "check the marks of both clocks" in pressure["words"]


def test_what_a_hand_erases_and_draws_is_in_the_curve_and_said(client: TestClient, chart: Chart) -> None:
    token = dragged(client, png(chart))
    left, top, *_ = (round(edge) for edge in chart.panels[0].box)
    corrections = [
        {"panel": 1, "kind": "erase", "points": [[left + 200, 0], [left + 260, 0]]},
        {"panel": 1, "kind": "draw", "points": [[left + 300, top + 20], [left + 340, top + 60]]},
    ]
    told = traced(client, token, panels=panels_of(chart), corrections=corrections)
    rows = dict(zip(told["curves"][0]["column"], told["curves"][0]["row"], strict=True))
    assert rows[left + 230] is None
    assert rows[left + 320] == pytest.approx(top + 40, abs=0.01)
    assert any("drawn by hand over" in words and "erased over" in words for words in told["warnings"])


def test_pictures_become_a_case_that_is_reviewed_and_waiting_pictures_are_gone(
    client: TestClient, chart: Chart, tmp_path: Path
) -> None:
    token = dragged(client, png(chart))
    said = {
        "token": token, "size": [1280, 720], "panels": panels_of(chart), "observed": {"peak_pressure_cmh2o": "23"},
        "corrections": [{"panel": 2, "kind": "erase", "points": [[200, 300], [230, 300]]}],
    }  # fmt: skip
    answers = {"patient": {"height_cm": "168", "sex": "female"}}
    begun = client.post("/api/pictures/case", json={"title": "From a screen", "answers": answers, "pictures": [said]})
    job = done(client, begun.json()["job"])
    assert job["state"] == "done", job
    folder = tmp_path / begun.json()["name"]
    case = load_case(folder)
    assert (case.title, case.patient.height_cm) == ("From a screen", 168)
    assert case.observed[0].numbers == {"peak_pressure_cmh2o": 23}
    recording = open_recording(case)
    assert recording.uncertainty is not None
    assert recording.gaps
    assert not (folder / "screen.png").exists()
    panels = np.asarray(Image.open(folder / "panels.png"))
    assert (panels[2, 2] == 127).all()
    assert not list((tmp_path / ".uploads").iterdir())
    review = done(client, client.post(f"/api/cases/{folder.name}/review").json())
    assert review["state"] == "done", review
    assert (folder / REVIEW / "report.pdf").is_file()


def test_pictures_and_numbers_alone_become_one_case_in_the_order_of_their_moments(
    client: TestClient, chart: Chart, tmp_path: Path
) -> None:
    first, last, numbers = (dragged(client, png(chart), name) for name in ("noon.png", "morning.png", "numbers.png"))
    panels = {"size": [1280, 720], "panels": panels_of(chart)}
    told: list[dict[str, Any]] = [
        {"token": first, "at": "2031-05-04T12:40:00", **panels},
        {"token": last, "at": "2031-05-04T08:10:00", **panels},
        {"token": numbers, "at": "2031-05-04T12:41:00", "size": [1280, 720], "observed": {"spo2": "0.94"}},
    ]
    begun = client.post("/api/pictures/case", json={"title": "A day", "pictures": told}).json()
    job = done(client, begun["job"])
    assert job["state"] == "done", job
    case = load_case(tmp_path / "a-day")
    assert [str(part.start) for part in case.recordings] == ["2031-05-04 08:10:00", "2031-05-04 12:40:00"]
    assert case.observed[0].at_s == 4.5 * 3600 + 60
    without = {**told[0], "at": None}
    begun = client.post("/api/pictures/case", json={"pictures": [without, told[1]]})
    assert begun.status_code == 422  # both were thrown away with the case that was made of them


def test_a_trend_has_hours_on_the_page_and_its_case_shows_it(client: TestClient, tmp_path: Path) -> None:
    """A line from 90 to 98 % in twelve hours."""
    page = Image.new("RGB", (800, 400), "white")
    ImageDraw.Draw(page).line([(50, 300), (750, 100)], fill=(0, 90, 160), width=3)
    file = BytesIO()
    page.save(file, "PNG")
    panel = {
        "kind": "trend", "quantity": "spo2", "unit": "%", "box": [50, 50, 750, 350], "confirmed": True,
        "values": [{"at": 300, "value": "90"}, {"at": 100, "value": "98"}],
        "clock": {"way": "marks", "marks": [{"at": 50, "value": "0"}, {"at": 750, "value": "12"}]},
    }  # fmt: skip
    client.put("/api/arrangements/Trend", json={"panels": [panel], "size": [800, 400]})
    kept = client.get("/api/arrangements?width=800&height=400").json()[0]["panels"][0]["clock"]["marks"]
    assert [mark["value"] for mark in kept] == ["0", "12"]
    told = {"token": dragged(client, file.getvalue(), "trend.png"), "size": [800, 400], "panels": [panel]}
    begun = client.post("/api/pictures/case", json={"title": "A trend", "pictures": [told]}).json()
    assert done(client, begun["job"])["state"] == "done"
    gave = client.get("/api/cases/a-trend/pictured").json()
    assert gave["trends"][0]["words"] == "Oxygen saturation by pulse oximeter 90 to 98 %, median 94 %, over 12.0 h."
    assert gave["trends"][0]["values"][0] == pytest.approx(0.9, abs=0.002)
    assert (gave["loops"], gave["noted"]) == ([], [])


def test_the_whole_picture_is_kept_only_where_that_is_asked(client: TestClient, chart: Chart, tmp_path: Path) -> None:
    token = dragged(client, png(chart))
    said = {"token": token, "size": [1280, 720], "panels": panels_of(chart)}
    begun = client.post("/api/pictures/case", json={"pictures": [said], "keep_whole": True}).json()
    assert done(client, begun["job"])["state"] == "done"
    assert (tmp_path / begun["name"] / "screen.png").read_bytes() == png(chart)


def test_slips_of_the_form_and_of_pictures_are_told_and_nothing_is_made(client: TestClient, tmp_path: Path) -> None:
    token = dragged(client, png(plain_chart()))
    said = {"token": token, "size": [1280, 720], "observed": {"peak_pressure_cmh2o": "high"}}
    told = client.post(
        "/api/pictures/case", json={"answers": {"patient": {"height_cm": "1.68"}}, "pictures": [said]}
    ).json()
    assert told["job"] is None
    assert "write 168" in told["slips"][0]["problem"]
    assert told["pictures"][0][0]["field"] == "peak_pressure_cmh2o"
    assert [path.name for path in tmp_path.iterdir()] == [".uploads"]


def test_an_arrangement_is_the_users_axes_file_and_moves_with_the_pictures_size(
    client: TestClient, chart: Chart, tmp_path: Path
) -> None:
    assert client.get("/api/arrangements").json() == []
    body = {"panels": panels_of(chart), "size": [1280, 720]}
    assert client.put("/api/arrangements/Ward screen", json=body).json()["slips"] == []
    axes = load_axes(tmp_path / "arrangements" / "Ward screen.toml")
    assert [panel.quantity for panel in axes.panels] == ["airway_pressure", "flow", "volume"]
    (same,) = client.get("/api/arrangements", params={"width": 1280, "height": 720}).json()
    assert same["fits"] == "same"
    assert same["panels"][0]["box"] == body["panels"][0]["box"]  # type: ignore[index]
    assert not same["panels"][0]["confirmed"]
    (larger,) = client.get("/api/arrangements", params={"width": 2560, "height": 1440}).json()
    left = body["panels"][0]["box"][0]  # type: ignore[index]
    assert larger["fits"] == "scaled"
    assert larger["panels"][0]["box"][0] == pytest.approx(2 * left + 0.5)
    (other,) = client.get("/api/arrangements", params={"width": 1000, "height": 1000}).json()
    assert "another shape" in other["fits"]
    text = client.get("/api/arrangements/Ward screen/axes.toml").text
    assert "[[panel]]" in text
    assert client.put("/api/arrangements/..", json=body).status_code in (404, 405, 422)
    assert client.delete("/api/arrangements/Ward screen").status_code == 204
    assert client.get("/api/arrangements").json() == []
    assert client.post("/api/arrangements/Ward screen/back").status_code == 204
    assert [one["name"] for one in client.get("/api/arrangements").json()] == ["Ward screen"]
    assert client.post("/api/arrangements/Ward screen/back").status_code == 404


def test_no_panel_is_proposed_on_a_screen_seen_aslant_until_it_is_straightened(
    client: TestClient, chart: Chart
) -> None:
    taken, corners = photographed(chart.image, np.random.default_rng(4))
    token = dragged(client, png(replace(chart, image=taken)), "taken.png")
    seen = opened(client, token)
    assert seen["aslant"]
    assert seen["boxes"] == []
    seen = opened(client, token, corners=corners.tolist(), size=[1280, 720])
    assert not seen["aslant"]
    assert len(seen["boxes"]) == 3


def test_a_photograph_is_straightened_by_corners_or_by_a_screen_that_is_found(client: TestClient, chart: Chart) -> None:
    wall = Image.new("RGB", (1600, 1000), (120, 115, 110))
    wall.paste(chart.image, (150, 140))
    token = dragged(client, png(replace(chart, image=wall)), "photo.png")
    found = opened(client, token, find=True)
    assert found["straight"]["size"] == pytest.approx([1280, 720], abs=2)
    assert len(found["boxes"]) == 3
    corners = [[149.5, 139.5], [1429.5, 139.5], [1429.5, 859.5], [149.5, 859.5]]
    told = opened(client, token, corners=corners, size=[1280, 720])
    assert told["size"] == [1280, 720]
    straight = {"corners": corners, "size": [1280, 720]}
    told = traced(client, token, panels=panels_of(chart), straight=straight)
    assert next(one for one in told["held"])["state"] == "agrees"


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("notes.txt", b"x", "no reader knows the ending '.txt'"),
        ("broken.png", b"\x89PNG\r\n\x1a\n then nothing", "can't be opened as a picture"),
    ],
)
def test_what_is_no_picture_is_refused_in_plain_words(client: TestClient, name: str, content: bytes, says: str) -> None:
    answer = client.post("/api/uploads/pictures", params={"name": name}, content=content)
    if answer.status_code != 200:
        assert says in answer.json()["problem"]
        return
    job = done(client, client.post(f"/api/pictures/{answer.json()['token']}/open", json={}).json())
    assert job["state"] == "refused"
    assert says in job["problem"]


def test_a_picture_that_unpacks_to_more_than_may_be_is_refused(client: TestClient) -> None:
    bomb = Image.new("1", (12000, 12000))
    token = dragged(client, png(replace(plain_chart(), image=bomb)), "bomb.png")
    job = done(client, client.post(f"/api/pictures/{token}/open", json={}).json())
    assert job["state"] == "refused"
    assert "60 megapixels" in job["problem"] or "12000 by 12000" in job["problem"]


def test_a_file_larger_than_a_picture_may_be_is_cut_off(tmp_path: Path) -> None:
    with served(tmp_path, limits=Limits(upload_bytes=1000)) as client:
        answer = client.post("/api/uploads/pictures", params={"name": "a.png"}, content=bytes(2000))
        assert answer.status_code == 413
        assert "too large" in answer.json()["problem"]


def test_work_on_a_picture_that_takes_too_long_is_ended(tmp_path: Path, chart: Chart) -> None:
    with served(tmp_path, limits=Limits(picture_s=0.0)) as client:
        token = dragged(client, png(chart))
        job = done(client, client.post(f"/api/pictures/{token}/open", json={}).json())
        assert (job["state"], job["problem"]) == ("refused", TOO_LONG)


def test_a_picture_that_nobody_made_a_case_of_is_gone_when_the_casebook_is_looked_at(
    client: TestClient, chart: Chart, tmp_path: Path
) -> None:
    dragged(client, png(chart))
    (place,) = (tmp_path / ".uploads").iterdir()
    client.get("/api/cases")
    assert place.is_dir()
    old = time.time() - LASTS_S - 60
    os.utime(place, (old, old))
    client.get("/api/cases")
    assert not place.exists()


def test_a_dropped_picture_is_gone(client: TestClient, chart: Chart, tmp_path: Path) -> None:
    token = dragged(client, png(chart))
    opened(client, token)
    assert client.delete(f"/api/pictures/{token}").status_code == 204
    assert "no longer here" in client.post(f"/api/pictures/{token}/open", json={}).json()["problem"]
    assert not list((tmp_path / ".uploads").iterdir())
