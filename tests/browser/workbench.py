"""A workbench in a process of its own, and a browser before it; where there is none, tests say why they are skipped."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from tidebench.web.options import PAGE

ROOT = Path(__file__).parents[2]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
AXE = ROOT / "src" / "tidebench" / "web" / "frontend" / "node_modules" / "axe-core" / "axe.min.js"
SHOTS = ROOT / "build" / "screenshots"

needs_browser = pytest.mark.skipif(
    CHROMIUM is None or not (PAGE / "index.html").is_file(),
    reason="chromium isn't installed" if CHROMIUM is None else "the page isn't built (install Tidebench anew)",
)


@contextmanager
def serving(folder: Path, port: int = 0) -> Iterator[str]:
    """``tidebench serve`` on a folder, on any free port unless one is named; gives its address."""
    words = [sys.executable, "-m", "tidebench", "serve", str(folder), "--port", str(port), "--no-browser"]
    source = os.pathsep.join(filter(None, [str(ROOT / "src"), os.environ.get("PYTHONPATH", "")]))
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": source}
    ) as process:
        try:
            assert process.stdout
            line = process.stdout.readline()
            assert line.startswith("Workbench: "), line
            yield line.removeprefix("Workbench: ").strip()
        finally:
            process.terminate()
            process.wait(timeout=20)


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Visit:
    """One person before the page; what went wrong in it, and whom it asked besides the workbench."""

    page: Page
    context: BrowserContext
    faults: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)

    def shot(self, name: str) -> None:
        """Keep a picture."""
        SHOTS.mkdir(parents=True, exist_ok=True)
        self.page.screenshot(path=SHOTS / f"{name}.png")

    def settled(self) -> None:
        """Wait until nothing is asked for any more."""
        self.page.wait_for_load_state("networkidle")

    def accessible(self) -> list[str]:
        """What an audit by WCAG 2.2 A and AA finds."""
        self.page.evaluate("Promise.all(document.getAnimations().map((one) => one.finished))")  # colours have settled
        self.page.evaluate(AXE.read_text(encoding="utf-8"))
        found = self.page.evaluate(
            "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
        )
        return [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in found["violations"]]


@contextmanager
def visit(
    browser: Browser, address: str, *, dark: bool = False, width: int = 1280, height: int = 900
) -> Iterator[Visit]:
    """Somebody opens the page; afterwards nothing may have gone wrong."""
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme="dark" if dark else "light", base_url=address,
        accept_downloads=True,
    )  # fmt: skip
    page = context.new_page()
    page.set_default_timeout(60_000)
    one = Visit(page, context)
    page.on("pageerror", lambda error: one.faults.append(str(error)))
    page.on("console", lambda said: one.faults.append(said.text) if said.type == "error" else None)
    page.on(
        "request",
        lambda asked: None if asked.url.startswith((address, "data:", "blob:")) else one.elsewhere.append(asked.url),
    )
    try:
        yield one
        assert one.elsewhere == []
        assert [fault for fault in one.faults if "404" not in fault] == []
    finally:
        context.close()
