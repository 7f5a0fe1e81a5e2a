"""Lessons in real browsers: alone by keyboard, breaths marked, a patient treated; a teacher with three learners."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.workbench import AXE, Visit, chromium, needs_browser, serving, visit
from tests.web.bench import CASE, casebook
from tidebench.lessons import open_lesson
from tidebench.lessons.classroom import Classroom
from tidebench.lessons.learners import perfect
from tidebench.lessons.record import Record
from tidebench.lessons.stage import Stage

pytestmark = needs_browser
expect.set_options(timeout=30_000)  # browsers, a server and reviews share few cores

ALONE, SEED = "trapped-gas", 5
TOGETHER = "reverse-triggers"
RUN = "sudden-low-volume"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("casebook")


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    Stage(open_lesson(ALONE)[0], 1).scene("narrow")  # kernels are compiled before time passes
    with serving(folder) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


def truth(name: str, key: str, seed: int) -> dict[str, object]:
    """The right answer to a step."""
    lesson, folder = open_lesson(name)
    step = next(step for step in lesson.steps if step.key == key)
    return perfect(Stage(lesson, seed, folder), step, np.random.default_rng(0))


def begin(page: Page, name: str, seed: int) -> None:
    """Begin a lesson alone."""
    page.goto(f"/#/lessons/{name}?seed={seed}")
    page.get_by_role("button", name="Begin", exact=True).click()
    at_step(page, 1)


def at_step(page: Page, place: int) -> None:
    expect(page.locator("#step-title")).to_contain_text(re.compile(rf"^{place} of"))
    page.wait_for_timeout(150)  # keys are bound after drawing


def on(page: Page, place: int) -> None:
    """To the next step, by its key."""
    page.evaluate("document.activeElement.blur()")
    page.wait_for_timeout(150)
    page.keyboard.press("n")
    at_step(page, place)


def choose_all(page: Page, ways: dict[str, str]) -> None:
    """Foresee: a way for each quantity, in their order."""
    for group, way in zip(page.locator(".foresee fieldset").all(), ways.values(), strict=True):
        group.get_by_label({"same": "stays about the same"}.get(way, way)).check()
    page.wait_for_timeout(150)


def answer(page: Page) -> None:
    page.keyboard.press("a")
    expect(page.locator(".mark-of")).to_be_visible()


def test_a_lesson_alone_by_keyboard_from_the_shelf_to_its_marks(browser: Browser, address: str, folder: Path) -> None:
    with visit(browser, address) as one:
        page = one.page
        page.goto("/#/lessons")
        expect(page.get_by_role("link", name=re.compile("Trapped gas"))).to_be_visible()
        page.keyboard.press("/")
        page.keyboard.type("trapped gas hold")
        expect(page.locator(".lesson-shelf li")).to_have_count(1)
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.get_by_label("Seed").fill(str(SEED))
        page.get_by_label("Name for the record").fill("Ann")
        page.keyboard.press("Enter")
        at_step(page, 1)
        on(page, 2)
        page.keyboard.press(str(truth(ALONE, "see-it", SEED)["answer"]))
        page.wait_for_timeout(150)
        answer(page)
        expect(page.get_by_role("status").filter(has_text="Right")).to_be_visible()

        on(page, 3)  # a hold, and the number read from it
        page.get_by_label("Pace").select_option("5")
        page.keyboard.press("p")
        page.wait_for_timeout(1500)
        page.keyboard.press("e")
        expect(page.locator(".story")).to_contain_text("Expiratory hold")
        page.wait_for_timeout(2000)
        page.keyboard.press("f")
        page.keyboard.type(f"{truth(ALONE, 'hold', SEED)['value']:.1f}".replace(".", ","))
        page.keyboard.press("Enter")
        expect(page.locator(".mark-of.right")).to_contain_text("expiratory hold")
        one.shot("lesson-hold")

        for place, key in ((4, "fewer"), (5, "faster-flow")):
            on(page, place)
            choose_all(page, truth(ALONE, key, SEED)["ways"])  # type: ignore[arg-type]
            answer(page)
            expect(page.locator(".mark-of.right")).to_be_visible()

        on(page, 6)  # any way that works counts
        page.keyboard.press("p")
        page.keyboard.press("s")
        field = page.get_by_role("spinbutton", name=re.compile("set rate"))
        expect(field).to_be_focused()
        field.fill("11")
        field.press("Enter")
        expect(page.locator(".story")).to_contain_text("Set rate 11 /min")
        one.shot("lesson-act")
        assert one.accessible() == []
        page.get_by_role("button", name="Nothing more").click()
        expect(page.locator(".mark-of.right")).to_contain_text("inside all of them")
        expect(page.locator(".debrief")).to_contain_text("The reference")
        expect(page.locator(".debrief .u-over")).to_have_count(3)
        expect(page.locator(".debrief tbody tr").first).to_contain_text("Set rate 11 /min")
        assert one.accessible() == []
        one.shot("lesson-debrief")
        page.evaluate("document.activeElement.blur()")
        page.wait_for_timeout(150)
        page.keyboard.press("n")
        expect(page.locator(".verdict")).to_contain_text("5 of 5 marks: passed")
        one.shot("lesson-result")
        page.get_by_role("button", name=re.compile("same ones")).click()
        at_step(page, 1)
        assert "seed=5" in page.url
    assert [(row.learner, row.passed) for row in Record(folder / "lessons.sqlite").attempts("Ann")] == [("Ann", 1)]


def test_wrong_answers_show_the_curve_and_progress_is_kept(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        begin(page, ALONE, SEED)
        on(page, 2)
        right = truth(ALONE, "see-it", SEED)["answer"]
        page.keyboard.press("1" if right == 2 else "2")
        page.wait_for_timeout(150)
        answer(page)
        expect(page.locator(".mark-of.wrong")).to_contain_text("Right is:")
        expect(page.locator(".mark-of .u-over")).to_have_count(2)
        page.locator(".mark-of").get_by_text("The same as a table").click()
        expect(page.locator(".mark-of table").last).to_contain_text("highest")
        on(page, 3)
        page.reload()
        at_step(page, 3)
        page.keyboard.press("b")
        at_step(page, 2)
        expect(page.locator(".mark-of.wrong")).to_be_visible()  # the first answer counts
        page.goto("/#/lessons")
        expect(page.get_by_role("link", name=re.compile("Trapped gas"))).to_contain_text("begun here")
        page.get_by_role("link", name=re.compile("Trapped gas")).click()
        page.get_by_role("button", name=re.compile("Go on where it was left")).click()
        at_step(page, 2)


def test_breaths_are_marked_by_mouse_and_by_keyboard(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        begin(page, TOGETHER, 3)
        on(page, 2)
        expect(page.get_by_role("button", name="Breath 4", exact=True)).to_be_visible()
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Space")
        expect(page.get_by_text("Marked: 2.")).to_be_visible()
        place = page.get_by_role("button", name="Breath 4", exact=True).bounding_box()
        curve = page.locator(".u-over").first.bounding_box()
        assert place
        assert curve
        page.mouse.click(place["x"] + place["width"] / 2, curve["y"] + 60)
        expect(page.get_by_text("Marked: 2, 4.")).to_be_visible()
        page.get_by_role("button", name="Breath 2", exact=True).click()
        expect(page.get_by_text("Marked: 4.")).to_be_visible()
        for breath in truth(TOGETHER, "called", 3)["breaths"]:  # type: ignore[attr-defined]
            button = page.get_by_role("button", name=f"Breath {breath}", exact=True)
            if button.get_attribute("aria-pressed") == "false":
                button.click()
        if 4 not in truth(TOGETHER, "called", 3)["breaths"]:  # type: ignore[operator]
            page.get_by_role("button", name="Breath 4", exact=True).click()
        page.keyboard.press("+")  # closer, and what is marked stays
        answer(page)
        expect(page.locator(".mark-of.right")).to_be_visible()


def test_a_bench_that_was_left_goes_on_with_what_was_done(browser: Browser, address: str) -> None:
    with visit(browser, address) as one:
        page = one.page
        begin(page, "leak-and-mask", 2)
        steps = open_lesson("leak-and-mask")[0].steps
        for place, step in enumerate(steps, start=1):
            if place > 1:
                on(page, place)
            if step.kind == "act":
                break
            if step.kind in ("explain", "show"):
                continue
            given = truth("leak-and-mask", step.key, 2)
            if step.kind == "choose":
                page.keyboard.press(str(given["answer"]))
            elif step.kind == "predict":
                choose_all(page, given["ways"])  # type: ignore[arg-type]
            else:
                page.locator("#number").fill(f"{given['value']:.0f}")
                page.keyboard.press("Enter")
            if step.kind != "measure":
                page.wait_for_timeout(150)
                page.keyboard.press("a")
            expect(page.locator(".mark-of")).to_be_visible()
        page.get_by_label("Pace").select_option("5")
        page.keyboard.press("p")
        page.wait_for_timeout(1500)
        page.get_by_role("group", name="Treatments").get_by_role("button").first.click()
        expect(page.locator(".story li")).to_have_count(1)
        expect(page.get_by_text("Hands are busy")).to_be_visible()
        did = page.locator(".story").inner_text()
        page.reload()
        expect(page.locator(".story")).to_have_text(re.compile(did.split("\n")[-1]))
        expect(page.get_by_role("button", name="Let time go on")).to_be_visible()


def test_a_learner_at_a_patient_goes_on_unasked_when_the_server_is_back(browser: Browser, tmp_path: Path) -> None:
    room = Classroom(Record(tmp_path / "lessons.sqlite"))
    opened = room.open(RUN)
    room.steer(opened.teacher, place=next(k for k, step in enumerate(open_lesson(RUN)[0].steps) if step.kind == "act"))
    room.record.close()
    with ExitStack() as until_stopped, ExitStack() as browsing:
        address = until_stopped.enter_context(serving(tmp_path))
        one = browsing.enter_context(visit(browser, address))
        page = one.page
        page.goto(f"/#/class/{opened.link}")
        page.get_by_role("button", name="Join", exact=True).click()
        page.get_by_role("button", name=re.compile("^Let time pass")).click()
        page.get_by_role("group", name="Treatments").get_by_role("button").first.click()
        expect(page.locator(".story li")).to_have_count(1)
        until_stopped.close()
        expect(page.get_by_text("the line is tried again")).to_be_visible()
        page.get_by_role("button", name="Nothing more").click()
        expect(page.get_by_text("Nothing was done.")).to_be_visible()
        browsing.enter_context(serving(tmp_path, int(address.rstrip("/").rsplit(":", 1)[1])))
        expect(page.get_by_text("the line is tried again")).to_have_count(0)
        expect(page.locator(".story li")).to_have_count(1)
        page.get_by_role("button", name="Nothing more").click()
        expect(page.locator(".debrief")).to_contain_text("You 1")
        page.close()
        one.faults.clear()  # the browser tells of each request that nobody answered


def joined(one: Visit, link: str, name: str) -> Page:
    """Somebody comes by the link that is projected."""
    one.page.goto(link)
    one.page.get_by_label("Your name").fill(name)
    one.page.get_by_role("button", name="Join", exact=True).click()
    at_step(one.page, 1)
    return one.page


def test_a_teacher_leads_three_learners_and_lets_go(browser: Browser, address: str) -> None:
    with (
        visit(browser, address) as teacher, visit(browser, address) as one, visit(browser, address, dark=True) as two,
        visit(browser, address, width=820, height=1180) as three,
    ):  # fmt: skip
        page = teacher.page
        page.goto(f"/#/teach?lesson={TOGETHER}")
        expect(page.get_by_label("Lesson")).to_have_value(TOGETHER)
        page.get_by_label("Each learner has patients").uncheck()
        page.get_by_role("button", name="Open the session").click()
        page.get_by_role("button", name="The link").click()
        link = page.locator(".address").inner_text()
        page.keyboard.press("Escape")
        ann, ben, nobody = (joined(who, link, name) for who, name in ((one, "Ann"), (two, "Ben"), (three, "")))
        rows = page.locator("aside tbody tr")
        expect(rows).to_have_count(3)
        expect(rows.nth(2)).to_contain_text("learner 3")
        expect(ann.get_by_role("navigation", name="Rooms")).to_have_count(0)

        page.keyboard.press("n")
        for learner in (ann, ben, nobody):
            at_step(learner, 2)
            expect(learner.get_by_text("The teacher waits for your answer.")).to_be_visible()
        for learner, breaths in ((ann, (1, 2)), (ben, (1, 2)), (nobody, (5,))):
            for breath in breaths:
                learner.get_by_role("button", name=f"Breath {breath}", exact=True).click()
            answer(learner)
        expect(page.locator("#answers")).to_contain_text("3 of 3 answered")
        expect(page.locator(".spread")).to_have_count(0)  # not before the teacher shows it
        page.keyboard.press("s")
        expect(page.locator(".spread li").first).to_contain_text("1, 2")
        expect(page.locator(".spread li").first.get_by_role("meter")).to_have_attribute("aria-valuenow", "2")
        assert "Ann" not in page.locator(".spread").inner_text()
        page.keyboard.press("t")
        expect(page.locator(".mark-of")).to_contain_text("What the truth shows")
        teacher.shot("class-teacher")
        three.shot("class-learner")

        page.keyboard.press("l")
        expect(page.locator("h1")).to_contain_text("let go")
        expect(ann.get_by_role("button", name=re.compile("^Next"))).to_be_visible()
        on(ann, 3)
        expect(rows.first).to_contain_text("3")
        expect(ben.locator("#step-title")).to_contain_text("2 of")
        page.keyboard.press("l")
        at_step(ann, 2)  # back where the teacher is
        ben.reload()
        at_step(ben, 2)
        expect(ben.locator(".mark-of")).to_be_visible()
        page.get_by_role("button", name="Close the class").click()
        expect(ben.get_by_text("The teacher has closed the class.")).to_be_visible()


def test_a_teacher_opens_the_run_of_one_learner_by_seat(browser: Browser, address: str) -> None:
    lesson, _ = open_lesson(RUN)
    place, step = next((place, step) for place, step in enumerate(lesson.steps, start=1) if step.kind == "act")
    with visit(browser, address) as teacher, visit(browser, address) as one:
        page = teacher.page
        page.goto(f"/#/teach?lesson={RUN}")
        expect(page.get_by_label("Lesson")).to_have_value(RUN)
        page.get_by_role("button", name="Open the session").click()
        page.get_by_role("button", name="The link").click()
        link = page.locator(".address").inner_text()
        page.keyboard.press("Escape")
        ann = joined(one, link, "Ann")
        expect(ann.locator("h1")).to_contain_text("seat 1")
        page.get_by_role("button", name=step.title).click()
        at_step(ann, place)
        expect(page.get_by_text("as soon as somebody has finished it")).to_be_visible()
        ann.keyboard.press("p")
        ann.get_by_role("group", name="Treatments").get_by_role("button").first.click()
        expect(ann.locator(".story li")).to_have_count(1)
        ann.get_by_role("button", name="Nothing more").click()
        expect(ann.locator(".debrief")).to_contain_text("1, 2, … what you did")
        page.get_by_role("button", name="Seat 1", exact=True).click()
        told = page.locator(".debrief")
        expect(told).to_contain_text("The run at seat 1, looked at afterwards")
        expect(told).to_contain_text("The learner 1")
        assert "Ann" not in told.inner_text()
        assert told.locator("p").first.inner_text() == ann.locator(".debrief p").first.inner_text()
        assert teacher.accessible() == []
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        teacher.shot("class-debrief")
        page.get_by_role("button", name="Seat 1", exact=True).click()
        expect(told).to_have_count(0)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_audit_of_the_lessons_finds_nothing(browser: Browser, address: str, dark: bool) -> None:
    if not AXE.is_file():
        pytest.skip("axe-core isn't installed: npm ci in the page's folder")
    kind = "dark" if dark else "light"
    with visit(browser, address, dark=dark) as one:
        page = one.page
        page.goto("/#/lessons")
        expect(page.locator(".lesson-shelf li").first).to_be_visible()
        assert one.accessible() == []
        one.shot(f"lessons-{kind}")
        begin(page, TOGETHER, 3)
        assert one.accessible() == []
        on(page, 2)
        page.get_by_role("button", name="Breath 1", exact=True).click()
        assert one.accessible() == []
        answer(page)
        assert one.accessible() == []
        one.shot(f"lesson-marked-{kind}")
        page.goto("/#/teach")
        expect(page.get_by_label("Lesson")).to_have_value(re.compile("."))
        assert one.accessible() == []
        page.get_by_role("button", name="Open the session").click()
        expect(page.get_by_text("0 joined")).to_be_visible()
        assert one.accessible() == []
        page.goto("/#/class/nothing")
        expect(page.get_by_role("button", name="Join", exact=True)).to_be_visible()
        assert one.accessible() == []


@pytest.mark.parametrize("width", [390, 820, 1920])
def test_nothing_is_cut_off_on_a_telephone_a_tablet_or_a_projector(browser: Browser, address: str, width: int) -> None:
    with visit(browser, address, width=width, height=900) as one:
        page = one.page

        def whole(name: str) -> None:
            assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, name
            one.shot(f"lessons-{width}-{name}")

        page.goto("/#/lessons")
        expect(page.locator(".lesson-shelf li").first).to_be_visible()
        whole("shelf")
        begin(page, TOGETHER, 3)
        on(page, 2)
        whole("find")
        page.get_by_role("button", name="Breath 1", exact=True).click()
        answer(page)
        whole("marked")
        page.goto("/#/teach")
        expect(page.get_by_label("Lesson")).to_have_value(re.compile("."))
        whole("open")
        page.get_by_role("button", name="Open the session").click()
        expect(page.get_by_text("0 joined")).to_be_visible()
        whole("teach")


def test_a_rehearsed_change_and_a_reviewed_case_are_made_lessons(
    browser: Browser, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = casebook(tmp_path_factory.mktemp("made"))
    with serving(folder) as address, visit(browser, address) as one:
        page = one.page
        page.goto(f"/#/whatif/{CASE}?set=tidal_volume_ml:300")
        page.get_by_text("Make a lesson of this change").click(timeout=120_000)
        page.get_by_label("Title").fill("Smaller breaths")
        page.get_by_role("button", name="Make a lesson of this").click()
        page.get_by_role("link", name="look at it").click(timeout=120_000)
        expect(page.get_by_role("heading", name="Smaller breaths")).to_be_visible()
        page.goto(f"/#/case/{CASE}?tab=save")
        page.get_by_role("button", name="Make a lesson of this").click()
        made = page.get_by_text("It stands among the lessons").or_(page.get_by_role("alert"))
        expect(made).to_be_visible(timeout=120_000)
        one.shot("lesson-made")
        page.goto("/#/lessons")
        expect(page.locator(".lesson-shelf li").last).to_contain_text("your own")
