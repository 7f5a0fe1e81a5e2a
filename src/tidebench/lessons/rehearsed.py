"""A lesson made of a rehearsed change: a patient like the fitted one, drawn near it, and what the change would do.

What goes along are the fitted lung, effort and leak, rounded and varied, and the settings. Dates, notes, titles, sex,
age and height do not; the weight is rounded to one figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit

from tidebench.errors import OptionError
from tidebench.fitting.fit import Fit
from tidebench.fitting.mechanics import TURBULENCE
from tidebench.fitting.predict import predict
from tidebench.lessons.format import FILE, Lesson, Predict, lesson_from
from tidebench.lessons.stage import Stage
from tidebench.lessons.truths import TRUTHS
from tidebench.simulation.scenario import Scenario
from tidebench.store import new_folder
from tidebench.views.wording import change_words

PATIENT = "fitted"
NEAR = (0.9, 1.1)  # times the fitted value: each learner gets another patient (this house's choice)
SETTLED_S, CHANGED_S, SHOWN_S, OVER_S = 40.0, 60.0, 100.0, 15.0
SAME_SHARE, SAME_LEAST = 0.06, 0.3  # of a value, and in its unit, within which it stays the same
ASKABLE = (
    "peak_pressure_cmh2o", "plateau_pressure_cmh2o", "vte_ml", "minute_volume_l_min", "intrinsic_peep_cmh2o",
    "driving_pressure_cmh2o", "rate_per_min",
)  # fmt: skip
MOST_ASKS = 3
LEFT_OUT = {"at_s", "inspiratory_pressure_cmh2o"}


def make_change_lesson(fit: Fit, settings: Mapping[str, Any], out: Path, title: str = "") -> list[str]:
    """Make a lesson of a change of settings on a fitted patient, in the new folder ``out``; what is asked, in words.

    Raises
    ------
    CaseError, FitError
        The change can't be rehearsed.
    OptionError
        Nothing is changed.
    OutputError
        The folder can't be written.
    """
    now, then = (predict(fit, changes, n=1).estimate.scenario for changes in ({}, settings))
    before, after = _setting(now), _setting(then)
    changes = {key: value for key, value in after.items() if before.get(key) != value}
    if not changes:
        raise OptionError("nothing is changed", where="lesson", remedy="Move a setting first.")
    words = change_words({key: (before.get(key), value) for key, value in changes.items()})
    tables = _tables(_scenario(fit, now, before), changes, words, fit.drive is None, title)
    tables["steps"][-1]["asks"] = _asks(lesson_from(tables, name=FILE))
    lesson = lesson_from(tables, name=FILE)
    with new_folder(out) as draft:
        (draft / FILE).write_text(tomlkit.dumps(tables), encoding="utf-8", newline="\n")
    return [f"{step.kind}: {step.title.lower()}" for step in lesson.asked]


def _setting(scenario: Scenario) -> dict[str, Any]:
    told = scenario.settings[0].model_dump(mode="json", exclude_none=True, exclude=LEFT_OUT)
    return {key: _round(value) for key, value in told.items()}


def _round(value: Any) -> Any:
    return float(f"{value:.3g}") if isinstance(value, float) else value


def _scenario(fit: Fit, now: Scenario, setting: dict[str, Any]) -> dict[str, Any]:
    """The fitted patient as a scenario; the tube's loss is taken for one that grows with flow alone."""
    lungs, efforts = fit.draws(1)
    flow = fit.recorded.get("vti_ml", 0.0) / 1000 / max(0.2, fit.recorded.get("inspiratory_time_s", 1.0))
    tube = (fit.tube[0] if fit.mechanics.known_square else 0.0) + float(lungs[0, TURBULENCE]) * flow
    parts = [part.model_dump(mode="json", exclude_none=True) for part in now.lung.compartments]
    for part in parts:
        for key in ("resistance_cmh2o_s_l", "expiratory_resistance_cmh2o_s_l"):
            if key in part:
                part[key] = _round(part[key] + tube * len(parts))
        if "compliance_ml_cmh2o" in part:
            part["compliance_ml_cmh2o"] = _round(part["compliance_ml_cmh2o"])
    tables: dict[str, Any] = {
        "title": "a fitted patient",
        "lung": {"compartments": parts},
        "ventilator": {"valve_resistance_cmh2o_s_l": _round(fit.valve_cmh2o_s_l)},
        "settings": [setting],
    }
    if (weight := fit.window.review.case.patient.weight_kg) is not None:
        tables["patient"] = {"weight_kg": float(f"{weight:.1g}")}
    if fit.leak:
        tables["leak"] = {key: _round(value) for key, value in fit.leak.items()}
    if fit.drive is not None:
        size, time, rate = (float(value) for value in efforts[0][:3])
        tables["effort"] = {
            "size_cmh2o": _round(size), "neural_time_s": _round(time), "rate_per_min": _round(rate),
            "rate_cv": _round(fit.drive.rate_cv),
        }  # fmt: skip
    return tables


def _asks(lesson: Lesson) -> list[dict[str, Any]]:
    """What the change moves most, and one thing that it doesn't."""
    step, stage = lesson.steps[-1], Stage(lesson, 1)
    assert isinstance(step, Predict)
    scene, found = stage.after(step), []
    for key in ASKABLE:
        was, is_ = (scene.told(key, end - OVER_S, end) for end in (CHANGED_S, CHANGED_S + SHOWN_S))
        if was is not None and is_ is not None:
            same = max(SAME_SHARE * abs(was), SAME_LEAST)
            found.append((abs(is_ - was) / same, key, round(same, 2)))
    moved = sorted(found, reverse=True)
    chosen = moved[: MOST_ASKS - 1] + moved[MOST_ASKS - 1 :][-1:]
    return [{"truth": key, "same": same} for _, key, same in chosen]


def _tables(scenario: dict[str, Any], changes: dict[str, Any], words: str, passive: bool, title: str) -> dict[str, Any]:
    compliant = [part for part in scenario["lung"]["compartments"] if "compliance_ml_cmh2o" in part]
    parts = "lung.compartments.*"
    times = {f"{parts}.resistance_cmh2o_s_l": NEAR}
    if compliant:
        times[f"{parts}.compliance_ml_cmh2o"] = NEAR
    figure = {"patient": PATIENT, "from_s": SETTLED_S, "to_s": SETTLED_S + 20.0}
    steps: list[dict[str, Any]] = [
        {
            "kind": "explain", "key": "who", "title": "Like one that was recorded",
            "text": "This patient was fitted to a recording, and is drawn near it: look at its breaths first.",
            "minutes": 1.0, "figure": figure,
        },
        _number("peak_pressure_cmh2o", figure, [], "The highest point of the curve."),
    ]  # fmt: skip
    if passive:
        held = {**figure, "to_s": SETTLED_S + 30.0}
        steps.append(_number("plateau_pressure_cmh2o", held, ["inspiratory hold"], "When flow stops, the pressure "
                             "at the mouth becomes that of the lung: read it when it is flat."))  # fmt: skip
    else:
        steps.append(_number("rate_per_min", figure, [], "Breaths counted over the stretch, and made a minute."))
    steps.append({
        "kind": "predict", "key": "change", "title": "A change of settings", "objective": "foresee", "minutes": 3.0,
        "text": f"Then: {words}. What follows?", "at_s": CHANGED_S, "over_s": OVER_S, "settings": changes,
        "asks": [{"truth": key, "same": SAME_LEAST} for key in ASKABLE[:1]],
        "why": "This is what the fitted patient does; in the one that was recorded it may come otherwise.",
        "figure": {**figure, "to_s": CHANGED_S + SHOWN_S},
    })  # fmt: skip
    return {
        "title": title or "A change of settings",
        "audience": "nurses, therapists and physicians in intensive care",
        "minutes": max(3, round(sum(step["minutes"] for step in steps))),
        "objectives": [
            {"key": "read", "text": "Reads numbers from the curves of a patient like a recorded one."},
            {"key": "foresee", "text": "Foresees what a change of settings does to it."},
        ],
        "cautions": ["A patient fitted to a recording, and varied: a rehearsal on a model, not that person."],
        "sources": ["A patient fitted to a recorded stretch; common practice, no source."],
        "handout": ["Write here what should be remembered of this change."],
        "skills": ["Says at the bed what a change of settings will do before it is made"],
        "patients": {PATIENT: {"scenario": scenario, "times": {key: list(span) for key, span in times.items()}}},
        "steps": steps,
    }


def _number(key: str, figure: dict[str, Any], needs: list[str], why: str) -> dict[str, Any]:
    known = TRUTHS[key]
    return {
        "kind": "measure", "key": key.replace("_", "-"), "title": known.label.capitalize(), "objective": "read",
        "text": f"Give the {known.label}.", "minutes": 2.0, "truth": key, "tolerance": 1.0, "tolerance_percent": 8.0,
        "needs": needs, "why": why, "figure": figure,
    }  # fmt: skip
