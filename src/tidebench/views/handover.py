"""One page for the next shift or the next visit: situation, background, assessment, what is proposed and who decides.

It works from typed numbers alone and from a reviewed recording. What is not known stays blank and says so. It proposes
nothing itself: a person does, and names who decides.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench._version import __version__
from tidebench.care.gases.moment import in_order
from tidebench.care.weaning.found import support_at
from tidebench.caution import CAUTION
from tidebench.contradictions import contradictions
from tidebench.doubts import doubts
from tidebench.formulas.tube import TUBES
from tidebench.limits import conditions_of, policy_statement, population
from tidebench.tensions import in_unit
from tidebench.views.bedside import cannot_wait
from tidebench.views.gases import GasesView, gases_view
from tidebench.views.handed_over import Moment, event_lines, gas_lines, shorter, weaning_lines, whole_sentences
from tidebench.views.latest import EARLIER, SET_DRIVING, Latest, latest_numbers
from tidebench.views.matters import BY_KIND, first_three
from tidebench.views.observed import observations
from tidebench.views.overview import patient_words
from tidebench.views.verdicts import verdicts
from tidebench.views.wording import change_words, clock, count, duration, sentence, settings_words

if TYPE_CHECKING:
    from tidebench.care.weaning import Weaning
    from tidebench.case import Case
    from tidebench.limits import Policy
    from tidebench.review import Review
    from tidebench.tensions import TensionUnit

MOST_MATTERS, MOST_CHANGES, MOST_QUESTIONS, MOST_UNLIKE = 3, 3, 6, 2
MOST_TITLE, MOST_NOTES, MOST_LINE, MOST_DETAIL = 90, 400, 240, 200
"""Letters of what the case says in words: one page holds no more."""
BLANK = "not known"
NOTHING_JUDGED = "Nothing could be judged: no number that a limit holds for is known. That is no good news."


@dataclass(frozen=True, slots=True)
class Proposal:
    """What somebody proposes, and by whom it must be decided; both typed by a person."""

    what: str
    who: str


@dataclass(frozen=True)
class HandoverPage:
    """The page: sentences and rows, ready to print.

    Attributes
    ----------
    title, as_of : str
    situation, background : tuple of str
        Lines, each beginning with its subject.
    matters : tuple of (str, str)
        Headline and detail, weightiest first, three at most.
    numbers : tuple of Latest
        A fixed list, blanks included.
    gases, weaning, events : tuple of str
    proposals : tuple of Proposal
    questions : tuple of str
        What is open: typed ones first, then what the case leaves unknown.
    policy, caution, version : str
    until_s : float
        The moment of which the page speaks, on the case clock.
    """

    title: str
    as_of: str
    situation: tuple[tuple[str, str], ...]
    background: tuple[tuple[str, str], ...]
    matters: tuple[tuple[str, str], ...]
    numbers: tuple[Latest, ...]
    gases: tuple[str, ...]
    weaning: tuple[str, ...]
    events: tuple[str, ...]
    proposals: tuple[Proposal, ...]
    questions: tuple[str, ...]
    policy: str
    caution: str
    version: str
    until_s: float

    @property
    def nothing(self) -> str:
        """What stands where nothing matters: of how many numbers no limit is crossed, or that none could be judged."""
        judged = sum(one.state != "not judged" for one in self.numbers)
        if not judged:
            return NOTHING_JUDGED
        return f"No limit is crossed, of {count(judged, 'number')} that could be held against one; no finding is known."


def handover_page(
    case: Case,
    review: Review | None = None,
    *,
    policy: Policy | None = None,
    proposals: Sequence[Proposal] = (),
    questions: Sequence[str] = (),
    unit: TensionUnit = "mmHg",
) -> HandoverPage:
    """The page of a case, reviewed where it has a recording.

    Parameters
    ----------
    case : Case
    review : Review or None
        Of the case's recording.
    policy : Policy or None
        A house's limits, where there is no review that holds them.
    proposals, questions
        What a person adds.
    unit : str
        Of the gas tensions that this page words; :func:`tidebench.tensions.all_in` puts its numbers into it.
    """
    from tidebench.care.weaning import wean
    from tidebench.care.weaning.room import last_told_s

    house = review.policy if review else policy
    until = last_told_s(case, review)
    asked = tuple(doubts(case)) if review is None else tuple(one.text for one in contradictions(case))
    numbers = latest_numbers(case, review, house, until)
    gases = _read_gases(case, review, house, unit)
    weaning = wean(case, review, policy=house)
    moment = Moment(case, until, unit)
    further = tuple(in_unit(line, unit) for line in (*asked, *_open(case, review, numbers, gases)))
    first = (*_contradicted(case), *cannot_wait(case, moment))
    return HandoverPage(
        title=shorter(case.title, MOST_TITLE) or "Untitled case",
        as_of=moment.as_of,
        situation=tuple(_situation(case, moment)),
        background=tuple(_background(case, review)),
        matters=(*first, *_matters(review, numbers, gases, weaning, moment))[:MOST_MATTERS],
        numbers=numbers,
        gases=tuple(shorter(line, MOST_LINE) for line in gas_lines(gases, case, moment)),
        weaning=tuple(weaning_lines(weaning, moment)),
        events=tuple(event_lines(case.events, moment)),
        proposals=tuple(proposals),
        questions=(*questions, *further[: max(0, MOST_QUESTIONS - len(questions))]),
        policy="" if house is None else _policy_words(house, case, numbers),
        caution=CAUTION,
        version=__version__,
        until_s=until,
    )


def _situation(case: Case, moment: Moment) -> Iterator[tuple[str, str]]:
    yield "Patient", patient_words(case)
    yield "Condition", sentence(case.condition or "not stated: limits that presuppose one are not held")
    held: dict[str, float | str] = {}
    changes: list[tuple[float, str]] = []
    for setting in case.settings:
        said = setting.model_dump(exclude={"at_s"}, exclude_none=True)
        changed = {key: (held.get(key), value) for key, value in said.items() if held.get(key) != value}
        if held and changed:
            changes.append((setting.at_s, change_words(changed)))
        held |= said
    piece = support_at(case, moment.until_s)
    if piece.kind == "T-piece":
        yield "Now", sentence(f"{piece.words}, by an event; what the ventilator was set to is of before")
    label = "Set earlier" if piece.kind == "T-piece" else "Set"
    yield label, settings_words(held) if held else sentence(BLANK)
    if not case.settings:
        return
    since = changes[-1][0] if changes else case.settings[0].at_s
    yield "Since", sentence(moment.ago(since) if since > 0 else f"{clock(0)}, or before: the case begins with it")
    if changes:
        last = [f"{clock(at)} {words}" for at, words in changes[-MOST_CHANGES:]]
        more = len(changes) - len(last)
        yield "Changed", sentence(shorter("; ".join(last), MOST_LINE) + (f"; {more} earlier" if more else ""))


def _background(case: Case, review: Review | None) -> Iterator[tuple[str, str]]:
    yield "Notes", shorter(case.notes, MOST_NOTES) or "None in the case."
    if review is None:
        yield "Known from", "Typed numbers alone: nothing was recorded."
        return
    breaths = count(review.breaths.height, "breath")
    kinds = ", ".join(sorted(set(review.recording.channels)))
    told = f"a recording of {duration(review.recording.duration_s)} ({kinds.replace('_', ' ')}), {breaths}"
    yield "Known from", sentence(told)
    doubts = list(dict.fromkeys((*review.recording.warnings, *review.summary.get("warnings", ()))))
    if doubts:
        more = f" And {count(len(doubts) - 1, 'more warning')}, in the report." if len(doubts) > 1 else ""
        yield "Doubts", f"{shorter(sentence(str(doubts[0])), MOST_LINE)}{more}"


def _read_gases(case: Case, review: Review | None, house: Policy | None, unit: TensionUnit) -> GasesView | None:
    from tidebench.care.gases import read_gases, with_capnograms

    if not case.blood_gases:
        return None
    capnograms = None if review is None or review.capnogram is None else review.capnogram.breaths
    breaths = None if review is None else with_capnograms(review.breaths, capnograms)
    return gases_view(read_gases(case, breaths=breaths, policy=house), unit)


def _policy_words(house: Policy, case: Case, numbers: Iterable[Latest]) -> str:
    from tidebench.care.weaning.room import CRITERIA

    said = conditions_of(case.patient, case.condition)
    return policy_statement(house, case.patient, conditions=said, among=_held(numbers), criteria_of=CRITERIA)


def _held(numbers: Iterable[Latest]) -> tuple[str, ...]:
    """Quantities that this page holds against limits."""
    return *(one.quantity.key for one in numbers), "ph", "paco2_mmhg", "pao2_mmhg"


def _contradicted(case: Case) -> tuple[tuple[str, str], ...]:
    """Numbers that can't all be right come before what they would say."""
    told = [one.text for one in contradictions(case) if one.keys]
    if not told:
        return ()
    more = f" And {count(len(told) - 1, 'more question')} below." if len(told) > 1 else ""
    return (("Numbers of this case contradict each other, and are held against no limit.", f"{told[0]}{more}"),)


def _matters(
    review: Review | None, numbers: Iterable[Latest], gases: GasesView | None, weaning: Weaning, moment: Moment
) -> Iterator[tuple[str, str]]:
    """The weightiest of the review; of typed numbers, crossed limits by their kind, then gas, then the trial."""
    if review is not None:
        for matter in first_three(review, verdicts(review)):
            yield matter.headline, whole_sentences(matter.detail, MOST_DETAIL)
        return
    crossed = [one for one in numbers if one.state == "crossed" and one.limit is not None]
    if any(one.quantity.key == "driving_pressure_cmh2o" for one in crossed):
        crossed = [one for one in crossed if one.quantity.key != SET_DRIVING]
    for one in sorted(crossed, key=lambda one: -BY_KIND[one.limit.kind] if one.limit else 0.0):
        source = "" if one.limit is None else sentence(one.limit.source)
        yield sentence(f"{one.quantity.label} {one.value}: not {one.bound}"), f"{_taken(one, moment)} {source}"
    if gases is not None and gases.gases[-1].acid_base.startswith("Acid and base: ") and not _normal(gases):
        last = gases.gases[-1]
        when = sentence(moment.taken(moment.case.drawn_at_s(in_order(moment.case)[-1])))
        lines = sentence("; ".join(last.acid_base_lines)) if last.acid_base_lines else ""
        yield last.acid_base, f"{when} {lines}".strip()
    signs = [item.name for item in weaning.failure if item.state == "met"]
    if signs:
        trial = weaning.trial
        when = "" if trial is None else sentence(f"from {moment.ago(trial.start_s)}, on {trial.support.words}")
        yield sentence(f"signs of failure in the breathing trial: {', '.join(signs)}"), when


def _taken(one: Latest, moment: Moment) -> str:
    """When a number is of, and under which settings where others hold now."""
    return sentence(f"{one.origin} {moment.taken(one.at_s)}".strip())


def _normal(gases: GasesView) -> bool:
    return gases.gases[-1].acid_base.startswith("Acid and base: none")


def _unlike(review: Review) -> Iterator[str]:
    """Noted numbers that differ from the measured ones, the first few."""
    unlike = [seen for seen in observations(review) if seen.measured is not None and not seen.agrees]
    for seen in unlike[:MOST_UNLIKE]:
        measured = "" if seen.measured is None else seen.quantity.text(seen.measured.median)
        why = f" {seen.why[0]}" if seen.why else ""
        yield shorter(f"{seen.label}: noted {seen.quantity.text(seen.noted)}, measured {measured}.{why}", MOST_LINE)


def _open(case: Case, review: Review | None, numbers: Iterable[Latest], gases: GasesView | None) -> Iterator[str]:
    """What the case leaves unknown, what is asked first first."""
    by_key = {one.quantity.key: one for one in numbers}
    who = population(case.patient)
    if who.group is None:
        yield "Which limits hold? No age is given."
    if case.airway.interface in (None, *TUBES) and by_key["plateau_pressure_cmh2o"].spread is None:
        why = "None was noted" if review is None else f"Blank: {by_key['plateau_pressure_cmh2o'].why}"
        yield f"Plateau and driving pressure? {why}."
    if review is not None:
        yield from _unlike(review)
    if case.airway.interface in (None, *TUBES) and by_key["total_peep_cmh2o"].origin in ("", "estimated"):
        yield "Trapped gas? Total PEEP is not measured: an expiratory hold tells it."
    if gases is None:
        yield "Gas exchange? No blood gas in the case."
    elif any("site not stated" in gas.heading for gas in gases.gases):
        yield "Which blood? A gas without its site was not read."
    old = [one for one in numbers if EARLIER in one.note and one.spread is not None]
    if old:
        yield f"Still so? Taken under earlier settings: {', '.join(one.quantity.symbol for one in old[:4])}."
    if by_key["cuff_pressure_cmh2o"].spread is None and case.airway.interface == "endotracheal tube":
        yield "Cuff pressure? None was noted."
    if not case.settings:
        yield "What is set? The case has no settings."
