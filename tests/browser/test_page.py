"""The page in a real browser: from a dragged file to a PDF, by mouse and by keyboard, light and dark."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.workbench import AXE, chromium, needs_browser, serving, visit
from tests.web.bench import CASE, DEMO, casebook
from tidebench.case import load_case

pytestmark = needs_browser


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return casebook(tmp_path_factory.mktemp("casebook"), report=True)


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with serving(folder) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


TABS = ("breath", "findings", "numbers", "compare", "save")
DROP = """async ([text, name]) => {
  const data = new DataTransfer();
  data.items.add(new File([Uint8Array.from(atob(text), (c) => c.charCodeAt(0))], name, {type: 'text/csv'}));
  const words = {dataTransfer: data, bubbles: true, cancelable: true};
  document.querySelector('.drop').dispatchEvent(new DragEvent('drop', words));
}"""


def test_from_a_dragged_file_to_findings_marks_and_a_report(browser: Browser, address: str, folder: Path) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto("/")
        signals = base64.b64encode((DEMO / "signals.csv").read_bytes()).decode()
        page.evaluate(DROP, [signals, "from the bed.csv"])
        expect(page.get_by_text("All that is needed is understood.")).to_be_visible()
        page.get_by_label("What it is about").fill("Dragged in")
        page.get_by_label("Height", exact=True).fill("1.68 m")
        page.get_by_label("Sex", exact=True).select_option("female")
        one.shot("new-case")
        page.get_by_role("button", name="Make the case and review it").click()
        expect(page.get_by_role("heading", name="What matters first")).to_be_visible(timeout=120_000)
        one.settled()
        assert len(page.locator(".matters li").all()) == 3
        page.keyboard.press("n")
        expect(page.locator(".finding")).to_be_visible()
        first = page.locator(".finding h3").inner_text()
        page.keyboard.press("n")
        expect(page.locator(".finding h3")).not_to_have_text(first)
        page.keyboard.press("c")
        expect(page.locator(".finding .said")).to_contain_text("Confirmed")
        page.get_by_label("Note").fill("seen on the curve")
        page.get_by_role("button", name="Keep the note").click()
        expect(page.locator(".finding .said")).to_contain_text("seen on the curve")
        one.shot("finding-confirmed")
        marks = [json.loads(line) for line in (folder / "dragged-in" / "marks.jsonl").read_text().splitlines()]
        assert [mark["state"] for mark in marks] == ["confirmed", "confirmed"]
        page.get_by_role("tab", name="Save").click()
        answer = page.request.get(page.get_by_role("link", name="Report as PDF").get_attribute("href") or "")
        assert answer.body().startswith(b"%PDF")
        with page.expect_download() as saved:
            page.get_by_role("link", name=re.compile("^Breaths as csv")).click()
        assert saved.value.suggested_filename == "dragged-in-breaths.csv"


def test_everything_by_keyboard(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto("/")
        expect(page.get_by_role("link", name=re.compile("Stiff lungs"))).to_be_visible()
        page.keyboard.press("/")
        page.keyboard.type("stiff lungs")
        for _ in range(20):
            page.keyboard.press("Tab")
            if "Stiff lungs" in str(page.evaluate("document.activeElement.textContent")):
                break
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="Where the pressure went")).to_be_visible()
        begun = page.locator("aside h2").first.inner_text()
        page.keyboard.press("ArrowRight")
        expect(page.locator("aside h2").first).not_to_have_text(begun)
        stretch = page.locator("#detail").inner_text()
        page.keyboard.press("-")
        expect(page.locator("#detail")).not_to_have_text(stretch)
        page.keyboard.press("n")
        page.keyboard.press("x")
        expect(page.locator(".finding .said")).to_contain_text("Rejected")
        page.keyboard.press("z")
        expect(page.locator(".finding .said")).to_have_count(0)
        page.keyboard.press("?")
        expect(page.get_by_role("dialog")).to_contain_text("Next finding")
        one.shot("keys")
        page.keyboard.press("Escape")
        page.keyboard.press("3")
        expect(page.get_by_role("heading", name="Is it safe?")).to_be_visible()
        page.keyboard.press("g")
        expect(page.get_by_role("heading", name="Casebook")).to_be_visible()


def test_link_shows_the_same_view_again(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/case/{CASE}")
        expect(page.locator(".plot").first).to_be_visible()
        page.keyboard.press("n")
        expect(page.locator(".finding")).to_be_visible()
        page.keyboard.press("+")
        page.wait_for_timeout(600)
        seen = (page.locator("#detail").inner_text(), page.locator(".finding h3").inner_text())
        again = one.context.new_page()
        again.goto(page.url)
        expect(again.locator(".finding h3")).to_have_text(seen[1])
        assert again.locator("#detail").inner_text() == seen[0]


def test_brush_chooses_a_stretch(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/case/{CASE}")
        expect(page.locator(".brush")).to_be_visible()
        one.settled()
        box = page.locator(".brush").bounding_box()
        assert box
        page.mouse.move(box["x"] + 0.70 * box["width"], box["y"] + 40)
        page.mouse.down()
        page.mouse.move(box["x"] + 0.80 * box["width"], box["y"] + 40, steps=5)
        page.mouse.up()
        expect(page.locator("#detail")).to_have_text("3:51 to 4:24")  # 70 and 80 % of 5:30


def test_a_click_on_the_curves_stays_with_a_breath(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/case/{CASE}?from=60&to=80")
        expect(page.locator("#detail")).to_have_text("1:00 to 1:20")
        one.settled()
        page.locator("section[aria-labelledby=detail] .u-over").first.click(position={"x": 250, "y": 90})
        expect(page).to_have_url(re.compile(r"[?&]b=\d+"))


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_audit_of_every_room_finds_nothing(browser: Browser, address: str, dark: bool) -> None:
    if not AXE.is_file():
        pytest.skip("axe-core isn't installed: npm ci in the page's folder")
    rooms = {
        "casebook": "/", "new": "/#/new", "about": "/#/about",
        **{tab: f"/#/case/{CASE}?tab={tab}&a=10~60&z=150~200" for tab in TABS},
    }  # fmt: skip
    with visit(browser, address, dark=dark) as one:
        for room, place in rooms.items():
            one.page.goto("about:blank")
            one.page.goto(place)
            expect(one.page.locator("h1")).to_be_visible()
            one.settled()
            one.page.wait_for_timeout(300)
            one.shot(f"{room}-{'dark' if dark else 'light'}")
            assert one.accessible() == [], room


@pytest.mark.parametrize("width", [820, 1920])
def test_nothing_is_cut_off_on_a_tablet_or_a_projector(browser: Browser, address: str, width: int) -> None:
    with visit(browser, address, width=width, height=1100) as one:
        for place in ("/", "/#/new", f"/#/case/{CASE}?tab=compare&a=10~60&z=150~200", f"/#/case/{CASE}?tab=breath"):
            one.page.goto("about:blank")
            one.page.goto(place)
            expect(one.page.locator("h1")).to_be_visible()
            one.settled()
            assert one.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, place
            one.shot(f"{width}-{place.strip('/#').partition('?')[0].replace('/', '-') or 'casebook'}")


def test_what_if_moves_a_setting_and_tells_its_doubt(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/case/{CASE}")
        page.get_by_role("link", name=re.compile(r"^What if\? ")).click()
        expect(page.get_by_role("heading", name="Move a setting")).to_be_visible()
        page.get_by_label("Set PEEP", exact=False).first.focus()
        page.keyboard.press("ArrowRight")
        row = page.get_by_role("row", name=re.compile("^Peak pressure"))
        expect(row).to_be_visible()
        expect(row.get_by_role("cell").nth(2)).to_have_text(re.compile(r"\d to \d"), timeout=120_000)
        page.keyboard.press("k")
        expect(page.get_by_role("button", name="take up again")).to_be_visible()
        one.shot("what-if")
        if AXE.is_file():
            assert one.accessible() == []
        page.get_by_role("button", name="let go").click()
        expect(page.get_by_role("button", name="take up again")).to_have_count(0)
        page.keyboard.press("z")
        expect(page.get_by_role("button", name="take up again")).to_be_visible()
        page.keyboard.press("z")
        expect(page.get_by_role("heading", name="Move a setting")).to_be_visible()
        page.get_by_label("Set PEEP", exact=False).first.focus()
        page.keyboard.press("ArrowRight")
        expect(row).to_be_visible()
        page.keyboard.press("r")
        expect(page.get_by_role("heading", name="Move a setting")).to_be_visible()


def test_alternatives_survive_leaving_the_room_and_go_into_the_report(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/whatif/{CASE}")
        expect(page.get_by_role("heading", level=1)).to_contain_text(load_case(DEMO).title)
        expect(page.get_by_role("heading", name="Move a setting")).to_be_visible()
        page.get_by_label("Set PEEP", exact=False).first.focus()
        page.keyboard.press("ArrowRight")
        expect(page.get_by_text("where nine tenths of drawn patients lie, then")).to_be_visible(timeout=120_000)
        one.shot("what-if-bands")
        page.keyboard.press("k")
        kept = page.get_by_role("listitem").filter(has_text="take up again")
        said = kept.inner_text()
        assert said.startswith("A: ")
        expect(page).to_have_url(re.compile("kept=A"))
        page.keyboard.press("b")
        expect(page.get_by_role("heading", name="What matters first")).to_be_visible()
        page.get_by_role("link", name=re.compile(r"^What if\? ")).click()
        expect(kept).to_have_text(said)
        expect(page.get_by_role("columnheader", name="A", exact=True)).to_be_visible()
        expect(page.get_by_role("columnheader", name="then", exact=True)).to_have_count(0)
        with page.expect_download(timeout=120_000) as saved:
            kept.get_by_role("button", name="report with A").click()
        assert saved.value.suggested_filename == f"{CASE}-report-with-A.pdf"
        assert saved.value.path().read_bytes().startswith(b"%PDF")


def test_the_ribbon_tells_how_long_a_finding_lasts_and_the_chosen_one_has_a_form_of_its_own(
    browser: Browser, address: str
) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/case/{CASE}")
        lane = page.get_by_role("img", name=re.compile(r"^Beyond limit: 1, at 0:0\d to 3:5\d$"))
        expect(lane).to_be_visible()
        expect(page.get_by_text("the chosen finding")).to_have_count(0)
        box = lane.bounding_box()
        assert box
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        expect(lane).to_have_attribute("title", re.compile("beyond limit"))
        page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        expect(page.locator(".finding h3")).to_contain_text("Beyond limit")
        expect(page.get_by_text("the chosen finding")).to_be_visible()
        one.shot("finding-that-lasts")


def test_a_file_with_a_bad_row_makes_a_case_that_can_be_taken_out_again(
    browser: Browser, address: str, folder: Path
) -> None:
    lines = (DEMO / "signals.csv").read_text(encoding="utf-8").splitlines()
    lines[2000] = "what is this"
    with visit(browser, address) as one:
        page = one.page
        page.goto("/")
        page.evaluate(DROP, [base64.b64encode("\n".join(lines).encode()).decode(), "bad row.csv"])
        page.get_by_role("button", name="Make the case and review it").click()
        expect(page.get_by_role("alert")).to_contain_text("2001", timeout=120_000)
        page.get_by_text("Take this case out of the casebook").click()
        if AXE.is_file():
            assert one.accessible() == []
        one.shot("case-taken-out-asked")
        page.get_by_role("button", name="Take it out").click()
        expect(page.get_by_role("button", name="Put it back")).to_be_visible()
        assert not (folder / "bad-row").exists()
        one.shot("case-taken-out")
        page.keyboard.press("z")
        expect(page.get_by_text("Take this case out of the casebook")).to_be_visible()
        assert (folder / "bad-row" / "case.toml").is_file()
        page.get_by_text("Take this case out of the casebook").click()
        page.get_by_role("button", name="Take it out").click()
        page.get_by_role("link", name="To the casebook").click()
        expect(page.get_by_role("searchbox")).to_be_visible()
        expect(page.get_by_text("bad-row")).to_have_count(0)


def test_two_people_at_once_see_each_others_marks(browser: Browser, address: str) -> None:
    with visit(browser, address) as one, visit(browser, address) as other:
        for person in (one, other):
            person.page.goto(f"/#/case/{CASE}?tab=findings&from=250&to=290")
            expect(person.page.get_by_role("heading", name="All findings by kind")).to_be_visible()
            person.settled()
            person.page.keyboard.press("n")
            expect(person.page.locator(".finding")).to_be_visible()
        one.page.keyboard.press("u")
        expect(one.page.locator(".finding .said")).to_contain_text("Unsure")
        other.page.keyboard.press("p")
        other.page.keyboard.press("n")
        expect(other.page.locator(".finding .said")).to_contain_text("Unsure")
        one.page.keyboard.press("o")
        expect(one.page.locator(".finding .said")).to_have_count(0)


def test_a_refused_recording_leads_on_to_its_columns(browser: Browser, address: str, folder: Path) -> None:
    """Pressure in cmH2O under a header that says mbar is near enough; one under kPa is ten times a lung's."""
    wrong = folder / "wrong-unit"
    wrong.mkdir()
    lines = (DEMO / "signals.csv").read_text(encoding="utf-8").splitlines()
    head = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    lines[head] = lines[head].replace("cmH2O", "kPa")
    (wrong / "signals.csv").write_text("\n".join(lines[head : head + 6000]) + "\n", encoding="utf-8")
    (wrong / "case.toml").write_text('title = "A wrong unit"\n[recording]\nfile = "signals.csv"\n', encoding="utf-8")
    with visit(browser, address) as one:
        page = one.page
        page.goto("/#/case/wrong-unit")
        page.get_by_role("button", name="Review it").click()
        expect(page.locator(".problem")).to_contain_text("kPa", timeout=60_000)
        expect(page.locator(".problem")).not_to_contain_text("[recording")
        page.get_by_label("Unit of", exact=False).nth(1).select_option("cmH2O")
        one.shot("columns-named")
        page.get_by_role("button", name="Keep this and review it").click()
        expect(page.get_by_role("heading", name="What matters first")).to_be_visible(timeout=120_000)


def test_a_map_marks_what_was_never_recorded_and_the_way_back_keeps_its_place(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/case/{CASE}?from=80&to=110")
        expect(page.locator(".plot").first).to_be_visible()
        page.keyboard.press("i")
        expect(page.get_by_role("heading", name="Through a range")).to_be_visible(timeout=60_000)
        page.goto(f"/#/whatif/{CASE}?from=75&to=138&sweep=rate_per_min:20:80:20,peep_cmh2o:8:28:20")
        page.reload()
        expect(page.locator(".field-map")).to_be_visible(timeout=60_000)
        assert page.locator(".field-map td.beyond").count() >= 2  # a PEEP of 28 over levels of 8 to 15
        expect(page.get_by_text("2 of 8 can't be set")).to_be_visible()  # 0.815 s in a breath of 0.75 s
        one.shot("map-beyond")
        page.goto(f"/#/case/{CASE}?from=80&to=110")
        expect(page.locator("#detail")).to_contain_text("1:20")
        page.keyboard.press("i")
        expect(page.get_by_role("heading", name="Through a range")).to_be_visible(timeout=60_000)
        page.keyboard.press("b")
        expect(page.locator("#detail")).to_contain_text("1:20")
