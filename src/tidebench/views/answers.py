"""The numbers, grouped by the question they answer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import polars as pl

from tidebench.limits import population, volume_weight_kg
from tidebench.quantities import quantity
from tidebench.records import Spread
from tidebench.views.efforts import efforts_found
from tidebench.views.mechanics import description, total_peep_origin
from tidebench.views.numbers import Number, held_number, summary_number
from tidebench.views.passivity import passivity
from tidebench.views.verdicts import Verdict, why_these
from tidebench.views.wording import count, listed, of_breaths, sentence, share

if TYPE_CHECKING:
    from tidebench.review import Review

SAFE, LUNGS, STEP, UNTOLD = (
    "Is it safe?",
    "Are the lungs stiff, narrow or trapped?",
    "Are they in step?",
    "What can't be told?",
)

GROUPS: dict[str, tuple[tuple[str, tuple[str, ...]], ...]] = {
    SAFE: (
        ("volume", ("vt_per_pbw_ml_kg", "vt_per_weight_ml_kg", "vte_ml")),
        (
            "pressure",
            (
                "plateau_pressure_cmh2o",
                "driving_pressure_cmh2o",
                "driving_pressure_set_peep_cmh2o",
                "transpulmonary_driving_pressure_cmh2o",
                "peak_pressure_cmh2o",
                "peep_cmh2o",
            ),
        ),
        ("energy", ("mechanical_power_j_min",)),
    ),
    LUNGS: (
        ("stiff", ("compliance_ml_cmh2o", "stress_index")),
        ("narrow", ("resistance_cmh2o_s_l", "expiratory_resistance_cmh2o_s_l", "expiratory_time_constant_s")),
        ("trapped", ("total_peep_cmh2o", "intrinsic_peep_cmh2o", "end_expiratory_flow_l_min")),
    ),
    STEP: (
        ("timing", ("rate_per_min", "minute_volume_l_min", "inspiratory_time_s", "rapid_shallow_index")),
        ("effort", ("effort_cmh2o", "pressure_time_product_cmh2o_s", "asynchrony_index_percent")),
        ("leak", ("leak_fraction",)),
    ),
}
"""Quantities by question and, within it, by what they tell."""

WANTED = (
    "plateau_pressure_cmh2o",
    "driving_pressure_cmh2o",
    "compliance_ml_cmh2o",
    "resistance_cmh2o_s_l",
    "total_peep_cmh2o",
)
"""What people look for first: its absence is told even where no breath gives a reason."""

TOTAL_PEEP: Literal["total_peep_cmh2o"] = "total_peep_cmh2o"
MOST_NAMED = 4
OWN_WORDS = ("gap", "leak", "intrinsic-peep")
"""Findings of which a number or a matter of their own speaks."""


@dataclass(frozen=True, slots=True)
class Answer:
    """One question: a sentence on what the answer stands on, and the numbers by what they tell."""

    question: str
    lead: str
    groups: tuple[tuple[str, tuple[Number, ...]], ...]


@dataclass(frozen=True, slots=True)
class Untold:
    """Something that could not be measured, and why: on ``breaths`` of ``of`` breaths (0 of 0: not at all)."""

    quantities: tuple[str, ...]
    reason: str
    breaths: int
    of: int

    @property
    def text(self) -> str:
        """As a sentence; of many quantities the first few are named."""
        where = "" if self.breaths in (0, self.of) else f", on {of_breaths(self.breaths, self.of)}"
        named = self.quantities
        if len(named) > MOST_NAMED + 1:
            named = (*named[:MOST_NAMED], f"{len(named) - MOST_NAMED} more")
        return sentence(f"{listed(named)}: {self.reason}{where}")


def answers(review: Review, judged: tuple[Verdict, ...]) -> tuple[Answer, ...]:
    """The three questions that numbers answer; what can't be told stands apart (:func:`untold`)."""
    leads = {SAFE: why_these(review), LUNGS: _basis(review), STEP: _in_step(review)}
    limited = {verdict.limit.key for verdict in judged}
    return tuple(
        Answer(question, leads[question], _groups(review, question, limited if question == SAFE else set()))
        for question in GROUPS
    )


def _groups(review: Review, question: str, always: set[str]) -> tuple[tuple[str, tuple[Number, ...]], ...]:
    found = ((name, tuple(_known(review, keys, always))) for name, keys in GROUPS[question])
    return tuple((name, numbers) for name, numbers in found if numbers)


def _known(review: Review, keys: tuple[str, ...], always: set[str]) -> Iterator[Number]:
    """What was measured, and of what was not, that for which a limit is missed."""
    for key in keys:
        if key == "rapid_shallow_index" and not _on_its_own(review):
            continue
        shown = summary_number(review, key)
        if shown.spread is not None or key in always:
            yield shown
        elif key in review.summary and review.summary[key] is not None:
            value = float(review.summary[key])
            yield Number(quantity(key), Spread(value, value, value, 1))
        if key == TOTAL_PEEP and (held := held_number(review, TOTAL_PEEP)) is not None:
            yield held


def _on_its_own(review: Review) -> bool:
    """True where most breaths are begun and ended by the patient: rate over volume says nothing of mandatory ones."""
    spontaneous = int((~review.breaths["mandatory"]).sum() or 0)
    return 2 * spontaneous > review.breaths.height


def _basis(review: Review) -> str:
    who = passivity(review.breaths)
    holds = count(len(review.holds), "hold")
    if not who.of:
        return "There are no breaths to measure on."
    if who.passive:
        which = "a passive one" if who.passive == 1 else "passive ones"
        stands = sentence(f"measured on {of_breaths(who.passive, who.of)}, {which}, and {holds}")
    else:
        none = "no breath is known to be passive" if who.undecided else "no breath was passive"
        stands = sentence(f"{none}, so the lungs themselves can't be measured; {holds}")
    return " ".join(filter(None, [stands, description(review), total_peep_origin(review)]))


def _in_step(review: Review) -> str:
    breaths = review.breaths
    if not breaths.height:
        return "There are no breaths to judge."
    who = passivity(breaths)
    effort = f"effort seen in {of_breaths(who.effort, who.of)}"
    both = int(((breaths["trigger"] == "patient") & ~breaths["passive"]).sum() or 0)
    if who.effort:
        effort += f", with the trigger's criterion met in {share(both, who.effort)} of these"
    if who.undecided:
        effort += f"; of {who.undecided} it can't be told"
    parts = [triggered(breaths), effort]
    found = [
        f"{kind.replace('-', ' ')} {times}" for kind, times in finding_counts(review).items() if kind not in OWN_WORDS
    ]
    told = [sentence("; ".join(parts)), efforts_found(review)]
    told += [sentence(f"found: {listed(found)}") if found else ""]
    return " ".join(filter(None, told))


def triggered(breaths: pl.DataFrame) -> str:
    """In how many breaths the trigger's criterion was met, whoever met it, of those whose trigger is known."""
    known = breaths["trigger"].drop_nulls()
    if known.is_empty():
        return "what triggered the breaths can't be told"
    return f"trigger's criterion met in {of_breaths(int((known == 'patient').sum()), len(known))}"


def finding_counts(review: Review) -> dict[str, int]:
    """How often each kind of finding was made."""
    findings: dict[str, Any] = review.summary.get("findings", {})
    return {kind: int(entry["count"]) for kind, entry in findings.items()}


# --- what can't be told -----------------------------------------------------------------------------------------------


def untold(review: Review) -> tuple[Untold, ...]:
    """What could not be measured, one entry for each reason: what people look for first, then the most frequent."""
    told = tuple(_by_reason(review.breaths))
    spoken = {label for entry in told for label in entry.quantities}
    wanted = {quantity(key).label for key in WANTED}
    found = (*told, *_silent(review, spoken))
    return tuple(sorted(found, key=lambda entry: (not wanted & set(entry.quantities), -entry.breaths)))


def _by_reason(breaths: pl.DataFrame) -> Iterator[Untold]:
    reasons = breaths.select("breath", "not_measured").explode("not_measured").drop_nulls().unnest("not_measured")
    if reasons.is_empty():
        return
    by_quantity = reasons.group_by("code", "text", "quantity").agg(pl.col("breath").n_unique().alias("n"))
    grouped = (
        by_quantity.group_by("code", "text", "n")
        .agg(pl.col("quantity").sort())
        .sort(["n", "code", "text"], descending=[True, False, False])
    )
    for row in grouped.iter_rows(named=True):
        keys = sorted(row["quantity"], key=lambda key: WANTED.index(key) if key in WANTED else len(WANTED))
        labels = tuple(quantity(key).label for key in keys)
        yield Untold(labels, row["text"].rstrip("."), int(row["n"]), breaths.height)


def _silent(review: Review, spoken: set[str]) -> Iterator[Untold]:
    """What people look for first and neither a number nor a reason speaks of."""
    yield from _without_size(review)
    labels = (quantity(key).label for key in WANTED if summary_number(review, key).spread is None)
    left = tuple(label for label in labels if label not in spoken)
    if left:
        reason = "no breath allowed it" if review.breaths.height else "no breath was found"
        yield Untold(left, reason, 0, 0)


def _without_size(review: Review) -> Iterator[Untold]:
    """Volume per weight, where the case doesn't say what it takes."""
    patient = review.case.patient
    young = population(patient).group in ("child", "newborn")
    key = "vt_per_weight_ml_kg" if young else "vt_per_pbw_ml_kg"
    if summary_number(review, key).spread is not None:
        return
    needs = (
        {"weight or height": volume_weight_kg(patient)} if young else {"sex": patient.sex, "height": patient.height_cm}
    )
    missing = [word for word, value in needs.items() if value is None]
    if missing:
        yield Untold((quantity(key).label,), f"the case does not tell {listed(missing)}", 0, 0)
