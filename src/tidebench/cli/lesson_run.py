"""A lesson taken at the terminal: what is asked, what is answered, what it was worth."""

from __future__ import annotations

import math
import secrets
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tidebench.cli.printing import as_is, ask, heading, lines, say

if TYPE_CHECKING:
    from rich.console import Console

    from tidebench.lessons.format import Act, Measure, Predict
    from tidebench.lessons.marking import Mark
    from tidebench.lessons.session import Session
    from tidebench.lessons.stretch import Stretch

WAYS = {"f": "falls", "s": "same", "r": "rises"}
LEAVE = "q"
MOST_SEED = 1_000_000
SEEN = ("peak_pressure_cmh2o", "vte_ml", "rate_per_min", "minute_volume_l_min", "etco2_mmhg", "sao2_percent")
SAMPLED = ("ph", "paco2_mmhg")
LOOK_S = 20.0


class LeaveError(Exception):
    """The learner leaves; what was answered is kept."""


def take(name: str, seed: int | None, learner: str, site: str, record: Path, figures: Path, resume: int | None) -> None:
    """Take a lesson from its start, or go on with an attempt."""
    from rich.console import Console

    from tidebench.caution import CAUTION
    from tidebench.lessons.record import Record
    from tidebench.lessons.session import Session
    from tidebench.lessons.shelf import open_lesson

    console = Console(highlight=False)
    lesson, folder = open_lesson(name)
    kept = Record(record)
    if resume is not None:
        attempt, session = resume, kept.resumed(resume, lesson, folder)
    else:
        session = Session(lesson, secrets.randbelow(MOST_SEED) if seed is None else seed, folder)
        attempt = kept.begin(name, lesson, session.seed, learner, site)
    heading(lesson.title, console)
    say(f"For {lesson.audience}. About {lesson.minutes} min. Attempt {attempt}, seed {session.seed}.", console)
    lines((row.text for row in lesson.objectives), console)
    lines(lesson.cautions, console, "!  ")
    say(f"An answer of {LEAVE} leaves; --resume {attempt} goes on.", console)
    try:
        while not session.done:
            _step(session, console, figures)
            found = session.mark
            if found is not None:
                kept.keep(attempt, session.answers[session.step.key], found)
            session.go_on()
            kept.walked(attempt, session.place)
    except (LeaveError, EOFError):
        say(f"Left. Go on with: tidebench lesson run {name} --resume {attempt}", console)
        return
    kept.end(attempt, session)
    _result(session, console)
    say(CAUTION, console, "italic")


def _step(session: Session, console: Console, figures: Path) -> None:
    from tidebench.lessons.format import ASKED
    from tidebench.lessons.session import asked_words, patient_words

    step, stage = session.step, session.stage
    heading(f"{session.place + 1} of {len(session.lesson.steps)}  {step.title}", console)
    say(step.text, console)
    lines(patient_words(stage, step), console)
    seen = session.look()
    if seen is not None:
        _figure(seen, figures / f"{session.place + 1}-{step.key}.svg", console)
        _numbers(seen, console)
    lines(asked_words(stage, step), console, "   ")
    if not isinstance(step, ASKED) or session.mark is not None:
        return
    while session.mark is None:
        _answered(session, console)
    _marked(session.marks[step.key], figures / f"{session.place + 1}-{step.key}-proof.svg", console)


def _answered(session: Session, console: Console) -> None:
    """One answer; one that can't be is said, and asked for again."""
    from tidebench.errors import TidebenchError

    try:
        session.answer(_answer(session, console))
    except TidebenchError as error:
        say(f"That can't be: {error}", console)


def _figure(seen: Stretch, path: Path, console: Console) -> None:
    from tidebench.lessons.draw import picture, write_picture

    say(f"Figure: {write_picture(picture(seen), path).resolve()}", console)


def _numbers(seen: Stretch, console: Console) -> None:
    """The figure's breaths as a table, for those who can't open it."""
    from rich.table import Table

    if not seen.breaths:
        return
    heads, rows = seen.table()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for head in heads:
        table.add_column(as_is(head), justify="right")
    for row in rows:
        table.add_row(*row)
    console.print(table)


def _put(question: str) -> str:
    answer = ask(question).strip()
    if answer.lower() == LEAVE:
        raise LeaveError
    return answer


def _parsed(said: str) -> float:
    """What was typed as a number, NaN where it is none."""
    try:
        value = float(said.replace(",", "."))
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def _number(question: str, console: Console, least: float = -math.inf) -> float:
    """A number, with a decimal point or comma; asked for again until it is one."""
    while True:
        said = _put(question)
        if (value := _parsed(said)) >= least:
            return value
        say(f"{said!r} is not a number{f' of {least:g} or more' if least > -math.inf else ''}.", console)


def _place(question: str, console: Console) -> int:
    """A whole number, 1 or more; asked for again until it is one."""
    while not (value := _number(question, console, 1.0)).is_integer():
        say(f"{value:g} is not a whole number.", console)
    return int(value)


def _places(question: str, console: Console) -> list[int]:
    """Whole numbers with spaces or commas between; asked for again until they are."""
    while True:
        words = _put(question).replace(",", " ").split()
        if wrong := [word for word in words if not word.isdecimal()]:
            say(f"{wrong[0]!r} is not the number of a breath.", console)
        else:
            return [int(word) for word in words]


def _answer(session: Session, console: Console) -> dict[str, Any]:
    from tidebench.lessons.format import Act, Find, Measure, Predict

    step = session.step
    if isinstance(step, Find):
        return {"breaths": _places("Breaths, with spaces:", console)}
    if isinstance(step, Measure):
        return _measured(session, step, console)
    if isinstance(step, Predict):
        return {"ways": _ways(step)}
    if isinstance(step, Act):
        return {"actions": _acted(session, step, console)}
    return {"answer": _place("Which?", console)}


def _ways(step: Predict) -> dict[str, str]:
    from tidebench.lessons.truths import TRUTHS

    return {
        row.truth: WAYS[said]
        if (said := _put(f"{TRUTHS[row.truth].label}: f(alls), s(ame), r(ises)?")) in WAYS
        else said
        for row in step.asks
    }


def _measured(session: Session, step: Measure, console: Console) -> dict[str, Any]:
    from tidebench.lessons.format import Action
    from tidebench.lessons.session import shown
    from tidebench.lessons.stretch import stretch

    done: list[dict[str, Any]] = []
    for kind in step.needs:
        at = _moment(f"{kind} at which second, {step.figure.from_s:g} to {step.figure.to_s:g}? (empty: none)", console)
        if at is not None:
            done.append({"at_s": at, "kind": kind})
    if done:
        actions = [Action(at_s=row["at_s"], manoeuvre=row["kind"]) for row in done]
        scene, figure = session.stage.held(step.figure.patient, actions), step.figure
        seen = stretch(scene, figure.from_s, figure.to_s, figure.channels, step.title)
        for row in done:
            _read(seen, row["at_s"], row["kind"], console)
    else:
        assert shown(session.stage, step) is not None
    return {"value": _number("The value:", console), "manoeuvres": done}


def _moment(question: str, console: Console) -> float | None:
    """A moment; None where nothing is said."""
    while said := _put(question):
        if not math.isnan(value := _parsed(said)):
            return value
        say(f"{said!r} is not a number.", console)
    return None


def _read(seen: Stretch, at_s: float, kind: str, console: Console) -> None:
    """The pressure through a manoeuvre, every half second from the moment it was asked for."""
    pressure = seen.channels.get("airway_pressure")
    if pressure is None:
        return
    moments = [at_s + 0.5 * k for k in range(20)]
    told = [
        f"{at:.1f} s {float(pressure[place]):.1f}"
        for at in moments
        if 0 <= (place := round((at - seen.time_s[0]) / (seen.time_s[1] - seen.time_s[0]))) < len(pressure)
    ]
    say(f"Pressure after the {kind} was asked for (cmH2O): {', '.join(told)}", console)


def _acted(session: Session, step: Act, console: Console) -> list[dict[str, Any]]:
    """What is done at the running patient, until its time is over."""
    actions: list[dict[str, Any]] = []
    now = 0.0
    choices = ["change a setting", "wait", "look", *(row.text for row in step.treatments), "end: let the time run out"]
    while now < step.within_s:
        _look(session, step, actions, now, console)
        lines((f"{place}  {words}" for place, words in enumerate(choices, start=1)), console, "   ")
        said = _place(f"{now:.0f} of {step.within_s:.0f} s. What do you do?", console)
        if said == len(choices):
            break
        if said == 1:
            key = _put(f"Which: {', '.join(step.may)}?")
            change = {"at_s": now, "settings": {key: _number("To what value?", console)}}
            if _can_be(session, step, [*actions, change], console):
                actions.append(change)
                now += 1.0
        elif said in (2, 3):
            now += _number("How many seconds?", console, 0.0) if said == 2 else 0.0
        elif 4 <= said < len(choices):
            treatment = step.treatments[said - 4]
            actions.append({"at_s": now, "treatment": treatment.key})
            now += treatment.takes_s
    return [row for row in actions if row["at_s"] < step.within_s]


def _can_be(session: Session, step: Act, actions: list[dict[str, Any]], console: Console) -> bool:
    """Whether these may be done; said where not, so that what was done before it stands."""
    from tidebench.errors import TidebenchError
    from tidebench.lessons.format import Action
    from tidebench.lessons.scene import checked

    try:
        told = [Action.model_validate(row) for row in actions]
        checked(step, told)
        session.stage.done(step, told)
    except TidebenchError as error:
        say(f"That can't be: {error}", console)
        return False
    return True


def _look(session: Session, step: Act, actions: list[dict[str, Any]], now: float, console: Console) -> None:
    from tidebench.lessons.format import Action
    from tidebench.lessons.truths import TRUTHS

    scene = session.stage.done(step, [Action.model_validate(row) for row in actions])
    end = step.from_s + now
    told = [
        f"{TRUTHS[key].label} {TRUTHS[key].text(value)}"
        for key in (*SEEN, *SAMPLED)
        if (value := scene.told(key, end - LOOK_S, end)) is not None
    ]
    say(f"Over the last {LOOK_S:.0f} s: {', '.join(told) or 'no breath'}.", console)


def _marked(found: Mark, path: Path, console: Console) -> None:
    say(f"{100 * found.points:.0f} % of the marks. {found.said}", console, "bold")
    lines((f"{part.what}: you {part.yours}; truth {part.truth}" for part in found.parts), console)
    if found.proof is not None:
        say("See for yourself:", console)
        _figure(found.proof, path, console)


def _result(session: Session, console: Console) -> None:
    result = session.result()
    heading("What it came to", console)
    say(
        f"{result.points:.1f} of {result.of:.0f} marks: {'passed' if result.passed else 'not passed'}.", console, "bold"
    )
    for row in session.lesson.objectives:
        points, of = result.objectives[row.key]
        lines([f"{row.text} {points:.1f} of {of:.0f}"], console)
    say("A quiz is not competency: what an assessor watches at the bed is kept with `tidebench lesson record observe`.",
        console)  # fmt: skip


def print_debriefs(record: Path, attempt: int, figures: Path) -> None:
    """Print the debriefs of an attempt, and draw each."""
    from rich.console import Console

    from tidebench.errors import OptionError
    from tidebench.lessons.debrief import debriefs, summary
    from tidebench.lessons.draw import debrief_picture, write_picture
    from tidebench.lessons.record import Record
    from tidebench.lessons.shelf import open_lesson

    kept = Record(record)
    one = next((row for row in kept.attempts() if row.id == attempt), None)
    if one is None:
        raise OptionError(f"there is no attempt {attempt}", where=str(record))
    lesson, folder = open_lesson(one.lesson)
    session = kept.resumed(attempt, lesson, folder)
    console = Console(highlight=False)
    found = debriefs(session)
    if not found:
        say("Nothing was done at a running patient in this attempt.", console)
    for told in found:
        heading(told.title, console)
        say(summary(told), console)
        lines((f"{row.at_s:5.0f} s  {row.who}: {row.text}" for row in told.rows), console, "")
        for limit in told.limits:
            lines([f"{limit.words}: inside {limit.inside_s:.0f} s; the reference {limit.reference_inside_s:.0f} s"],
                  console)  # fmt: skip
        path = figures / f"{attempt}-{told.key}-debrief.svg"
        say(f"Figure: {write_picture(debrief_picture(told), path).resolve()}", console)
