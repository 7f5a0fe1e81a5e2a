"""What matters first: everything worth saying competes, the three weightiest are said."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from tidebench.apnoea import LONG_S, long_pauses
from tidebench.findings.rates import wilson_interval
from tidebench.findings.recruitment import SLOW
from tidebench.limits import Kind, population
from tidebench.quantities import quantity
from tidebench.views.airways import narrow_airways
from tidebench.views.answers import OWN_WORDS, finding_counts, triggered
from tidebench.views.efforts import effort_counts, effort_source
from tidebench.views.numbers import EFFORT, Number, held_number, leak_flow, mostly_leak, summary_number
from tidebench.views.observed import observations
from tidebench.views.passivity import passivity
from tidebench.views.steps import steps_page
from tidebench.views.verdicts import Verdict
from tidebench.views.wording import clock, count, duration, listed, of_breaths, sentence

if TYPE_CHECKING:
    from tidebench.review import Review

HOW_MANY = 3
BY_KIND: dict[Kind, float] = {
    "house policy": 97.0,
    "trial target": 95.0,
    "consensus": 90.0,
    "association": 80.0,
    "common practice": 70.0,
}
"""Weight of a crossed limit by its kind; a limit crossed on few breaths weighs less."""

COMPLIANCE = "compliance_ml_cmh2o"
STAND_ON_PASSIVE = (COMPLIANCE, "resistance_cmh2o_s_l", "plateau_pressure_cmh2o")
TRAPPED_CMH2O = 2.0
RELAXES = 0.15
FLOWING = 0.15
LEAKS = 0.15
LOST = 0.05
SEEN = 0.02
"""From where trapped gas, a hold's compliance above that of breaths, flow left at the end of expiration (as a part of
its peak), leak, lost time and a finding's share of breaths are worth a line: this house's choice.
"""

SMALL, NARROW = 61.0, 63.0
"""Weights of flow left where little pressure stays behind, and of narrow airways: above what merely describes."""

INEFFECTIVE = 0.1
"""From which part of all efforts ineffective ones are worth a line (Thille, Intensive Care Med 2006;32:1515, from whose
index of 10 % asynchrony counts as frequent).
"""

PAUSED = 96.0
"""Apnoea comes before all but a house's crossed limits: this house's choice."""

CALM = 3
"""How many limits must be met, and none crossed, before that is worth a line."""

DOUBTED = 0.75
"""What doubt leaves of a weight."""

RESISTIVE_CMH2O = 1.0
"""From which difference of peak and plateau the resistive part is worth a word: this house's choice."""


@dataclass(frozen=True, slots=True)
class Matter:
    """One thing worth knowing: a headline, and a sentence or two behind it. ``about`` is said once only."""

    weight: float
    headline: str
    detail: str
    about: str = ""


def first_three(review: Review, judged: tuple[Verdict, ...]) -> tuple[Matter, ...]:
    """The three weightiest matters, weightiest first."""
    told = (
        _paused,
        _trapped,
        _narrow,
        _relaxing,
        _along_peep,
        _effort,
        _ineffective,
        _findings,
        _unknown,
        _quality,
        _noted,
        _basis,
        _triggered,
    )
    found = [*_limits(review, judged), *_calm(judged), *(matter for tell in told for matter in tell(review))]
    ranked = sorted(found, key=lambda matter: -matter.weight)
    once = {matter.about or matter.headline: matter for matter in reversed(ranked)}
    return tuple(matter for matter in ranked if once[matter.about or matter.headline] is matter)[:HOW_MANY]


def _limits(review: Review, judged: tuple[Verdict, ...]) -> Iterator[Matter]:
    for verdict in judged:
        if verdict.state not in ("crossed", "crossed at times") or _noise(verdict) or _filling_slowly(review, verdict):
            continue
        part = verdict.beyond / verdict.of if verdict.of else 1.0
        shown, doubt = replace(verdict.number, left_open=""), _doubt(review, verdict)
        says = [_on(verdict), _open(verdict.number), doubt, _resistive(review, verdict.limit.key), *_stated(verdict)]
        yield Matter(
            BY_KIND[verdict.limit.kind] * (0.6 + 0.4 * part) * (DOUBTED if doubt else 1.0),
            sentence(f"{shown.label} {shown.value}: {_beyond(verdict)}"),
            " ".join(filter(None, says)),
            verdict.limit.key,
        )


def _stated(verdict: Verdict) -> tuple[str, str]:
    return sentence(verdict.limit.text), sentence(verdict.limit.source)


def _doubt(review: Review, verdict: Verdict) -> str:
    """Why a number beyond its limit may not mean what it says; empty where nothing speaks against it."""
    key = verdict.limit.key
    if key != "stress_index":
        return ""
    if review.summary.get("mechanics", {}).get("one_compartment") is False:
        return "One compartment does not describe these lungs, and lungs that fill unevenly bend the curve just so."
    return ""


def _filling_slowly(review: Review, verdict: Verdict) -> bool:
    """True of a stress index that is low in lungs which fill part by part through the whole of an inflation."""
    slow = summary_number(review, "expiratory_time_constant_s").spread
    inflation = summary_number(review, "inspiratory_time_s").spread
    return (
        verdict.limit.key == "stress_index"
        and verdict.side == "below"
        and slow is not None
        and inflation is not None
        and slow.median > SLOW * inflation.median
    )


def _noise(verdict: Verdict) -> bool:
    """True of a stress index whose median is within: on single breaths noise moves it further than the lung does."""
    return verdict.limit.key == "stress_index" and verdict.state == "crossed at times"


def _open(number: Number) -> str:
    return f"Its samples leave {number.left_open} open." if number.left_open else ""


def _resistive(review: Review, key: str) -> str:
    """How much of the peak pressure is resistive, beside mechanical power; empty elsewhere or where it isn't known."""
    peak, plateau = (summary_number(review, name) for name in ("peak_pressure_cmh2o", "plateau_pressure_cmh2o"))
    if key != "mechanical_power_j_min" or peak.spread is None or plateau.spread is None:
        return ""
    part = peak.spread.median - plateau.spread.median
    if part < RESISTIVE_CMH2O:
        return ""
    return f"Of a peak pressure of {peak.value}, {peak.quantity.text(part)} (peak less plateau) is resistive."


def _beyond(verdict: Verdict) -> str:
    """``above 30 cmH2O``, ``at times outside 4 to 8 mL/kg``."""
    limit = verdict.limit
    edges = {"above": [limit.high], "below": [limit.low]}.get(verdict.side, [limit.low, limit.high])
    bound = verdict.number.quantity.bounds(*(edge for edge in edges if edge is not None))
    return f"{'at times ' if verdict.state == 'crossed at times' else ''}{verdict.side} {bound}"


def _on(verdict: Verdict) -> str:
    return sentence(f"on {of_breaths(verdict.beyond, verdict.of)}") if verdict.beyond and verdict.of > 1 else ""


def _trapped(review: Review) -> Iterator[Matter]:
    held = held_number(review, "intrinsic_peep_cmh2o") if _steady_expiratory_hold(review) else None
    shown = held or summary_number(review, "intrinsic_peep_cmh2o")
    if shown.spread is None or shown.spread.median < TRAPPED_CMH2O:
        yield from _still_flowing(review, shown)
        return
    yield Matter(
        72 + min(shown.spread.median, 20),
        sentence(f"gas is trapped: {shown.label} {shown.value}"),
        sentence(
            f"from {count(shown.n, 'hold' if held else 'breath')}; expiration ends before the lungs are empty. People "
            "look next at expiratory time, resistance and minute volume"
        ),
        "trapped",
    )


def _steady_expiratory_hold(review: Review) -> bool:
    """True where a hold measured what is trapped; a disturbed one, or a lower bound, is no more than the estimate."""
    return any(hold.kind == "expiratory" and hold.quality == ("steady",) for hold in review.holds)


def _still_flowing(review: Review, trapped: Number) -> Iterator[Matter]:
    """Trapped gas where its pressure is unknown or small: flow has not stopped when the next breath begins."""
    left, fastest = (summary_number(review, key) for key in ("end_expiratory_flow_l_min", "peak_expiratory_flow_l_min"))
    if left.spread is None or fastest.spread is None or mostly_leak(review):
        return
    part = left.spread.median / max(fastest.spread.median, 1e-9)
    if part < FLOWING:
        return
    behind = (
        f"{trapped.label} is {trapped.value}"
        if trapped.spread is not None
        else "how much pressure stays behind only an expiratory hold can tell here"
    )
    yield Matter(
        SMALL if trapped.spread is not None else 62 + min(100 * part, 25),
        sentence(f"gas is still flowing out when the next breath begins: {left.value}"),
        sentence(
            f"{100 * part:.0f} % of {fastest.quantity.label}, so expiration ends before the lungs are empty; {behind}"
        ),
        "trapped",
    )


def _narrow(review: Review) -> Iterator[Matter]:
    found = narrow_airways(review)
    if found is not None:
        yield Matter(NARROW, *found, about="narrow")


def _relaxing(review: Review) -> Iterator[Matter]:
    """A compliance that a hold shows otherwise than breaths do: gas moves between units, or tissue gives way."""
    held = [hold.static_compliance_ml_cmh2o for hold in review.holds if hold.static_compliance_ml_cmh2o is not None]
    moving = summary_number(review, COMPLIANCE)
    if not held or moving.spread is None:
        return
    still = float(np.median(held))
    if still > (1 + RELAXES) * moving.spread.median:
        yield Matter(
            66,
            sentence(f"{moving.label} {moving.quantity.text(still)} in a hold, {moving.value} while gas moves"),
            "In a hold pressure sinks as gas moves between uneven units or tissue gives way. A plateau or driving "
            "pressure read early is too high; neither number is wrong, they answer different questions.",
            COMPLIANCE,
        )


def _along_peep(review: Review) -> Iterator[Matter]:
    """Where compliance was best along levels of PEEP, if the levels can be told apart by it."""
    page = steps_page(review)
    if not page.along_peep or COMPLIANCE not in [record.key for record in page.along_peep_quantities[:1]]:
        return
    known = [(point.peep, point.values[0]) for point in page.along_peep if point.values[0] is not None]
    ranked = sorted(known, key=lambda pair: -pair[1].median)
    if len(ranked) < 2 or ranked[0][1].p05 <= ranked[-1][1].p95:
        return
    peep, compliance = quantity("peep_cmh2o"), quantity(COMPLIANCE)
    (at, best), (other, worst) = ranked[0], ranked[-1]
    yield Matter(
        65,
        sentence(f"of the levels of {peep.label} tried, compliance was highest at {peep.text(at.median)}"),
        sentence(
            f"{compliance.text(best.median)} there, {compliance.text(worst.median)} at {peep.text(other.median)}. "
            "People weigh it with driving pressure, oxygenation and circulation"
        ),
    )


def _effort(review: Review) -> Iterator[Matter]:
    """Effort among passive breaths: how much, and from when."""
    active = review.breaths.filter(~pl.col("passive"))
    shown = summary_number(review, EFFORT)
    if not active.height or shown.spread is None:
        return
    record, who = shown.quantity, passivity(review.breaths)
    doubt = f"; of {who.undecided} more it can't be told" if who.undecided else ""
    since = f", first at {_first(review, active)}" if active.height < review.breaths.height else ""
    yield Matter(
        35 + 20 * active.height / review.breaths.height,
        sentence(f"effort seen in {of_breaths(active.height, review.breaths.height)}{since}"),
        sentence(f"{shown.label} {shown.value}, 95th percentile {record.text(shown.spread.p95)}{doubt}"),
    )


def _paused(review: Review) -> Iterator[Matter]:
    """Pauses between breaths that count as apnoea."""
    found = long_pauses(review.breaths, review.holds)
    if not len(found):
        return
    begin, end = found[np.argmax(found[:, 1] - found[:, 0])]
    yield Matter(
        PAUSED,
        sentence(f"no breath for {end - begin:.0f} s, from {clock(float(begin))}"),
        sentence(f"{count(len(found), 'pause')} of {LONG_S:.0f} s or more in {duration(review.recording.duration_s)}")
        + " As long as that counts as apnoea (common practice); numbers per breath say nothing of it.",
    )


def _ineffective(review: Review) -> Iterator[Matter]:
    """Efforts that triggered nothing, where they are surely a good part of all."""
    missed = next((entry for entry in effort_counts(review) if entry.outcome == "ineffective"), None)
    if missed is None or wilson_interval(missed.number, missed.of)[0] < INEFFECTIVE:
        return
    yield Matter(
        60 + 35 * missed.number / missed.of,
        sentence(f"{missed.share} efforts triggered nothing"),
        sentence(
            f"estimated from {effort_source(review)}; the patient pulled and no breath came. People look next at "
            "trapped gas, the level of support, when it ends, and the trigger"
        ),
        "ineffective-effort",
    )


def _first(review: Review, active: pl.DataFrame) -> str:
    """When the first effort begins; the first breath with effort where none could be placed."""
    from_efforts = review.efforts["start_s"] if review.efforts.height else active["start_s"]
    return clock(float(from_efforts[0]))


def _findings(review: Review) -> Iterator[Matter]:
    breaths = review.breaths.height
    for kind, seen in finding_counts(review).items():
        if kind not in OWN_WORDS and breaths and seen / breaths >= SEEN:
            said = _evidence(review, kind)
            yield Matter(
                40 + 45 * min(1.0, seen / breaths),
                sentence(f"{kind.replace('-', ' ')}: {count(seen, 'time')} in {count(breaths, 'breath')}"),
                said,
                kind,
            )


def _evidence(review: Review, kind: str) -> str:
    """The surest example of a finding, in its own words."""
    rows = review.findings.filter(review.findings["kind"] == kind).sort("confidence", descending=True)
    return sentence(f"at {clock(rows['start_s'][0])}: {rows['evidence'][0]}") if rows.height else ""


def _unknown(review: Review) -> Iterator[Matter]:
    breaths = review.breaths
    if not breaths.height:
        yield Matter(100, "No breath was found.", "There is nothing to measure: see the warnings about the recording.")
        return
    who = passivity(breaths)
    if not who.passive:
        yield Matter(
            60,
            "Stiffness, resistance and plateau can't be told.",
            who.without_passive + _hold_would_show(review),
        )
    elif population(review.case.patient).group != "newborn" and not _plateau_known(review):
        yield Matter(
            60,
            "Plateau and driving pressure can't be told.",
            "No pause or hold came to rest without effort." + _hold_would_show(review),
        )


def _plateau_known(review: Review) -> bool:
    return summary_number(review, "plateau_pressure_cmh2o").spread is not None


def _hold_would_show(review: Review) -> str:
    tube = "tube" in (review.case.airway.interface or "")
    return " An inspiratory hold in a passive patient would show them." if tube else ""


def _quality(review: Review) -> Iterator[Matter]:
    recording = review.recording
    lost = sum(gap.duration_s for gap in recording.gaps)
    part = lost / recording.duration_s if recording.duration_s else 0.0
    if part >= LOST:
        yield Matter(
            50 + min(100 * part, 40), sentence(f"{100 * part:.0f} % of the time was not recorded"), _gaps(lost)
        )
    elif recording.gaps:
        yield Matter(32, sentence(f"the recording has {count(len(recording.gaps), 'gap')}"), _gaps(lost))
    shown = summary_number(review, "leak_fraction")
    if shown.spread is not None and shown.spread.median >= LEAKS:
        yield Matter(
            55 + 40 * min(1.0, shown.spread.median),
            sentence(f"{shown.quantity.label} {shown.value} of the inspired volume"),
            " ".join(filter(None, [sentence(leak_flow(review)), _leaking(review)])),
            "leak_fraction",
        )


def _leaking(review: Review) -> str:
    if mostly_leak(review):
        return (
            "With more than half leaking away, exhaled volume and what depends on it are in doubt, and no limit of "
            "volume is judged. Klingenberg, J Perinatol 2011;31:575."
        )
    return "Volumes are given with and without it; what depends on them is less certain."


def _gaps(lost: float) -> str:
    return sentence(f"gaps of {duration(lost)} in all; rates and counts stand for the rest only")


def _noted(review: Review) -> Iterator[Matter]:
    for seen in observations(review):
        if seen.measured is not None and not seen.agrees:
            off = abs(seen.noted - seen.measured.median) / max(abs(seen.measured.median), 1e-9)
            yield Matter(
                42 + 20 * min(1.0, off),
                sentence(
                    f"{seen.label}: noted {seen.quantity.text(seen.noted)}, measured "
                    f"{seen.quantity.text(seen.measured.median)}"
                ),
                seen.why[0] if seen.why else "",
            )


def _calm(judged: tuple[Verdict, ...]) -> Iterator[Matter]:
    met = [verdict for verdict in judged if verdict.state == "met"]
    known = [verdict for verdict in judged if verdict.state != "can't be told"]
    if len(met) >= CALM and len(met) == len(known):
        names = listed(sorted({verdict.number.label for verdict in met}))
        yield Matter(57, sentence(f"every limit that could be judged is met ({len(met)})"), sentence(names))


def _basis(review: Review) -> Iterator[Matter]:
    who = passivity(review.breaths)
    if who.passive:
        numbers = (summary_number(review, key) for key in STAND_ON_PASSIVE)
        known = listed(number.label for number in numbers if number.spread is not None)
        yield Matter(20, sentence(who.text), sentence(f"known from passive ones: {known}") if known else "")
    shown, other = summary_number(review, COMPLIANCE), summary_number(review, "resistance_cmh2o_s_l")
    if shown.spread is not None:
        wide = f" ({shown.range})" if " to " in shown.range else ""
        yield Matter(
            30,
            sentence(f"{shown.label} {shown.value}{wide}"),
            sentence(f"{other.label} {other.value}; from {count(shown.n, 'passive breath')}"),
            COMPLIANCE,
        )


def _triggered(review: Review) -> Iterator[Matter]:
    rate = summary_number(review, "rate_per_min")
    if rate.spread is not None:
        yield Matter(
            10,
            sentence(triggered(review.breaths)),
            sentence(f"{rate.label} {rate.value}, 5th to 95th percentile {rate.range}"),
        )
