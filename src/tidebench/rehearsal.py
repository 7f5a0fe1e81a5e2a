"""A rehearsal from a case on disk to a result on disk: fit, now, then, figures, put whole."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tidebench.case import load_case
from tidebench.caution import CAUTION
from tidebench.errors import OptionError
from tidebench.findings import RULES
from tidebench.fitting.change import WhatIf, what_if
from tidebench.fitting.compare import TOLD
from tidebench.fitting.course import Course, course
from tidebench.fitting.fit import fit_patient
from tidebench.fitting.sweep import Range, Sweep, sweep
from tidebench.fitting.target import Bound, Search, seek
from tidebench.quantities import QUANTITIES
from tidebench.readers import open_recording
from tidebench.results import policy_for
from tidebench.review import review
from tidebench.store import Identity, keep_other_results, new_result

Progress = Callable[[str, float], None]
CURVES = ("airway_pressure", "flow", "volume")
USUAL = "driving_pressure_cmh2o"
"""What a sweep draws unless said; peak pressure where the patient breathes."""


@dataclass(frozen=True)
class Asked:
    """What is to be rehearsed.

    Attributes
    ----------
    settings : mapping
        Changed settings.
    from_s, to_s : float or None
        The stretch; the best is proposed where both are None.
    assume : mapping
        A lung that a person names.
    ranges : sequence of Range
        Settings to sweep.
    show : str or None
        The quantity that a sweep draws.
    target : (str, float) or None
        A quantity and the value to seek.
    bounds : sequence of Bound
        What a search keeps inside.
    seed : int
    reacting : bool
        Let drive follow carbon dioxide and load.
    minutes : float or None
        Follow blood gases for so long after the change.
    """

    settings: Mapping[str, Any]
    from_s: float | None = None
    to_s: float | None = None
    assume: Mapping[str, float] | None = None
    ranges: Sequence[Range] = ()
    show: str | None = None
    target: tuple[str, float] | None = None
    bounds: Sequence[Bound] = ()
    seed: int = 0
    reacting: bool = False
    minutes: float | None = None


@dataclass(frozen=True)
class Rehearsal:
    """What came out: the change rehearsed, and a sweep, a search and a course of gases where they were asked for."""

    answer: WhatIf
    swept: Sweep | None = None
    sought: Search | None = None
    course: Course | None = None


def whatif_case(
    path: Path | str,
    out: Path | str,
    asked: Asked,
    *,
    policy: Path | str | None = None,
    progress: Progress | None = None,
) -> Rehearsal:
    """Review a case, fit a patient, rehearse a change, and put the folder ``out``, whole or not at all.

    Raises
    ------
    InputError
        The case, its recording, an option or the place can't be used; no patient can be fitted.
    SimulationError
        A drawn patient for whom the simulation can't go on.
    """
    tell = progress or (lambda _stage, _share: None)
    _refuse_loose_ends(asked)
    case = load_case(Path(path))
    house = policy_for(case, policy)
    keep_other_results(Path(out), "rehearsed", "rehearsal")
    with new_result(Path(out)) as draft:
        reviewed = review(case, open_recording(case), policy=house, progress=tell)
        tell("fitting", 0.0)
        fit = fit_patient(reviewed, asked.from_s, asked.to_s, assume=asked.assume)
        tell("fitting", 1.0)
        done = what_if(fit, asked.settings, seed=asked.seed, reacting=asked.reacting)
        swept = sweep(fit, asked.ranges, asked.settings, asked.seed, tell) if asked.ranges else None
        sought = seek(fit, *asked.target, asked.bounds, asked.settings, progress=tell) if asked.target else None
        followed = course(fit, asked.settings, asked.minutes) if asked.minutes is not None else None
        rehearsal = Rehearsal(done, swept, sought, followed)
        options = {"rehearsed": True, "set": dict(asked.settings), "seed": asked.seed, "reacting": asked.reacting}
        options["policy"] = house.identity if house else None
        draft.identity = Identity(reviewed.summary["recording_id"], case.case_hash, options, RULES)
        write_files(rehearsal, asked, draft.folder, draft.identity.metadata)
    return rehearsal


def write_files(rehearsal: Rehearsal, asked: Asked, folder: Path, metadata: Mapping[str, str]) -> None:
    """``whatif.json``, ``signals.parquet``, figures, the sweep's table, and all of it in print, ``whatif.pdf``."""
    from tidebench.report.rehearsal import course_figure, sweep_figure, waves_figure
    from tidebench.report.write import rehearsal_bytes

    text = json.dumps(as_json(rehearsal), ensure_ascii=False, indent=2, allow_nan=False)
    (folder / "whatif.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    signals(rehearsal.answer).write_parquet(folder / "signals.parquet", metadata=dict(metadata))
    (folder / "waves.svg").write_text(waves_figure(rehearsal.answer).standing_alone, encoding="utf-8")
    pictures = []
    if rehearsal.course is not None:
        told = rehearsal.course
        followed = {"minutes": told.minutes}
        for key, values in told.gases.items():
            followed |= {key: values, f"{key}_low": told.low[key], f"{key}_high": told.high[key]}
        pl.DataFrame(followed).with_columns(pl.all().round(4)).write_csv(folder / "course.csv")
        drawn = course_figure(rehearsal.course, rehearsal.answer)
        (folder / "course.svg").write_text(drawn.standing_alone, encoding="utf-8")
        pictures.append((drawn, "Blood gases over the minutes after the change."))
    if rehearsal.swept is not None:
        table_of(rehearsal.swept).write_csv(folder / "sweep.csv")
        shown = asked.show or usual(rehearsal.answer)
        if not any(shown in point.quantities for point in rehearsal.swept.points):
            raise OptionError(f"{shown} can't be told of this patient", where="--show", expected="another quantity")
        drawn = sweep_figure(rehearsal.swept, shown, rehearsal.answer)
        (folder / "sweep.svg").write_text(drawn.standing_alone, encoding="utf-8")
        pictures.append((drawn, "Settings moved through what was asked, all else as in the change."))
    (folder / "whatif.pdf").write_bytes(rehearsal_bytes(rehearsal.answer, rehearsal.sought, pictures))


def _refuse_loose_ends(asked: Asked) -> None:
    """Refuse options that have no use without another, and a seed that draws nothing."""
    if asked.bounds and asked.target is None:
        raise OptionError("bounds have a use with a target alone", where="--within", expected="--target KEY=VALUE too")
    if asked.target is not None and asked.minutes is not None:
        raise OptionError(
            "gases can't be followed after a search: it proposes several changes", where="--minutes",
            expected="--set with the settings of one way, and no --target",
        )  # fmt: skip
    if asked.show is not None and not asked.ranges:
        raise OptionError("it is drawn along a range alone", where="--show", expected="--sweep KEY=FROM:TO:STEP too")
    if asked.seed < 0:
        raise OptionError(f"is {asked.seed}", where="--seed", expected="a whole number, 0 or more")


def known_quantity(key: str) -> str:
    """A key that a rehearsal tells.

    Raises
    ------
    OptionError
        Another one.
    """
    if key not in TOLD:
        raise OptionError(f"{key!r} is not told", where="--show", expected=", ".join(TOLD))
    return key


def usual(answer: WhatIf) -> str:
    """The quantity that a sweep draws unless one is named."""
    return USUAL if answer.fit.drive is None else "vti_ml"


def as_json(rehearsal: Rehearsal) -> dict[str, Any]:
    """The rehearsal as ``whatif.json`` holds it."""
    answer = rehearsal.answer
    fit = answer.fit
    told = {
        "stretch": {"from_s": fit.window.from_s, "to_s": fit.window.to_s, "reason": fit.window.reason},
        "fit": {
            **{one.key: {key: value for key, value in asdict(one).items() if key != "key"} for one in fit.parameters()},
            "goodness": {
                "residual_cmh2o": fit.mechanics.residual,
                "pressure_error_cmh2o": answer.overlay.pressure_error_cmh2o,
                "volume_error_percent": answer.overlay.volume_error_percent,
                "breaths": len(fit.window.breaths),
                "passive_breaths": len(fit.window.passive),
            },
            "correlations": fit.correlations(),
        },
        "blood_gas": fit.exchange.drawn or None,
        "settings_now": answer.now.setting,
        "settings_then": answer.then.setting,
        "now": {change.key: _three(change.now, change.key) for change in answer.changes},
        "then": {change.key: _three(change.then, change.key) for change in answer.changes},
        "change": {change.key: _three(change.change, change.key) for change in answer.changes},
        "limits": [
            {
                "quantity": one.limit.key, "limit": one.limit.bound, "kind": one.limit.kind, "source": one.limit.source,
                "condition": one.limit.condition,
                "now": one.now, "then": one.then, "share_beyond_now": one.beyond_now,
                "share_beyond_then": one.beyond_then,
            }
            for one in answer.limits
        ],
        "extrapolated": list(answer.beyond),
        "leans_on": {key: dict(shares) for key, shares in answer.leaning.items()},
        "assumptions": list(answer.assumptions),
        "caution": CAUTION,
    }  # fmt: skip
    if rehearsal.sought is not None:
        sought = rehearsal.sought
        told["target"] = {
            "quantity": sought.key, "value": sought.target, "in_the_way": list(sought.hindered),
            "moved": list(sought.tried),
            "inside_of": [str(bound) for bound in sought.bounds],
            "ways": [
                {
                    "settings": dict(way.settings), "share_inside": way.inside,
                    "crosses": list(way.crosses),
                    "then": {key: _three(value, key) for key, value in way.values.items()},
                }
                for way in sought.ways
            ],
        }  # fmt: skip
    cleaned: dict[str, Any] = _clean(told)
    return cleaned


def _three(told: tuple[float, float, float], key: str) -> dict[str, Any]:
    return {"value": told[0], "low": told[1], "high": told[2], "unit": QUANTITIES[key].unit}


def _clean(node: Any) -> Any:
    """NaN and infinity as null, numbers to six digits."""
    if isinstance(node, dict):
        return {key: _clean(value) for key, value in node.items()}
    if isinstance(node, list):
        return [_clean(value) for value in node]
    if isinstance(node, float):
        return float(f"{node:.6g}") if math.isfinite(node) else None
    return node


def signals(answer: WhatIf) -> pl.DataFrame:
    """Mean breaths in long form: which (recorded, now, then), time and the curves in canonical units.

    ``_low`` and ``_high`` beside a curve are the 5th and 95th percentile of drawn patients' mean breaths at each
    moment; null of what was recorded, and where too few are drawn. ``muscle_pressure`` is that of recorded breaths by
    the fitted lung, null elsewhere and where nobody breathes.
    """
    shown, (now, then) = answer.overlay, answer.bands
    parts = []
    for which, curves, muscle, edges in (
        ("recorded", shown.recorded, shown.muscle_cmh2o, None), ("now", shown.simulated, None, now),
        ("then", answer.waves_then, None, then),
    ):  # fmt: skip
        n = len(curves[0])
        nothing = np.full(n, np.nan)
        columns = {"time_s": np.arange(n) / answer.rate_hz} | dict(zip(CURVES, curves, strict=True))
        columns["muscle_pressure"] = nothing if muscle is None else muscle
        for name, low, high in zip(CURVES, *((nothing,) * 3, (nothing,) * 3) if edges is None else edges, strict=True):
            columns |= {f"{name}_low": low, f"{name}_high": high}
        parts.append(pl.DataFrame({"which": [which] * n, **columns}))
    return pl.concat(parts).with_columns(pl.selectors.float().fill_nan(None))


def table_of(swept: Sweep) -> pl.DataFrame:
    """A row per value, or pair: settings, each quantity, with the ends of its interval along one range, and whether it
    leaves what was recorded; no quantity where the settings can't be, and why. A row of a map has intervals where few
    enough fields leave time to draw patients in each, and every row that has them the share of drawn patients within
    all limits."""
    rows = []
    for point in swept.points:
        flat: dict[str, float | bool | str | None] = {f"set_{key}": value for key, value in point.settings.items()}
        flat["beyond_what_was_recorded"] = bool(point.beyond)
        if swept.draws > 1:
            flat["share_within_limits"] = point.within
        for key, told in point.quantities.items():
            names = (key, f"{key}_low", f"{key}_high") if swept.draws > 1 else (key,)
            flat |= {name: value if math.isfinite(value) else None for name, value in zip(names, told, strict=False)}
        if any(one.refused for one in swept.points):
            flat["not_possible"] = point.refused or None
        rows.append(flat)
    return pl.DataFrame(rows, infer_schema_length=None)
