"""The page of the workbench in a real browser: first drawing, brush, next finding and what-if on a day, the live bench.

    python benchmarks/bench_page.py [HOURS]

A time runs from the input event (or the beginning of navigation) to the task after the frame in which the last canvas
was drawn, by the page's own clock. On the live bench it runs to the frame that draws the first sample which the changed
setting has brought about. Needs Debian's chromium and the built page.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from playwright.sync_api import Page

from benchmarks.bench_day import CASE, prepare
from benchmarks.day import RATE_HZ, day
from tests.browser.workbench import chromium, serving, visit
from tidebench.results import review_case

CHANNELS = 3
LOADS, BRUSHES, STEPS, SLIDES = 7, 24, 24, 12
LIVE_S, CHANGES = 10, 20

WATCH = """
window.drawn = 0;
window.counted = 0;
for (const name of ['stroke', 'fill', 'fillRect']) {
  const was = CanvasRenderingContext2D.prototype[name];
  CanvasRenderingContext2D.prototype[name] = function (...words) {
    window.counted += 1;
    if (!window.waiting) {
      window.waiting = true;
      requestAnimationFrame(() => setTimeout(() => { window.drawn = performance.now(); window.waiting = false; }));
    }
    return was.apply(this, words);
  };
}
window.begin = 0;
for (const name of ['pointerup', 'keydown', 'input'])
  addEventListener(name, () => { window.begin = performance.now(); }, true);
"""


def settled(page: Page) -> float:
    """Milliseconds from the last input to the last drawing, once nothing has been drawn for a while."""
    for _ in range(600):  # asked for again and again: the page's policy lets nobody evaluate text inside it
        page.wait_for_timeout(100)
        if page.evaluate("performance.now() - window.drawn > 350 && window.drawn > window.begin"):
            return float(page.evaluate("window.drawn - window.begin"))
    raise TimeoutError("nothing was drawn")


def told(what: str, values: list[float], wanted: str) -> str:
    """One line of the table."""
    median, high = np.percentile(values, [50, 95])
    return f"| {what} | {median:.0f} | {high:.0f} | {wanted} |"


def memory_mib(address: str) -> tuple[float, float]:
    """Resident and unshared memory of the server that answers at an address."""
    port = address.rstrip("/").rpartition(":")[2]
    listed = subprocess.run(["ss", "-ltnp"], capture_output=True, text=True, check=True).stdout
    line = next(line for line in listed.splitlines() if f":{port} " in line)
    process = line.partition("pid=")[2].partition(",")[0]
    fields = dict(
        line.split(":", 1) for line in Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()[1:] if ":" in line
    )
    size = {key: int(value.split()[0]) / 1024 for key, value in fields.items()}
    return size["Rss"], size["Private_Dirty"]


def first_drawings(page: Page, place: str) -> list[float]:
    """Opening an already reviewed case, again and again."""
    times = []
    for _ in range(LOADS):
        page.goto("about:blank")
        page.goto(place)
        page.wait_for_selector(".account")
        times.append(settled(page))
    return times


def brushes(page: Page) -> list[float]:
    """Stretches of half an hour of a day chosen across the record, each from the whole of it."""
    box = page.locator(".brush").bounding_box()
    assert box
    times = []
    for i in range(BRUSHES):
        page.keyboard.press("w")
        settled(page)
        left, middle = box["x"] + (0.05 + 0.035 * i) * box["width"], box["y"] + 30
        page.mouse.move(left, middle)
        page.mouse.down()
        page.mouse.move(left + box["width"] / 48, middle)
        page.wait_for_timeout(300)
        page.mouse.move(left + box["width"] / 47, middle)
        page.mouse.up()
        times.append(settled(page))
    return times


def next_findings(page: Page) -> list[float]:
    """From one finding to the next, by key."""
    page.goto("about:blank")
    page.goto("/#/case/parquet?tab=findings&from=1000&to=1030")
    page.wait_for_selector(".kinds")
    settled(page)
    times = []
    for _ in range(STEPS):
        page.keyboard.press("n")
        times.append(settled(page))
    return times


def slides(page: Page) -> list[float]:
    """A setting moved by key, to the estimate drawn."""
    page.goto("about:blank")
    page.goto("/#/whatif/parquet")
    slider = page.locator("input[type=range]").first
    slider.wait_for()
    slider.focus()
    times = []
    for _ in range(SLIDES):
        page.keyboard.press("ArrowRight")
        times.append(settled(page))
    return times[1:]


SENT = """() => [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]
  .reduce((sum, one) => sum + one.encodedBodySize, 0)"""
FRAMES = """() => {
  window.frames_at = [];
  new MutationObserver(() => window.frames_at.push(performance.now())).observe(
    document.querySelector('.live'), {attributeFilter: ['data-shown']});
}"""
EFFECT = """() => {
  const live = document.querySelector('.live'), before = live.dataset.changed;
  window.effect = null;
  const look = () => {
    const {changed, shown} = live.dataset;
    if (changed === before || Number(shown) <= Number(changed)) return requestAnimationFrame(look);
    setTimeout(() => { window.effect = performance.now() - window.begin; });
  };
  requestAnimationFrame(look);
}"""


def live_frames(page: Page) -> list[float]:
    """Frames drawn in each second of a virtual patient who breathes in real time."""
    page.goto("about:blank")
    page.goto("/#/bench?who=ards-mild")
    page.get_by_role("button", name="Let time pass").click()
    page.wait_for_function(
        "() => Number(document.querySelector('.live').dataset.shown) > 8"
    )  # the first review is over
    page.evaluate(FRAMES)
    page.wait_for_timeout(1000 * LIVE_S)
    at = np.array(page.evaluate("window.frames_at"))
    counts = np.histogram(at - at[0], bins=LIVE_S - 1, range=(0, 1000 * (LIVE_S - 1)))[0]
    return [float(count) for count in counts]


def live_changes(page: Page) -> list[float]:
    """PEEP changed by key on a bench that runs, to the first sample of its doing drawn."""
    page.get_by_role("spinbutton", name="set PEEP").focus()
    times = []
    for i in range(CHANGES):
        page.evaluate(EFFECT)
        page.keyboard.press("ArrowUp" if i % 2 else "ArrowDown")
        page.wait_for_timeout(437)  # not in step with breaths
        times.append(float(page.evaluate("window.effect")))
    return times


def main(hours: float) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        casebook = Path(folder) / "casebook"
        casebook.mkdir()
        pressure, flow = day(hours)
        prepare(casebook, pressure, flow)
        case = casebook / "parquet"
        text = CASE.format(file="day.parquet") + "peep_cmh2o = 8\nrate_per_min = 20\ntidal_volume_ml = 450\n"
        (case / "case.toml").write_text(text, encoding="utf-8")
        begun = time.perf_counter()
        review_case(case, case / "review", keep=True, report=False)
        print(f"{hours:g} h, {len(flow)} samples, reviewed and kept in {time.perf_counter() - begun:.1f} s\n")
        with serving(casebook) as address, chromium() as browser, visit(browser, address, width=1600) as one:
            one.page.add_init_script(WATCH)
            one.page.goto("/")
            one.settled()
            page_bytes = one.page.evaluate(SENT)
            lines = [told("first drawing of the reviewed case, ms", first_drawings(one.page, "/#/case/parquet"), "500")]
            lines.append(told("brush to redraw, half an hour, ms", brushes(one.page), "80 (95th)"))
            lines.append(told("next finding, ms", next_findings(one.page), "100"))
            lines.append(told("what-if slider to redraw, ms", slides(one.page), "50"))
            frames = live_frames(one.page)
            lines.append(f"| live bench, frames a second | {np.median(frames):.0f} | {min(frames):.0f} (least) | 50 |")
            lines.append(told("live bench, changed setting to its effect, ms", live_changes(one.page), "100"))
            resident, own = memory_mib(address)
        arrays = CHANNELS * 8 * len(flow) / 2**20
        print("| what | median | 95th | wanted |\n| --- | --- | --- | --- |")
        print("\n".join(lines))
        print(f"| page over the line, kB compressed | {page_bytes / 1000:.0f} | | 300 |")
        print(f"| server, MiB resident (its own {own:.0f}) | {resident:.0f} | | {3 * arrays:.0f}, 3 × the arrays |")
        print(json.dumps({"rate_hz": RATE_HZ, "arrays_mib": round(arrays)}))


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 24.0)
