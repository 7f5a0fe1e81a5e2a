"""Rooms with a form and the replay in a real browser: typed as a person types, against the command line's numbers."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from pypdf import PdfReader

from tests.browser.workbench import AXE, chromium, needs_browser, serving, visit
from tests.web.bench import CASE, casebook
from tests.web.test_log_api import LOG
from tests.web.test_rooms_api import GASES, PATIENT, WEANING
from tidebench.cli import main

pytestmark = needs_browser

DROP = """async ([text, name]) => {
  const data = new DataTransfer();
  data.items.add(new File([Uint8Array.from(atob(text), (c) => c.charCodeAt(0))], name, {type: 'text/csv'}));
  const words = {dataTransfer: data, bubbles: true, cancelable: true};
  document.querySelector('.drop').dispatchEvent(new DragEvent('drop', words));
}"""
ALARM = f"/#/alarms/{CASE}?alarm=peak_pressure_cmh2o.high&then=30%400"
ROOMS = {
    "prepare": "/#/prepare?patient.age_years=63&patient.sex=female&patient.height_cm=1.6",
    "gases": f"/#/gases/{CASE}", "wean": f"/#/wean/{CASE}", "handover": f"/#/handover/{CASE}", "logs": "/#/logs",
    "alarms": f"{ALARM}&now=29%400&must=30%400", "cards": "/#/cards?sign=leak",
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return casebook(tmp_path_factory.mktemp("casebook"))


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with serving(folder) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def typed(page: Page, label: str, text: str, nth: int = 0) -> None:
    """Type into a field and leave it."""
    field = page.get_by_label(label, exact=True).nth(nth)
    field.fill(text)
    field.blur()


def chosen(page: Page, label: str, words: str, nth: int = 0) -> None:
    page.get_by_label(label, exact=True).nth(nth).select_option(words)


def value(page: Page, label: str) -> str:
    """The value of a number on the page of a room."""
    return (
        page.locator(".result button.ask", has_text=re.compile(f"^{re.escape(label)}")).locator(".value").inner_text()
    )


def command(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, object]:
    main([*words, "--json"])
    told: dict[str, object] = json.loads(capsys.readouterr().out)
    return told


def test_prepare_by_typing(browser: Browser, address: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "case.toml").write_text(PATIENT, encoding="utf-8")
    sheet = command(capsys, "prepare", str(tmp_path))
    with visit(browser, address) as one:
        page = one.page
        page.goto("/")
        page.get_by_role("link", name="Prepare").click()
        expect(page.get_by_text("Begin with the patient")).to_be_visible()
        typed(page, "Height", "1.68")
        expect(page.get_by_text("If that was in metres, write 168")).to_be_visible()
        one.shot("prepare-slip")
        typed(page, "Height", "1.68 m")
        expect(page.get_by_text("no age is given")).to_be_visible()
        typed(page, "Age", "63")
        chosen(page, "Sex", "female")
        chosen(page, "Lungs, or what rules their ventilation", "ARDS")
        chosen(page, "What joins patient and circuit", "endotracheal tube")
        page.get_by_text("Lungs, where something is known of them").click()
        typed(page, "Oxygen fraction needed now", "60 %")
        page.get_by_text("Oxygen", exact=True).click()
        typed(page, "Base flow", "3")
        page.get_by_text("Cylinders", exact=True).click()
        typed(page, "Water capacity", "5")
        typed(page, "Pressure", "150")
        page.get_by_role("button", name="Add another").click()
        chosen(page, "Or size by its letter", "E", 1)
        typed(page, "Pressure", "1900", 3)
        page.get_by_text("Transport", exact=True).click()
        typed(page, "The way takes", "40")
        expect(page.get_by_role("heading", name="Transport plan")).to_be_visible()
        lines = {line["label"]: line["value"] for part in sheet["sections"] for line in part["lines"]}  # type: ignore[attr-defined]
        for label in ("predicted weight", "tidal volume in mL", "PEEP at the start", "oxygen to take", "battery"):
            assert value(page, label[:1].upper() + label[1:]) == (lines[label] or "–"), label
        page.get_by_role("button", name=re.compile("^Predicted weight")).click()
        expect(page.locator(".answer")).to_contain_text("ARDS Network")
        one.shot("prepare")
        with page.expect_download() as saved:
            page.get_by_role("button", name="As PDF").click()
        text = "".join(sheet.extract_text() for sheet in PdfReader(BytesIO(saved.value.path().read_bytes())).pages)
        assert "59.7" in text
        again = one.context.new_page()
        again.goto(page.url)
        expect(again.get_by_role("heading", name="Transport plan")).to_be_visible()
        assert value(again, "Predicted weight") == "59.7 kg"
        page.get_by_role("button", name="Take number 2 out").click()
        expect(page.get_by_label("Water capacity")).to_have_count(1)
        page.keyboard.press("z")
        expect(page.get_by_label("Water capacity")).to_have_count(2)


def test_gases_by_typing(browser: Browser, address: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "case.toml").write_text(GASES, encoding="utf-8")
    read = command(capsys, "gases", str(tmp_path), "--target-paco2=45")
    known = {one["key"]: one["value"] for one in read["gases"][0]["indices"]}  # type: ignore[index]
    with visit(browser, address) as one:
        page = one.page
        page.goto("/#/gases")
        typed(page, "Age", "62")
        chosen(page, "Sex", "female")
        typed(page, "Height", "165")
        typed(page, "Set PEEP", "10")
        typed(page, "Set oxygen fraction", "0.6")
        typed(page, "Expired volume", "360")
        typed(page, "Rate", "24")
        chosen(page, "Drawn from", "arterial")
        typed(page, "Inspired oxygen fraction", "0.6")
        typed(page, "pH", "7,25")
        typed(page, "Carbon dioxide pressure", "8 kPa")
        typed(page, "Oxygen pressure", "80 mmHg")
        typed(page, "PaCO2 wished for", "45")
        expect(page.get_by_role("heading", name="To bring PaCO2 to 45.0 mmHg")).to_be_visible()
        assert value(page, "PaO2 over inspired oxygen") == f"{known['pf_ratio_mmhg']:.0f} mmHg"
        factor = read["ventilation"]["factor"]  # type: ignore[index]
        expect(page.locator(".result")).to_contain_text(f"ventilation times {factor:.2f}")
        expect(page.locator(".result")).to_contain_text("respiratory acidosis")
        page.get_by_role("button", name=re.compile("^PaO2 over inspired")).click()
        expect(page.locator(".answer")).to_contain_text("plausible")
        chosen(page, "Show gas tensions in", "kPa")
        expect(page.get_by_role("heading", name="To bring PaCO2 to 6.0 kPa")).to_be_visible()
        one.shot("gases")


def test_weaning_by_typing(browser: Browser, address: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "case.toml").write_text(WEANING, encoding="utf-8")
    told = command(capsys, "wean", str(tmp_path), "--said=cough=yes")
    with visit(browser, address) as one:
        page = one.page
        page.goto("/#/wean")
        typed(page, "Age", "63")
        chosen(page, "How the patient is ventilated", "pressure support alone")
        typed(page, "Set pressure support", "12")
        typed(page, "Set PEEP", "6")
        typed(page, "Set oxygen fraction", "0.35")
        page.get_by_role("button", name="Add another").first.click()
        typed(page, "From, on the case clock", "10 min", 1)
        chosen(page, "How the patient is ventilated", "pressure support alone", 1)
        typed(page, "Set pressure support", "5", 1)
        typed(page, "Set PEEP", "5", 1)
        typed(page, "Noted at, on the case clock", "540")
        typed(page, "Rate", "22")
        typed(page, "Heart rate", "90")
        page.get_by_role("button", name="Add another").nth(1).click()
        typed(page, "Noted at, on the case clock", "40 min", 1)
        typed(page, "Rate", "36", 1)
        typed(page, "Occlusion pressure at 0.1 s", "-4.5", 1)
        chosen(page, "Cough is adequate", "yes")
        expect(page.locator(".result")).to_contain_text("Signs of failure in the trial")
        typed(page, "Height", "164")
        chosen(page, "Sex", "female")
        expect(page.locator(".result")).to_contain_text("f/VT: taken under")
        one.settled()
        states = page.locator(".result button.ask .state").all_inner_texts()
        assert states == [item["state"] for item in (*told["readiness"], *told["failure"])]  # type: ignore[misc]
        one.shot("weaning")
        with page.expect_download() as saved:
            page.get_by_role("button", name="As text").click()
        assert "Weaning, for the record" in saved.value.path().read_text(encoding="utf-8")


def test_handover_of_an_open_case_by_keyboard(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/case/{CASE}")
        page.get_by_role("navigation", name="Of this case").get_by_role("link", name="Handover").click()
        expect(page.get_by_role("heading", name="Situation")).to_be_visible()
        page.keyboard.press("?")
        expect(page.get_by_role("dialog")).to_contain_text("The page as PDF")
        page.keyboard.press("Escape")
        page.keyboard.press("f")
        page.keyboard.type("breathing trial in the morning")
        page.keyboard.press("Tab")
        page.keyboard.type("ward round")
        page.keyboard.press("Enter")
        expect(page.get_by_role("row", name="breathing trial in the morning")).to_contain_text("ward round")
        one.shot("handover")
        page.get_by_role("heading", name="Situation").click()
        with page.expect_download() as saved:
            page.keyboard.press("d")
        text = PdfReader(BytesIO(saved.value.path().read_bytes())).pages[0].extract_text()
        assert "ward round" in text
        page.keyboard.press("x")
        expect(page.get_by_role("row", name="breathing trial in the morning")).to_have_count(0)
        page.keyboard.press("z")
        expect(page.get_by_role("row", name="breathing trial in the morning")).to_have_count(1)


def test_cards_by_keyboard(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto("/#/cards")
        expect(page.get_by_role("heading", name="The patient first")).to_be_visible()
        page.keyboard.press("n")
        expect(page.locator(".page-title")).to_have_text("Falling volume")
        answer = page.request.get(page.get_by_role("link", name="As PDF").get_attribute("href") or "")
        assert answer.body().startswith(b"%PDF")
        page.get_by_role("button", name="Before use").click()
        expect(page.get_by_role("rowheader", name="Oxygen sensor")).to_be_visible()


def test_a_dragged_limit_replays(
    browser: Browser, address: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = folder / CASE
    with visit(browser, address) as one:
        page = one.page
        page.goto(ALARM)
        limit = page.get_by_role("slider", name="Limit of peak pressure")
        expect(limit).to_have_attribute("aria-valuenow", "30")
        one.settled()
        before = page.locator(".burden").get_attribute("aria-label")
        box = limit.bounding_box()
        assert box
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2 + 25, steps=6)
        page.mouse.up()
        moved = float(limit.get_attribute("aria-valuenow") or 0)
        assert 26.5 < moved < 30
        expect(page.locator(".burden")).not_to_have_attribute("aria-label", before or "")
        page.keyboard.press("ArrowUp")
        expect(limit).to_have_attribute("aria-valuenow", f"{moved + 0.1:g}")
        page.keyboard.press("Home")
        page.keyboard.press("PageUp")
        low = float(limit.get_attribute("aria-valuemin") or 0)
        expect(limit).to_have_attribute("aria-valuenow", f"{low + 1:g}")
        page.keyboard.press("]")
        expect(page.get_by_label("Delay", exact=True)).to_have_value("3")
        expect(page.get_by_text(f"above {low + 1:g} cmH2O for 3 s.").first).to_be_visible()
        one.settled()
        words = f"peak_pressure_cmh2o.high={low + 1:g}@3"
        told = command(capsys, "log", "--case", str(case), "--review", str(case / "review"), f"--now={words}",
                       f"--then={words}")  # fmt: skip
        alarms = told["changed"]["now"]["alarms"]  # type: ignore[index]
        expect(page.get_by_role("row", name=re.compile("^alarms [0-9]"))).to_have_text(f"alarms{alarms}")
        one.shot("alarms")
        again = one.context.new_page()
        again.goto(page.url)
        expect(again.get_by_role("slider")).to_have_attribute("aria-valuenow", f"{low + 1:g}")


def test_alarms_by_keyboard_alone(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(ALARM)
        expect(page.get_by_role("slider")).to_be_visible()
        page.keyboard.press("h")
        page.keyboard.press("l")
        page.keyboard.press("PageUp")
        expect(page.get_by_text(re.compile("Against peak pressure above 30 cmH2O: "))).to_be_visible()
        page.keyboard.press("u")
        expect(page.get_by_role("slider")).to_have_attribute("aria-valuenow", "40")
        page.keyboard.press("z")
        expect(page.get_by_role("slider")).to_have_attribute("aria-valuenow", "31")
        page.keyboard.press("z")
        expect(page.get_by_role("slider")).to_have_attribute("aria-valuenow", "30")
        page.keyboard.press("PageUp")
        expect(page.get_by_role("slider")).to_have_attribute("aria-valuenow", "31")
        page.get_by_role("button", name="Stretches beyond this limit").click()
        expect(page.get_by_text("Not to be missed: above 31 cmH2O")).to_be_visible()
        expect(page.get_by_role("button", name=re.compile("^High peak pressure"))).to_contain_text("event")
        page.keyboard.press("n")
        expect(page.get_by_role("slider", name="Limit of peak pressure")).to_have_attribute(
            "aria-orientation", "vertical"
        )
        expect(page.get_by_role("button", name=re.compile("^Low peak pressure"))).to_have_attribute(
            "aria-pressed", "true"
        )


def test_a_log_is_dragged_in_its_column_said_and_read(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto("/")
        log = base64.b64encode(LOG.replace("When", "Stamp of it").encode()).decode()
        page.evaluate(DROP, [log, "evening.log"])
        expect(page.get_by_text("no column holds the time")).to_be_visible()
        expect(page.get_by_text("Columns seem to speak of people: “Patient name”")).to_be_visible()
        page.get_by_label("What Stamp of it holds").select_option("time")
        expect(page.get_by_text("Times and events are understood.")).to_be_visible()
        page.get_by_role("button", name="Read the log").click()
        expect(page.get_by_role("heading", name="What the log covers")).to_be_visible(timeout=60_000)
        expect(page.get_by_role("row", name=re.compile("^high 1 "))).to_be_visible()
        expect(page.get_by_role("img", name=re.compile("^Alarms over time"))).to_be_visible()
        one.settled()
        one.shot("log")
        if AXE.is_file():
            assert one.accessible() == []
        answer = page.request.get(page.get_by_role("link", name="As PDF").get_attribute("href") or "")
        assert answer.body().startswith(b"%PDF")


def test_a_log_is_kept_with_a_case_and_taken_out_again(browser: Browser, address: str, folder: Path) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/logs/{CASE}")
        expect(page.locator(".drop")).to_be_visible()
        page.evaluate(DROP, [base64.b64encode(LOG.encode()).decode(), "evening.csv"])
        page.get_by_role("button", name="Read the log").click()
        expect(page.get_by_role("heading", name="What was going on")).to_be_visible(timeout=60_000)
        page.get_by_role("button", name="Keep it with the case").click()
        kept = page.get_by_text("With the case: evening.csv")
        expect(kept).to_be_visible(timeout=60_000)
        one.shot("log-kept")
        assert "Nobody" not in (folder / CASE / "evening.csv").read_text(encoding="utf-8")
        page.get_by_role("button", name="Take it out").click()
        expect(kept).to_have_count(0)
        page.keyboard.press("z")
        expect(kept).to_be_visible()
        page.get_by_role("button", name="Take it out").click()
        expect(kept).to_have_count(0)


def test_a_setting_through_a_range_and_a_report_with_it(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/whatif/{CASE}?from=75&to=138")
        expect(page.get_by_role("heading", name="Through a range")).to_be_visible()
        page.keyboard.press("s")
        page.get_by_label("Move", exact=True).select_option(label="Set PEEP")
        for label, text in (("from", "8"), ("to", "14"), ("by", "3")):
            typed(page, label, text)
        page.get_by_role("button", name="Draw the curve").click()
        row = page.get_by_role("row", name=re.compile("^driving pressure"))
        expect(row.get_by_role("cell")).to_have_count(3, timeout=120_000)
        page.get_by_label("and", exact=True).select_option(label="Set rate")
        typed(page, "by", "10", 1)
        page.get_by_role("button", name="Draw the map").click()
        field = page.get_by_role("button", name=re.compile("take up set PEEP 8 and set rate"))
        expect(field.first).to_be_visible(timeout=120_000)
        one.shot("map")
        if AXE.is_file():
            assert one.accessible() == []
        field.first.click()
        expect(page.get_by_label("set PEEP, typed")).to_have_value("8")
        expect(page.get_by_role("button", name="Report with this change")).to_be_visible(timeout=120_000)
        with page.expect_download(timeout=120_000) as saved:
            page.get_by_role("button", name="Report with this change").click()
        text = "".join(sheet.extract_text() for sheet in PdfReader(BytesIO(saved.value.path().read_bytes())).pages)
        assert "A change, rehearsed" in text
        page.keyboard.press("r")
        expect(page.get_by_label("set PEEP, typed")).to_have_value("12")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_audit_of_the_rooms_finds_nothing(browser: Browser, address: str, dark: bool) -> None:
    if not AXE.is_file():
        pytest.skip("axe-core isn't installed: npm ci in the page's folder")
    with visit(browser, address, dark=dark) as one:
        for room, place in ROOMS.items():
            one.page.goto("about:blank")
            one.page.goto(place)
            expect(one.page.locator("h1")).to_be_visible()
            one.settled()
            one.page.wait_for_timeout(300)
            one.shot(f"{room}-{'dark' if dark else 'light'}")
            assert one.accessible() == [], room


@pytest.mark.parametrize("width", [820, 1920])
def test_nothing_of_a_room_is_cut_off(browser: Browser, address: str, width: int) -> None:
    with visit(browser, address, width=width, height=1100) as one:
        for room, place in ROOMS.items():
            one.page.goto("about:blank")
            one.page.goto(place)
            expect(one.page.locator("h1")).to_be_visible()
            one.settled()
            assert one.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, room
            one.shot(f"{width}-{room}")


def test_what_is_typed_survives_leaving_the_room(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto("/#/prepare")
        typed(page, "Age", "63")
        expect(page.get_by_role("heading", name="Weight for volumes")).to_be_visible()
        page.get_by_role("link", name="Cards").click()
        expect(page.get_by_role("heading", name="Cards for sudden trouble")).to_be_visible()
        page.get_by_role("link", name="Prepare").click()
        expect(page.get_by_label("Age", exact=True)).to_have_value("63")
