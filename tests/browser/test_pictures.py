"""From a dropped picture to a report in a real browser: once by mouse, once by keyboard; audited, in light and dark."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import Browser, Page, expect
from pypdf import PdfReader

from tests.browser.workbench import AXE, chromium, needs_browser, serving, visit
from tests.pictures.draw import UNITS, Chart, Placed
from tests.web.pictures import panels_of, plain_chart, png
from tidebench.case import load_case
from tidebench.pictures.axes import load_axes
from tidebench.quantities import quantity

pytestmark = needs_browser

DROP = """async ([files]) => {
  const data = new DataTransfer();
  for (const [text, name] of files)
    data.items.add(new File([Uint8Array.from(atob(text), (c) => c.charCodeAt(0))], name, {type: 'image/png'}));
  const words = {dataTransfer: data, bubbles: true, cancelable: true};
  document.querySelector('.drop').dispatchEvent(new DragEvent('drop', words));
}"""


@pytest.fixture(autouse=True)
def patient() -> Iterator[None]:
    """Tracing takes its time beside other work."""
    expect.set_options(timeout=60_000)
    yield
    expect.set_options(timeout=5_000)


@pytest.fixture(scope="module")
def chart() -> Chart:
    return plain_chart()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("casebook")


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with serving(folder) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def dropped(page: Page, chart: Chart, *names: str) -> None:
    """Drop pictures onto the page."""
    text = base64.b64encode(png(chart)).decode()
    page.evaluate(DROP, [[[text, name] for name in names or ("screen.png",)]])
    expect(page.locator(".handle.tag")).to_have_count(3, timeout=120_000)
    for number, name in enumerate(names, 1):  # the first stays before one's eyes while the others come
        shown = page.get_by_role("button", name=f"{number} · {name}")
        expect(shown).to_have_attribute("aria-pressed", "true" if number == 1 else "false", timeout=120_000)


def name_of(panel: Placed) -> str:
    words = quantity(panel.quantity).label
    return f"{words[:1].upper()}{words[1:]}"


def put_handle(page: Page, label: str, to: tuple[float, float], size: tuple[int, int]) -> None:
    """Drag a handle to a pixel of the picture: where the pointer goes, the handle's own place goes by as much."""
    handle = page.get_by_role("slider", name=label)
    handle.scroll_into_view_if_needed()
    stage = page.locator(".stage").bounding_box()
    box = handle.bounding_box()
    assert stage
    assert box
    scale = stage["width"] / size[0]
    now = json.loads(page.evaluate("(e) => JSON.stringify([e.style.left, e.style.top])", handle.element_handle()))
    at = [float(part.rstrip("%")) / 100 * size[k] - 0.5 for k, part in enumerate(now)]
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + (to[0] - at[0]) * scale / 2, y + (to[1] - at[1]) * scale / 2)
    page.mouse.move(x + (to[0] - at[0]) * scale, y + (to[1] - at[1]) * scale, steps=4)
    page.mouse.up()


def said_by_mouse(page: Page, chart: Chart) -> None:
    """Say what each panel shows; marks are dragged to their places."""
    for number, panel in enumerate(chart.panels, 1):
        expand = page.locator(".panel-list .name").nth(number - 1)
        if expand.get_attribute("aria-expanded") != "true":
            expand.click()
        page.get_by_label("It shows", exact=True).select_option(name_of(panel))
        page.get_by_label("in", exact=True).select_option(UNITS[panel.quantity])
        right = panel.box[2]
        for mark, (word, value) in enumerate(zip(("first", "second"), panel.ticks, strict=True), 1):
            put_handle(
                page, f"{word} mark of the value axis of panel {number}", (right, panel.row(value)), chart.image.size
            )
            page.get_by_label(f"Value axis, figure of mark {mark}").fill(f"{value:g}")
        if number == 1:
            for mark, (word, seconds) in enumerate((("first", 0.0), ("second", chart.seconds)), 1):
                place = (chart.column(panel, seconds), panel.box[1])
                put_handle(page, f"{word} mark of the time axis of panel 1", place, chart.image.size)
                page.get_by_label(f"Time axis, figure of mark {mark}").fill(f"{seconds:g}")
        page.get_by_label("I have looked: this panel is right").check()


def test_from_a_dropped_picture_to_a_report_by_mouse(
    browser: Browser, address: str, folder: Path, chart: Chart
) -> None:
    with visit(browser, address, width=1440, height=1000) as one:
        page = one.page
        page.goto("/")
        expect(page.locator(".drop")).to_be_visible()
        page.evaluate(DROP, [[[base64.b64encode(png(chart)).decode(), "screen.png"]]])
        expect(page.get_by_role("heading", name="Pictures")).to_be_visible()
        expect(page.locator(".handle.tag")).to_have_count(3, timeout=120_000)
        expect(page.locator(".well-said")).to_contain_text("Crop faces, names and bed numbers")
        expect(page.locator(".handle.tag.proposed")).to_have_count(3)
        one.shot("pictures-proposed")
        page.get_by_role("button", name="Trace the curves").click()
        expect(page.get_by_role("alert")).to_contain_text("Say what it shows")
        page.get_by_role("button", name="Back to the panels").click()
        said_by_mouse(page, chart)
        expect(page.locator(".handle.tag.sure")).to_have_count(3)
        page.get_by_text("Keep this arrangement").click()
        page.get_by_label("Its name").fill("Three charts")
        page.get_by_role("button", name="Keep it", exact=True).click()
        expect(page.locator(".notices")).to_contain_text("is kept beside the cases")
        axes = load_axes(folder / "arrangements" / "Three charts.toml")
        for kept, panel in zip(axes.panels, chart.panels, strict=True):
            assert kept.values[0][0] == pytest.approx(panel.row(panel.ticks[0]), abs=1.5)
        one.shot("pictures-said")
        page.get_by_role("button", name="Trace the curves").click()
        expect(page.locator(".traced")).to_have_count(3, timeout=120_000)
        expect(page.get_by_role("listitem").filter(has_text="Flow summed up against the volume panel")).to_contain_text(
            "agrees"
        )
        one.settled()
        one.shot("pictures-traced")
        page.get_by_text("Numbers on this picture").click()
        page.get_by_label("Peak pressure").fill("60")
        expect(page.get_by_role("row", name=re.compile("^Peak pressure"))).to_contain_text("differs")
        page.get_by_role("button", name=re.compile("^Erase")).click()
        stage = page.locator(".stage").bounding_box()
        assert stage
        scale = stage["width"] / chart.image.width
        left, top, _, bottom = chart.panels[1].box
        y = stage["y"] + (top + bottom) / 2 * scale
        page.mouse.move(stage["x"] + (left + 300) * scale, y)
        page.mouse.down()
        page.mouse.move(stage["x"] + (left + 345) * scale, y, steps=6)
        page.mouse.up()
        expect(page.locator(".traced")).to_have_count(4)
        expect(page.get_by_text("Erased in panel 2")).to_be_visible()
        page.get_by_role("button", name=re.compile("^Redraw")).click()
        page.mouse.move(stage["x"] + (left + 298) * scale, y)
        page.mouse.down()
        page.mouse.move(stage["x"] + (left + 347) * scale, y + 6, steps=12)
        page.mouse.up()
        expect(page.get_by_text("Redrawn in panel 2")).to_be_visible()
        expect(page.locator(".traced")).to_have_count(3)
        one.shot("pictures-mended")
        page.get_by_role("button", name=re.compile("^Take back")).click()
        expect(page.get_by_text("Redrawn in panel 2")).to_have_count(0)
        page.get_by_role("button", name=re.compile("^Take back")).click()
        expect(page.get_by_text("Erased in panel 2")).to_have_count(0)
        page.get_by_role("button", name="Scale flow to volume").click()
        expect(page.get_by_text("was scaled to the other, as you asked")).to_be_visible()
        page.get_by_role("button", name="Take that back").click()
        expect(page.get_by_role("button", name="Go on: make the case")).to_be_enabled()
        page.get_by_role("button", name="Go on: make the case").click()
        page.get_by_label("What it is about").fill("From a screen by mouse")
        page.get_by_text("What else is known").click()
        page.get_by_label("Height", exact=True).fill("168")
        one.shot("pictures-case")
        page.get_by_role("button", name="Make the case and review it").click()
        expect(page.get_by_role("heading", name="From a screen by mouse")).to_be_visible(timeout=180_000)
        expect(page.get_by_role("tab", name="Save")).to_be_visible(timeout=180_000)
        one.shot("pictures-review")
        page.get_by_role("tab", name="Save").click()
        answer = page.request.get(page.get_by_role("link", name="Report as PDF").get_attribute("href") or "")
        text = "".join(sheet.extract_text() for sheet in PdfReader(BytesIO(answer.body())).pages)
        assert "traced from a picture" in " ".join(text.split())
        case = load_case(folder / "from-a-screen-by-mouse")
        assert case.observed[0].numbers == {"peak_pressure_cmh2o": 60}
        assert not (case.folder / "screen.png").exists()
        assert not list((folder / ".uploads").iterdir())


ACTIVE = "document.activeElement.getAttribute('aria-label') || document.activeElement.labels?.[0]?.textContent || document.activeElement.textContent"  # noqa: E501
TAB = "Tab"


def tabbed_to(page: Page, what: str, key: str = TAB) -> None:
    """Press Tab until what has that label or text has the focus."""
    for _ in range(150):
        page.keyboard.press(key)
        if str(page.evaluate(ACTIVE)).strip().startswith(what):
            return
    raise AssertionError(f"no way to {what!r} by Tab: {page.evaluate(ACTIVE)[:200]}")


def arrows(page: Page, right: float, down: float) -> None:
    """So many pixels by arrow keys: tens with Shift, then ones."""
    for by, plus, minus in ((right, "ArrowRight", "ArrowLeft"), (down, "ArrowDown", "ArrowUp")):
        key, steps = (plus if by > 0 else minus), abs(round(by))
        for _ in range(steps // 10):
            page.keyboard.press(f"Shift+{key}")
        for _ in range(steps % 10):
            page.keyboard.press(key)


def typed(page: Page, text: str) -> None:
    page.keyboard.press("Control+a")
    page.keyboard.type(text)


def chosen(page: Page, words: str) -> None:
    """Choose in a list by typing its first letters, as a person does."""
    page.keyboard.type(words, delay=20)
    page.wait_for_timeout(80)


def test_from_a_chosen_picture_to_a_report_by_keyboard(
    browser: Browser, address: str, folder: Path, chart: Chart, tmp_path: Path
) -> None:
    (tmp_path / "keys.png").write_bytes(png(chart))
    with visit(browser, address, dark=True, width=1440, height=1000) as one:
        page = one.page
        with page.expect_file_chooser() as asked:  # before the page opens: what is asked for at once is else missed
            page.goto("/#/pictures")
            tabbed_to(page, "Drag pictures here")
            page.keyboard.press("Enter")
        asked.value.set_files(tmp_path / "keys.png")
        expect(page.locator(".handle.tag")).to_have_count(3, timeout=120_000)
        for number, panel in enumerate(chart.panels, 1):
            page.keyboard.press("n")
            if number == 1:
                page.keyboard.press("p")
            expect(page.locator(".handle.tag").nth(number - 1)).to_be_focused()
            for word, value in zip(("first", "second"), panel.ticks, strict=True):
                label = f"{word} mark of the value axis of panel {number}"
                tabbed_to(page, label)
                row = float(page.get_by_role("slider", name=label).get_attribute("aria-valuenow") or "nan")
                arrows(page, 0, panel.row(value) - row)
            tabbed_to(page, "It shows")
            chosen(page, name_of(panel))
            tabbed_to(page, "in")
            chosen(page, UNITS[panel.quantity])
            for mark, value in enumerate(panel.ticks, 1):
                tabbed_to(page, f"Value axis, figure of mark {mark}")
                typed(page, f"{value:g}")
            if number == 1:
                for mark, seconds in enumerate((0, chart.seconds), 1):
                    tabbed_to(page, f"Time axis, column of mark {mark}")
                    typed(page, f"{chart.column(panel, seconds):.0f}")
                    page.keyboard.press("Tab")
                    typed(page, f"{seconds:g}")
            tabbed_to(page, "I have looked: this panel is right")
            page.keyboard.press("Space")
            expect(page.locator(".handle.tag").nth(number - 1)).to_have_class(re.compile("sure"))
        page.keyboard.press("t")
        expect(page.locator(".traced")).to_have_count(3, timeout=120_000)
        expect(page.get_by_role("listitem").filter(has_text="Flow summed up")).to_contain_text("agrees")
        page.keyboard.press("e")
        expect(page.get_by_role("slider", name="Eraser")).to_be_focused()
        page.keyboard.press("Space")
        arrows(page, 40, 0)
        one.shot("pictures-eraser")
        page.keyboard.press("Enter")
        expect(page.get_by_text("Erased in panel 3")).to_be_visible()
        expect(page.locator(".traced")).to_have_count(4)
        page.keyboard.press("Escape")
        page.keyboard.press("z")
        expect(page.get_by_text("Erased in panel 3")).to_have_count(0)
        expect(page.locator(".traced")).to_have_count(3)
        page.keyboard.press("y")
        expect(page.get_by_text("Erased in panel 3")).to_be_visible()
        page.keyboard.press("z")
        page.keyboard.press("r")
        expect(page.get_by_role("slider", name="Pen")).to_be_focused()
        page.keyboard.press("Space")
        arrows(page, 4, 0)
        page.keyboard.press("Enter")
        expect(page.get_by_text("Redrawn in panel 3")).to_be_visible()
        page.keyboard.press("Escape")
        page.keyboard.press("?")
        expect(page.get_by_role("dialog")).to_contain_text("Next panel; arrows then move it")
        page.keyboard.press("Escape")
        page.keyboard.press("3")
        tabbed_to(page, "What it is about")
        page.keyboard.type("From a screen by keys")
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="From a screen by keys")).to_be_visible(timeout=180_000)
        expect(page.get_by_role("tab", name="Save")).to_be_visible(timeout=180_000)
        answer = page.request.get("/api/cases/from-a-screen-by-keys/export/report.pdf")
        assert answer.body().startswith(b"%PDF")
        told = json.loads((folder / "from-a-screen-by-keys" / "picture.json").read_text(encoding="utf-8"))
        assert [one["kind"] for one in told["pictures"][0]["corrections"]] == ["draw"]
        summary = json.loads((folder / "from-a-screen-by-keys" / "review" / "summary.json").read_text(encoding="utf-8"))
        volume = summary["quantities"]["vti_ml"]
        assert volume["low"] < volume["median"] < volume["high"]


def test_a_picture_of_a_loop_and_a_trend_is_measured_by_keyboard_and_shown_in_its_case(
    browser: Browser, address: str, tmp_path: Path
) -> None:
    """An ellipse of 20 cmH2O by 600 mL, crossed by an axis, encloses π/4·20·0.6·0.0981 = 0.92 J."""
    drawn = Image.new("RGB", (1200, 600), "white")
    pen = ImageDraw.Draw(drawn)
    pen.ellipse((100, 150, 500, 450), outline=(180, 60, 0), width=3)
    pen.line([(60, 300), (540, 300)], fill="black", width=1)
    pen.line([(650, 400), (1150, 200)], fill=(0, 90, 160), width=3)
    drawn.save(tmp_path / "loop.png")
    panels = [
        ("a loop", "Volume", "mL", (60, 100, 540, 500), ((450, 0), (150, 600)), ((100, 5), (500, 25))),
        ("a trend", "Rate", "/min", (650, 100, 1150, 500), ((400, 10), (200, 30)), ((650, 0), (1150, 12))),
    ]
    with visit(browser, address, width=1440, height=1000) as one:
        page = one.page
        page.goto("/#/pictures")
        page.locator("#pictures-in").set_input_files(tmp_path / "loop.png")
        expect(page.get_by_role("button", name="Trace the curves")).to_be_visible(timeout=120_000)
        for _ in range(page.locator(".handle.tag").count()):
            page.keyboard.press("n")
            page.keyboard.press("x")
        for kind, shows, unit, box, values, across in panels:
            page.keyboard.press("a")
            page.get_by_text("Place, colour and kind").focus()
            page.keyboard.press("Enter")
            for edge, place in zip(("Left", "Upper", "Right", "Lower"), box, strict=True):
                tabbed_to(page, f"{edge} edge")
                typed(page, str(place))
            tabbed_to(page, "Kind")
            chosen(page, kind)
            tabbed_to(page, "It shows", "Shift+Tab")
            chosen(page, shows)
            tabbed_to(page, "in")
            chosen(page, unit)
            axes = [("Value axis", "row", values)]
            axes += [("Axis from left to right" if kind == "a loop" else "Time axis", "column", across)]
            for axis, what, marks in axes:
                if axis.startswith("Axis"):
                    tabbed_to(page, "Over")
                    chosen(page, "Airway pressure")
                    tabbed_to(page, "in")
                    chosen(page, "cmH2O")
                for n, (at, figure) in enumerate(marks, 1):
                    tabbed_to(page, f"{axis}, {what} of mark {n}")
                    typed(page, str(at))
                    page.keyboard.press("Tab")
                    typed(page, str(figure))
            tabbed_to(page, "I have looked: this panel is right")
            page.keyboard.press("Space")
        page.keyboard.press("t")
        expect(page.locator(".traced")).to_have_count(2, timeout=120_000)
        expect(page.get_by_text("It encloses 0.9")).to_be_visible()
        one.shot("pictures-loop")
        page.keyboard.press("3")
        tabbed_to(page, "What it is about")
        page.keyboard.type("A loop and a trend")
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="What its pictures gave")).to_be_visible(timeout=120_000)
        expect(page.get_by_role("img", name="Rate 10 to 30 /min, median 20 /min, over 12.0 h.")).to_be_visible()
        expect(page.get_by_text("It encloses 0.9")).to_be_visible()
        one.shot("pictures-loop-case")


def test_a_second_picture_takes_an_arrangement_with_one_click_and_asks_to_be_looked_at(
    browser: Browser, address: str, folder: Path, chart: Chart
) -> None:
    with visit(browser, address) as one:
        page = one.page
        words = {"panels": panels_of(chart), "size": [1280, 720]}
        kept = page.request.put("/api/arrangements/Kept%20before", data=words, headers={"x-tidebench": "page"})
        assert kept.ok
        page.goto("/#/pictures")
        dropped(page, chart)
        page.get_by_role("button", name="Use it: Kept before").click()
        expect(page.locator(".handle.tag.proposed")).to_have_count(3)
        expect(page.locator(".handle.tag").first).to_contain_text("airway pressure")
        page.get_by_role("button", name="Trace the curves").click()
        expect(page.get_by_role("alert")).to_contain_text("only proposed: look at it")
        page.get_by_role("button", name="Back to the panels").click()
        page.get_by_role("button", name="All panels are right").click()
        page.get_by_role("button", name="Trace the curves").click()
        expect(page.locator(".traced")).to_have_count(3, timeout=120_000)
        page.reload()
        expect(page.locator(".handle.tag.sure")).to_have_count(3)
        page.get_by_role("button", name="Take Kept before away").click()
        expect(page.get_by_role("button", name="Use it: Kept before")).to_have_count(0)
        page.locator(".notices").get_by_role("button", name="Take back").click()
        expect(page.get_by_role("button", name="Use it: Kept before")).to_be_visible()


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_audit_of_every_step_finds_nothing(browser: Browser, address: str, chart: Chart, dark: bool) -> None:
    if not AXE.is_file():
        pytest.skip("axe-core isn't installed: npm ci in the page's folder")
    look = "dark" if dark else "light"
    with visit(browser, address, dark=dark) as one:
        page = one.page
        page.goto("/#/pictures")
        expect(page.locator(".drop")).to_be_visible()
        assert one.accessible() == []
        words = {"panels": panels_of(chart), "size": [1280, 720]}
        page.request.put("/api/arrangements/Audited", data=words, headers={"x-tidebench": "page"})
        dropped(page, chart, "one.png", "two.png")
        assert one.accessible() == []
        page.get_by_role("button", name="Use it: Audited").click()
        page.get_by_role("slider", name="upper edge of panel 1").focus()
        one.shot(f"pictures-place-{look}")
        assert one.accessible() == []
        page.get_by_text("Place, colour and kind").click()
        page.get_by_text("A photograph, or a slanting scan").click()
        page.get_by_role("button", name="Put four corners").click()
        one.shot(f"pictures-corners-{look}")
        assert one.accessible() == []
        page.get_by_role("button", name="Leave it").click()
        page.get_by_role("button", name="All panels are right").click()
        page.get_by_role("button", name="Trace the curves").click()
        expect(page.locator(".traced")).to_have_count(3, timeout=120_000)
        one.settled()
        one.shot(f"pictures-check-{look}")
        assert one.accessible() == []
        page.get_by_role("button", name=re.compile("^Redraw")).click()
        one.shot(f"pictures-redraw-{look}")
        assert one.accessible() == []
        page.get_by_role("button", name="Go on: make the case").click()
        expect(page.get_by_label("one.png, taken")).to_be_visible()
        page.get_by_text("What else is known").click()
        one.shot(f"pictures-case-{look}")
        assert one.accessible() == []
