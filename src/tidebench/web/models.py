"""What goes over the line: one model per answer, filled from the views."""

from __future__ import annotations

from math import isfinite
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from tidebench.web.spoken import Spoken

Name = Annotated[str, Field(max_length=80)]
Words = Annotated[str, Field(max_length=4000)]
Seconds = Annotated[float, Field(ge=-1e8, le=1e8, allow_inf_nan=False)]
Numbers = list[float | None]


class Told(BaseModel):
    """An answer; it is read from views by their attributes."""

    model_config = ConfigDict(from_attributes=True)


class Asked(BaseModel):
    """What a request says; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid")


class Refusal(Told):
    """Why something can't be done, as the command line would say it."""

    problem: Spoken


class Licence(Told):
    """Something that is inside, and under which licence."""

    name: str
    licence: str


class About(Told):
    """The program, what it is not for, and whether a password is needed."""

    version: str
    caution: str
    decide: str
    locked: bool
    inside: list[Licence]


class UploadLimit(Told):
    """How large a file may be, and what is said of a larger one."""

    bytes: int
    words: str


class SourceTold(Told):
    """A source, and what rests on it."""

    source: str
    of: list[str]


class Password(Asked):
    """A password."""

    password: Annotated[str, Field(max_length=1024)]


class QuantityTold(Told):
    """What is known of a quantity."""

    key: str
    label: str
    symbol: str
    unit: str
    decimals: int
    percent: bool
    plausible: tuple[float, float]
    definition: str
    source: str


# --- casebook ---------------------------------------------------------------------------------------------------------


class EntryTold(Told):
    """A case of the casebook."""

    name: str
    title: str
    problem: Spoken
    recording: bool
    reviewed: Literal["no", "yes", "outdated"]
    changed: float


class FieldTold(Told):
    """A field of the form."""

    table: str
    key: str
    label: str
    unit: str
    possible: str
    choices: list[str]
    modes: list[str]
    kind: Literal["number", "whole", "numbers", "choice", "tick", "text"]


class SectionTold(Told):
    """Fields that belong together."""

    key: str
    title: str
    fields: list[FieldTold]
    note: str
    several: bool
    folded: bool


class SlipTold(Told):
    """An answer that can't be used."""

    table: str
    key: str
    problem: Spoken


class NewCase(Asked):
    """A form as it was filled in, with the file that belongs to it and what its columns are."""

    title: Annotated[str, Field(max_length=200)] = ""
    notes: Words = ""
    answers: dict[Name, dict[Name, Annotated[str, Field(max_length=400)]]] = {}
    meant: Annotated[list[Words], Field(max_length=50)] = []
    upload: Annotated[str, Field(max_length=32)] = ""
    columns: Annotated[dict[Annotated[str, Field(max_length=400)], Name], Field(max_length=400)] = {}
    without: Annotated[list[Annotated[str, Field(max_length=400)]], Field(max_length=400)] = []


class Made(Told):
    """A case that was made, or what is in the way: slips to mend, questions to answer."""

    name: str
    slips: list[SlipTold]
    doubts: list[str]


class ColumnTold(Told):
    """A column of a file as it is understood."""

    header: str
    quantity: str
    unit: str
    cells: list[str]
    person: bool


class UploadTold(Told):
    """A file that waits to be taken."""

    token: str
    file: str
    size: int
    columns: list[ColumnTold]
    problem: Spoken
    people: list[str]
    comments: bool


class CaseColumnsTold(Told):
    """The columns of a case's recording, and what is said of them by header."""

    columns: list[ColumnTold]
    problem: Spoken
    said: dict[str, str]


class Mappable(Told):
    """A quantity that a column may hold, and the units it may have."""

    key: str
    label: str
    units: list[str]


class Mapped(Asked):
    """What a person says columns hold."""

    columns: Annotated[dict[Annotated[str, Field(max_length=400)], Name], Field(max_length=400)] = {}


class JobTold(Told):
    """Long work, and how far it is."""

    name: str
    about: str
    state: Literal["waiting", "running", "done", "refused", "cancelled"]
    stage: str
    share: float
    problem: Spoken


# --- review -----------------------------------------------------------------------------------------------------------


class NumberTold(Told):
    """A number in words: key of its quantity, label, value, spread, breaths behind it."""

    key: str
    label: str
    value: str
    range: str
    n: int
    source: str
    verdict: str
    limit: str


class GroupTold(Told):
    """Numbers that tell one thing."""

    name: str
    numbers: list[NumberTold]


class AnswerTold(Told):
    """A question and its numbers."""

    question: str
    lead: str
    groups: list[GroupTold]


class MatterTold(Told):
    """Something that matters."""

    headline: str
    detail: str


class SeriesTold(Told):
    """A quantity along the record; ``low`` and ``high`` are empty where each breath is shown."""

    key: str
    label: str
    unit: str
    time_s: Numbers
    median: Numbers
    low: Numbers
    high: Numbers


class HappeningTold(Told):
    """Something at one time: a change of settings, a hold, a line of the log."""

    at_s: float
    kind: str
    text: str


class GapTold(Told):
    """Where nothing was recorded."""

    start_s: float
    end_s: float


class AboutKind(Told):
    """What a kind of finding is."""

    seen: str
    source: str
    behind: str
    further: str


class KindTold(Told):
    """A kind of finding, when its findings are and on which breaths."""

    kind: str
    label: str
    about: AboutKind
    count: int
    rate: str
    share: str
    cluster: str
    index: list[int]
    starts_s: list[float]
    ends_s: list[float]
    breaths: list[int | None]


class UntoldTold(Told):
    """What can't be told, and why."""

    text: str


class EffectTold(Told):
    """A quantity on two sides of something."""

    key: str
    label: str
    unit: str
    change: str
    spread: str
    clear: bool


class StepTold(Told):
    """What a change of settings did."""

    at_s: float
    time: str
    changed: str
    effects: list[EffectTold]


class ReviewTold(Told):
    """A case's page."""

    name: str
    title: str
    patient: str
    recording: str
    quality: list[str]
    settings: list[HappeningTold]
    duration_s: float
    rate_hz: float
    breaths: int
    typical_breath: int | None
    first_from_s: float
    first_to_s: float
    channels: list[str]
    volume_from: str
    matters: list[MatterTold]
    answers: list[AnswerTold]
    untold: list[UntoldTold]
    panels: list[list[SeriesTold]]
    happenings: list[HappeningTold]
    gaps: list[GapTold]
    kinds: list[KindTold]
    marked: dict[int, str]
    tally: str
    steps: list[StepTold]
    policy: str
    caution: str
    version: str


class BreathMarkTold(Told):
    """A breath as it is shaded."""

    breath: int
    start_s: float
    turn_s: float
    end_s: float
    trigger: str
    delivery: str
    mandatory: bool | None
    passivity: str


class EffortTold(Told):
    """An effort as it is marked."""

    start_s: float
    end_s: float
    outcome: str


class HoldTold(Told):
    """A hold as it is labelled."""

    start_s: float
    end_s: float
    label: str


class MarksTold(Told):
    """What stands over a stretch of signals."""

    breaths: list[BreathMarkTold] | None
    efforts: list[EffortTold]
    holds: list[HoldTold]


class AccountTold(Told):
    """Where the pressure of a breath went."""

    time_s: list[float]
    pressure: list[float]
    start: float
    elastic: list[float]
    resistive: list[float]
    muscle: list[float]
    residual: list[float]
    expiration_s: float
    mechanics_from: str
    unexplained: str


class InstantTold(Told):
    """The account at one instant, in words."""

    name: str
    after: str
    pressure: str
    start: str
    elastic: str
    resistive: str
    muscle: str
    unexplained: str


class LoopTold(Told):
    """A breath over volume."""

    breath: int
    earlier: int
    pressure_cmh2o: list[float]
    flow_l_min: list[float]
    volume_ml: list[float]


class BreathNumberTold(Told):
    """A quantity of a breath: its value, or the reason why there is none."""

    key: str
    label: str
    value: str
    reason: str


class BreathTold(Told):
    """One breath and what explains it."""

    breath: int
    heading: str
    start_s: float
    turn_s: float
    end_s: float
    numbers: list[BreathNumberTold]
    account: AccountTold | None
    no_account: str
    instants: list[InstantTold]
    loops: list[LoopTold]


class MarkTold(Told):
    """What somebody said of a finding."""

    state: str
    note: str
    who: str
    when: str
    rule_version: int | None


class FindingTold(Told):
    """One finding in full."""

    index: int
    kind: str
    label: str
    breath: int | None
    start_s: float
    end_s: float
    time: str
    confidence: str
    evidence: str
    values: list[tuple[str, str]]
    rule: str
    rule_version: int
    about: AboutKind
    decide: str
    mark: MarkTold | None


class MarkAsked(Asked):
    """A word on a finding; ``open`` takes an earlier one back.

    ``seen`` is when the mark was made that the page shows, empty where it shows none: what another said since then is
    not written over. Where it is null nothing is compared.
    """

    state: Literal["confirmed", "rejected", "unsure", "open"]
    note: Annotated[str, Field(max_length=2000)] = ""
    who: Annotated[str, Field(max_length=80)] = ""
    seen: Annotated[str, Field(max_length=40)] | None = None


class Marked(Told):
    """The finding after it was marked, how many are, and the mark that stood until then."""

    finding: FindingTold
    tally: str
    before: MarkTold | None


class SideTold(Told):
    """One of two stretches."""

    from_s: float
    to_s: float
    text: str
    breaths: int
    findings: dict[str, int]


class ComparisonTold(Told):
    """Two stretches side by side."""

    first: SideTold
    second: SideTold
    effects: list[EffectTold]


def numbers(values: Any) -> Numbers:
    """An array as JSON knows it: six significant digits, null for NaN."""
    return [float(f"{value:.6g}") if isfinite(value) else None for value in values.tolist()]
