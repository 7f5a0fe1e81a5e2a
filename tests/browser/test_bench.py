"""A sitting at the live bench in a real browser: treated, held, gone back on, saved and reviewed; by keyboard; dark."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, WebSocketRoute, expect

from tests.browser.workbench import AXE, chromium, needs_browser, serving, visit
from tidebench.bench import Bench, measured

pytestmark = needs_browser
expect.set_options(timeout=30_000)  # a browser, a server and reviews share few cores


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("casebook")


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    """A server whose kernels are compiled and cached before time passes on its benches."""
    measured(*Bench({"who": "ards-mild"}, 30.0).recorded())
    with serving(folder) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def moment(page: Page) -> float:
    """The moment that is shown, s."""
    return float(page.locator(".live").get_attribute("data-shown") or 0)


def until(page: Page, time_s: float) -> None:
    """Let time pass until a moment is shown."""
    page.wait_for_function("least => Number(document.querySelector('.live')?.dataset.shown) >= least", arg=time_s)


def shows(page: Page, time_s: float, within_s: float) -> None:
    """Wait until the drawing, a frame or more behind the words beside it, has come to a moment."""
    page.wait_for_function(
        "([at, within]) => Math.abs(Number(document.querySelector('.live')?.dataset.shown) - at) <= within",
        arg=[time_s, within_s],
    )


SHOWN_SINCE = """() => {
  const live = document.querySelector('.live'), from = performance.now();
  window.since = [];
  new MutationObserver(() => window.since.push([performance.now() - from, Number(live.dataset.shown)])).observe(
    live, {attributeFilter: ['data-shown']});
}"""
"""Keep each moment that is shown from now on: ms that have gone by, and s."""


def settled(page: Page) -> str:
    """What the clock says once half a second goes by without it changing: time stands, and nothing is under way."""
    stands = page.wait_for_function(
        """() => {
          const said = document.querySelector('.moment').innerText;
          if (said !== window.said) [window.said, window.since] = [said, performance.now()];
          return performance.now() - window.since > 500 ? said : null;
        }"""
    )
    return str(stands.json_value())


def seat(page: Page, who: str = "ards-mild") -> None:
    """Sit down before a patient, and let time pass at five times its pace."""
    page.goto(f"/#/bench?who={who}")
    page.get_by_label("Pace").select_option("5")
    page.get_by_role("button", name="Let time pass").click()
    expect(page.get_by_role("button", name="Stop time")).to_be_visible()


def test_sitting_from_a_hold_to_a_reviewed_case(browser: Browser, address: str, folder: Path) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto("/")
        page.get_by_role("link", name="Live bench").click()
        page.get_by_role("link", name=re.compile("mild ARDS")).click()
        page.get_by_role("button", name="Let time pass").click()
        until(page, 1.5)
        page.get_by_label("Pace").select_option("5")
        until(page, 12.0)
        page.get_by_role("button", name="Inspiratory hold").click()
        expect(page.locator(".found li").first).to_contain_text("plateau pressure", timeout=30_000)
        peep = page.get_by_role("spinbutton", name=re.compile("set PEEP"))
        peep.fill("14")
        peep.press("Enter")
        expect(page.locator(".story li").first).to_contain_text("Set PEEP 10.0 → 14.0 cmH2O")
        page.get_by_label("Pace").select_option("1")  # so that the moment on the page is that of the event
        page.get_by_label("event", exact=True).select_option("pneumothorax")
        page.get_by_role("button", name="Let it happen").click()
        expect(page.locator(".story li").first).to_contain_text("Pneumothorax")
        happened = moment(page)
        page.get_by_label("Pace").select_option("5")
        until(page, happened + 8.0)
        one.shot("bench-treated")
        page.get_by_role("button", name="Stop time").click()
        expect(page.get_by_role("button", name="Let time go on")).to_be_visible()
        settled(page)

        page.get_by_role("button", name="go back to before this").first.click()
        expect(page.locator(".story").first.locator("li")).to_have_count(2)
        expect(page.get_by_role("button", name="go on with line 1")).to_be_visible()
        shows(page, happened, within_s=2.0)
        page.get_by_label("event", exact=True).select_option("secretions")
        page.get_by_role("button", name="Let it happen").click()
        page.get_by_role("button", name="Let time go on").click()
        until(page, happened + 6.0)
        page.get_by_role("button", name="Stop time").click()
        page.get_by_role("button", name="go on with line 1").click()
        expect(page.locator(".story").first.locator("li").first).to_contain_text("Pneumothorax")
        expect(page.get_by_role("button", name="go on with line 2")).to_be_visible()

        page.get_by_label("As a case called").fill("From the bench")
        page.get_by_role("button", name="Save as a case").click()
        page.get_by_role("link", name="From the bench").click()
        page.get_by_role("button", name=re.compile("[Rr]eview")).first.click()
        expect(page.get_by_role("heading", name="What matters first")).to_be_visible(timeout=120_000)
        assert (folder / "from-the-bench" / "truth_breaths.csv").is_file()


def test_link_brings_the_same_moment_again(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        seat(page)
        until(page, 6.0)
        page.keyboard.press("e")
        until(page, 14.0)
        page.keyboard.press("p")
        expect(page.get_by_role("button", name="Let time go on")).to_be_visible()
        seen = (settled(page), page.locator(".story").inner_text())
        again = one.context.new_page()
        again.goto(page.url)
        expect(again.locator(".story")).to_have_text(re.compile("Expiratory hold"))
        assert (settled(again), again.locator(".story").inner_text()) == seen


def test_everything_by_keyboard(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto("/#/bench?who=copd")
        expect(page.get_by_role("button", name="Let time pass")).to_be_enabled()
        page.keyboard.press("p")
        page.keyboard.press("+")
        page.keyboard.press("+")
        until(page, 3.0)
        page.keyboard.press("i")
        expect(page.locator(".story")).to_contain_text("Inspiratory hold")
        page.keyboard.press("s")
        field = page.locator(".said-settings input").first
        expect(field).to_be_focused()
        rate = field.input_value()
        page.keyboard.press("ArrowUp")
        expect(field).not_to_have_value(rate)
        expect(page.locator(".story")).to_contain_text("Set rate 15 → 16 /min")
        page.keyboard.press("Tab")
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("z")
        expect(field).to_have_value(rate)
        page.keyboard.press("h")
        page.keyboard.type("bronch")
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page.locator(".story li").first).to_contain_text("Bronchospasm")
        until(page, 12.0)
        page.keyboard.press("p")
        expect(page.get_by_role("button", name="Let time go on")).to_be_visible()
        settled(page)
        before = moment(page)
        page.keyboard.press("b")
        expect(page.get_by_role("button", name="go on with line 1")).to_be_visible()
        shows(page, before - 10.0, within_s=0.3)
        page.keyboard.press("r")
        expect(page.get_by_role("log")).not_to_be_empty()
        page.keyboard.press("?")
        expect(page.get_by_role("dialog")).to_contain_text("Expiratory hold")
        one.shot("bench-keys")
        page.keyboard.press("Escape")
        page.keyboard.press("q")
        expect(page.get_by_role("heading", name="Who breathes?")).to_be_visible()


def test_breaths_are_spoken_at_a_calm_pace(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        seat(page, "hard-to-wean")
        log = page.get_by_role("log")
        expect(log).to_contain_text("expired volume", timeout=30_000)
        page.evaluate(
            """() => { window.spoken = 0;
            new MutationObserver(() => window.spoken++).observe(
              document.querySelector('[role=log]'), {childList: true, characterData: true, subtree: true}); }"""
        )
        page.wait_for_timeout(6000)
        assert page.evaluate("window.spoken") <= 1


def test_what_can_not_be_is_said_and_nothing_is_lost(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        seat(page)
        until(page, 3.0)
        peep = page.get_by_role("spinbutton", name=re.compile("set PEEP"))
        peep.fill("900")
        peep.press("Enter")
        expect(page.get_by_role("alert")).to_contain_text("set PEEP")
        expect(peep).to_have_value("10")


def test_lost_connection_loses_nothing(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page, sockets = one.page, []

        def through(socket: WebSocketRoute) -> None:
            socket.connect_to_server()
            sockets.append(socket)

        page.route_web_socket(re.compile("/api/bench/live"), through)
        seat(page)
        until(page, 3.0)
        page.keyboard.press("e")
        expect(page.locator(".story")).to_contain_text("Expiratory hold")
        until(page, 8.0)
        sockets[0].close(code=1011, reason="The bench is gone.")
        expect(page.get_by_role("alert")).to_contain_text("Nothing is lost")
        settled(page)
        before = moment(page)
        page.evaluate(SHOWN_SINCE)
        page.get_by_role("button", name=re.compile("^Go on from")).click()
        expect(page.get_by_role("alert")).to_have_count(0)
        expect(page.locator(".story")).to_contain_text("Expiratory hold")
        page.get_by_role("button", name="Let time go on").click()
        until(page, before + 3.0)
        at, shown = np.array([[0.0, before], *page.evaluate("window.since")]).T
        assert shown.min() > before - 0.1, "nothing is lived again"
        assert (np.diff(shown) < 1.0 + 5 * np.diff(at) / 1000).all(), "and nothing is left out"


def test_two_benches_at_once_know_nothing_of_each_other(browser: Browser, address: str) -> None:
    with visit(browser, address) as one, visit(browser, address, dark=True) as other:
        seat(one.page, "copd")
        seat(other.page, "child")
        one.page.get_by_label("Lasting").select_option("2")
        one.page.keyboard.press("e")
        expect(one.page.locator(".story")).to_contain_text("Expiratory hold, 2.00 s")
        until(one.page, 6.0)
        until(other.page, 6.0)
        expect(other.page.locator("h1")).to_contain_text("Child")
        expect(other.page.locator(".story")).to_have_count(0)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_audit_of_the_bench_finds_nothing(browser: Browser, address: str, dark: bool) -> None:
    if not AXE.is_file():
        pytest.skip("axe-core isn't installed: npm ci in the page's folder")
    with visit(browser, address, dark=dark) as one:
        one.page.goto("/#/bench")
        expect(one.page.get_by_role("heading", name="Who breathes?")).to_be_visible()
        assert one.accessible() == []
        seat(one.page, "copd")
        until(one.page, 14.0)
        one.page.keyboard.press("e")
        one.page.keyboard.press("b")
        expect(one.page.get_by_role("button", name="go on with line 1")).to_be_visible()
        one.page.get_by_role("button", name="Let time go on").click()
        expect(one.page.locator(".notebook")).to_be_visible(timeout=30_000)
        assert one.accessible() == []
        one.shot(f"bench-{'dark' if dark else 'light'}")
