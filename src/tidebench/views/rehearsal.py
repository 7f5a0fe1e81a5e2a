"""A change rehearsed: the fitted patient and its doubt, settings that can be moved, and now beside then."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from math import isfinite, isinf, isnan
from typing import TYPE_CHECKING, Any

import numpy as np

from tidebench.fitting.changed import MANDATORY_ONLY
from tidebench.fitting.measured import RATE_HZ
from tidebench.fitting.overlay import Band, Curves, mean_breath, of_prediction
from tidebench.mode import parse_mode
from tidebench.quantities import QUANTITIES, Quantity, quantity
from tidebench.simulation.doubts import TYPES_WITH
from tidebench.views.wording import clock, count, sentence, settings_words

if TYPE_CHECKING:
    from tidebench.fitting.change import WhatIf
    from tidebench.fitting.fit import Fit
    from tidebench.fitting.predict import Prediction
    from tidebench.fitting.target import Search
    from tidebench.limits import Limit

SHOWN = (
    "vti_ml", "vt_per_pbw_ml_kg", "vt_per_weight_ml_kg", "rate_per_min", "minute_volume_l_min", "peak_pressure_cmh2o",
    "plateau_pressure_cmh2o", "driving_pressure_cmh2o", "total_peep_cmh2o", "intrinsic_peep_cmh2o",
    "mean_pressure_cmh2o", "inspiratory_time_s", "expiratory_time_s", "mechanical_power_j_min", "effort_cmh2o",
    "unanswered_efforts_percent", "paco2_mmhg", "ph", "pao2_mmhg", "sao2",
)  # fmt: skip
"""Quantities of a rehearsal, in the order in which they are told."""

REACH: dict[str, tuple[float, float, float]] = {
    "peep_cmh2o": (0, 24, 1), "rate_per_min": (4, 80, 1), "tidal_volume_ml": (2, 1000, 5), "fio2": (0.21, 1.0, 0.01),
    "inspiratory_flow_l_min": (2, 120, 1), "pause_s": (0, 2, 0.05), "inspiratory_time_s": (0.2, 4, 0.05),
    "pressure_control_cmh2o": (2, 40, 1), "pressure_support_cmh2o": (0, 30, 1), "cycling_percent": (5, 80, 1),
    "rise_s": (0, 0.6, 0.05), "pressure_high_cmh2o": (4, 45, 1), "pressure_low_cmh2o": (0, 24, 1),
    "time_high_s": (0.2, 8, 0.1), "time_low_s": (0.2, 8, 0.1),
}  # fmt: skip
"""How far a control moves a setting, and in which steps: common practice, no source. A typed value may go further."""
UNIT = re.compile(r"_(ml_cmh2o|cmh2o_s2_l2|cmh2o_s_l|cmh2o_l|cmh2o|ml_min|l_min|per_min|percent|ml|s|l)$")
TOGETHER = 0.3  # a correlation from which two parameters are said to go together (this house's choice)
SMALL_VOLUME = 60.0  # mL, below which a volume moves in single millilitres


@dataclass(frozen=True, slots=True)
class Lever:
    """A setting that can be moved."""

    quantity: Quantity
    value: float
    low: float
    high: float
    step: float


@dataclass(frozen=True, slots=True)
class FittedRow:
    """A parameter of the fitted patient in words; ``span`` is empty where it isn't told."""

    label: str
    value: str
    span: str
    why: str


@dataclass(frozen=True)
class FitPage:
    """A fitted patient: from where, how well, what was taken for granted, and what can be moved."""

    title: str
    from_s: float
    to_s: float
    lead: str
    settings: str
    rows: tuple[FittedRow, ...]
    levers: tuple[Lever, ...]
    assumptions: tuple[str, ...]
    recorded: Curves
    now: Curves
    rate_hz: float


@dataclass(frozen=True, slots=True)
class ThenRow:
    """A quantity now and then; spans and the change are empty in a sketch of the estimate alone."""

    quantity: Quantity
    now: str
    then: str
    span: str
    change: str
    change_span: str
    clear: bool


@dataclass(frozen=True, slots=True)
class LimitRow:
    """A limit and how now and then stand to it."""

    text: str
    now: str
    then: str
    share: str
    source: str
    crossed: bool


@dataclass(frozen=True)
class ThenPage:
    """What a change would do; the bands of the mean breaths now and then are None in a sketch."""

    settings: str
    rows: tuple[ThenRow, ...]
    waves: Curves
    now_band: Band | None
    then_band: Band | None
    limits: tuple[LimitRow, ...]
    beyond: tuple[str, ...]
    assumptions: tuple[str, ...]


def fit_page(fit: Fit, now: Prediction) -> FitPage:
    """The fitted patient on the present settings."""
    from tidebench.fitting.overlay import overlay

    shown, window = overlay(fit, now), fit.window
    return FitPage(
        title=window.review.case.title,
        from_s=window.from_s,
        to_s=window.to_s,
        lead=sentence(
            f"fitted to {count(len(window.breaths), 'breath')} from {clock(window.from_s)} to {clock(window.to_s)} "
            f"({window.reason}); the present is reproduced within "
            f"{quantity('airway_pressure').text(shown.pressure_error_cmh2o)} and {shown.volume_error_percent:.1f} % "
            "of volume"
        ),
        settings=settings_words(fit.setting),
        rows=tuple(fitted_rows(fit)),
        levers=tuple(_levers(fit.setting)),
        assumptions=fit.assumptions,
        recorded=shown.recorded,
        now=shown.simulated,
        rate_hz=RATE_HZ,
    )


def sketch_page(fit: Fit, now: Prediction, then: Prediction) -> ThenPage:
    """What the estimate alone would do: quick, without its doubt, and the same that the whole rehearsal tells."""
    from tidebench.fitting.compare import compared

    found = compared(fit, now, then)
    keys = [key for key in SHOWN if key in found.then]
    pairs = ((key, float(found.now[key][0]), float(found.then[key][0])) for key in keys)
    rows = (
        ThenRow(quantity(key), quantity(key).text(before), quantity(key).text(after), "", "", "", clear=False)
        for key, before, after in pairs
        if isfinite(after)
    )
    return ThenPage(settings_words(then.setting), tuple(rows), waves_of(then), None, None, (), (), ())


def then_page(answer: WhatIf) -> ThenPage:
    """What a change would do to the patients within the doubt."""
    return ThenPage(
        settings=settings_words(answer.then.setting),
        rows=tuple(_rows(answer)),
        waves=answer.waves_then,
        now_band=answer.bands[0],
        then_band=answer.bands[1],
        limits=tuple(_limits(answer)),
        beyond=tuple(sentence(line) for line in answer.beyond),
        assumptions=tuple(sentence(line) for line in answer.assumptions),
    )


def waves_of(told: Prediction) -> Curves:
    """The mean breath of the estimate; empty where there is none."""
    curves = of_prediction(told)
    if not curves:
        nothing = np.zeros(0)
        return nothing, nothing, nothing
    return mean_breath(curves, int(np.median([len(pressure) for pressure, _, _ in curves])))


def fitted_rows(fit: Fit) -> Iterator[FittedRow]:
    """Every parameter of a fitted patient in words."""
    for one in fit.parameters():
        value = "can't be told" if one.value is None else f"{one.value:.3g} {one.unit}".rstrip()
        span = "" if one.low is None or one.high is None else f"{one.low:.3g} to {one.high:.3g}"
        yield FittedRow(parameter_name(one.key), value, span, one.why)


def parameter_name(key: str) -> str:
    """A fitted parameter's name without its unit, which stands beside the value."""
    return QUANTITIES[key].label if key in QUANTITIES else UNIT.sub("", key).replace("_", " ").replace("co2", "CO2")


def together(fit: Fit) -> tuple[tuple[str, str, float], ...]:
    """Pairs of parameters with a correlation beyond :data:`TOGETHER`, and that, the strongest first."""
    told = fit.correlations()
    pairs = [(one, other, r) for one, row in told.items() for other, r in row.items() if one < other]
    ranked = sorted((pair for pair in pairs if abs(pair[2]) > TOGETHER), key=lambda pair: (-abs(pair[2]), pair[:2]))
    return tuple((parameter_name(one), parameter_name(other), r) for one, other, r in ranked)


def _levers(setting: Mapping[str, Any]) -> Iterator[Lever]:
    mode = parse_mode(setting["mode"])
    types = {mode.mandatory, mode.support}
    for key, (low, high, step) in REACH.items():
        value = setting.get(key)
        useless = (key in TYPES_WITH and not TYPES_WITH[key] & types) or (key in MANDATORY_ONLY and not mode.mandatory)
        timed_by_flow = key == "inspiratory_time_s" and mode.mandatory == "VC"
        if not isinstance(value, (int, float)) or isinstance(value, bool) or useless or timed_by_flow:
            continue
        small = key == "tidal_volume_ml" and value < SMALL_VOLUME
        yield Lever(
            quantity(key, "settings"), float(f"{value:.3g}"), min(low, value), max(3 * value if small else high, value),
            0.5 if small else step,
        )  # fmt: skip


def _rows(answer: WhatIf) -> Iterator[ThenRow]:
    told = {change.key: change for change in answer.changes}
    for key in SHOWN:
        change = told.get(key)
        if change is None or isnan(change.then[0]):
            continue
        record, low, high = quantity(key), change.change[1], change.change[2]
        yield ThenRow(
            record, record.text(change.now[0]), amount(record, change.then[0]), span_words(record, change.then),
            signed(record, change.change[0]), f"{signed(record, low)} to {signed(record, high)}",
            clear=low > 0 or high < 0,
        )  # fmt: skip


def _limits(answer: WhatIf) -> Iterator[LimitRow]:
    for one in answer.limits:
        if "can't" in one.then:
            continue
        share = f"{100 * one.beyond_then:.0f} % of drawn patients beyond" if isfinite(one.beyond_then) else ""
        label = quantity(one.limit.key).label
        yield LimitRow(
            f"{label}: {one.limit.bound} ({kind_of(one.limit)})", one.now, one.then, share, one.limit.source,
            crossed=one.then in ("above", "below"),
        )  # fmt: skip


def kind_of(limit: Limit) -> str:
    """What kind of limit it is, and for whom it was made where that is not everybody of this age."""
    return f"{limit.kind}, made for {limit.condition}" if limit.condition else limit.kind


PRICE = (
    "vt_per_pbw_ml_kg", "vt_per_weight_ml_kg", "plateau_pressure_cmh2o", "driving_pressure_cmh2o",
    "mechanical_power_j_min", "ph",
)  # fmt: skip
"""What a way to a target costs, beside it."""


def target_words(sought: Search) -> str:
    """What a search sought."""
    record = quantity(sought.key)
    return f"to bring {record.label} to {record.text(sought.target)}"


def typed_setting(key: str, value: float | None = None) -> str:
    """A setting as it is typed."""
    return key if value is None else f"{key} {value:g}"


def spoken_setting(key: str, value: float | None = None) -> str:
    """A setting as it is said."""
    record = quantity(key, "settings")
    return record.label if value is None else f"{record.label} {record.text(value)}"


def way_lines(sought: Search, said: Callable[..., str]) -> list[str]:
    """Each way to a target: settings, what they make of it and cost, and what they cross; else what is in the way.

    ``said`` writes a setting, :func:`typed_setting` or :func:`spoken_setting`.
    """
    tried = " and ".join(said(key) for key in sought.tried)
    out = [f"moving {tried} does not reach it, all else as it is; in the way: {words}" for words in sought.hindered]
    for way in sought.ways:
        settings = ", ".join(said(key, value) for key, value in way.settings.items())
        beside = dict.fromkeys((sought.key, *PRICE))
        shown = [(quantity(key), way.values[key][0]) for key in beside if key in way.values]
        told = ", ".join(f"{record.symbol} {record.text(value)}" for record, value in shown if isfinite(value))
        crossed = f"; crosses {' and '.join(way.crosses)}" if way.crosses else ""
        kept = f"; {100 * way.inside:.0f} % of drawn patients keep inside what was asked" if sought.bounds else ""
        out.append(f"{settings}: {told}{crossed}{kept}")
    return out


def search_notes(sought: Search) -> list[str]:
    """What a search kept inside, where it found ways."""
    kept = "; ".join(map(str, sought.bounds)) or "nothing: no bound was asked for, and no house's limit"
    return [f"Kept inside: {kept}."] if sought.ways else []


def span_words(record: Quantity, edges: tuple[float, float, float]) -> str:
    """The ends of an interval, without unit; of one that is open at an end, the other."""
    low, high = edges[1:]
    if low == high or isnan(low) or isnan(high):
        return amount(record, low, unit=False) if low == high else "not told"
    if isinf(low) or isinf(high):
        return f"over {record.text(low, unit=False)}" if isinf(high) else f"under {record.text(high, unit=False)}"
    return f"{record.text(low, unit=False)} to {record.text(high, unit=False)}"


def amount(record: Quantity, value: float, *, unit: bool = True) -> str:
    """A value; an infinite one is over, or under, what is plausible."""
    if not isinf(value):
        return record.text(value, unit=unit)
    return f"{'over' if value > 0 else 'under'} {record.text(record.plausible[value > 0], unit=unit)}"


def signed(record: Quantity, value: float) -> str:
    """A change with its sign; what rounds to nothing has none, and what has no end or is not known is not told."""
    if not isfinite(value):
        return "not told"
    text = record.text(abs(value), unit=False)
    return f"{'−' if value < 0 else '+'}{text}" if any(sign in "123456789" for sign in text) else text
