"""A lesson as a person writes it: ``lesson.toml``, read and checked whole."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

from tidebench.case_errors import explain as in_words
from tidebench.entries import Within, refusal
from tidebench.errors import CaseError
from tidebench.lessons.truths import LABELS, TRUTHS
from tidebench.simulation.protocol import EventKind

FILE = "lesson.toml"
MOST_BYTES = 256 << 10
MOST_STEPS, MOST_PATIENTS = 30, 12
LONGEST_S = 1800.0
PER_KG = "_ml_kg"

Line = Annotated[str, StringConstraints(min_length=1, max_length=240)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=1600)]
Key = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=40)]
Span = tuple[Annotated[float, Field(allow_inf_nan=False)], Annotated[float, Field(allow_inf_nan=False)]]
Seconds = Annotated[float, Within(0, LONGEST_S, "s")]
TruthKey = Annotated[str, StringConstraints(max_length=40)]
Channel = Literal["airway_pressure", "flow", "volume", "co2", "muscle_pressure", "oesophageal_pressure"]
Holding = Literal["inspiratory hold", "expiratory hold", "occlusion", "disconnection", "suction"]
SEEN: tuple[Channel, ...] = ("airway_pressure", "flow")


class Table(BaseModel):
    """A frozen table that refuses unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Bound(Table):
    """A truth inside limits, such as a driving pressure of at most 15 cmH2O.

    ``blur`` is how near to a limit a value may lie and count either way where breaths are told apart.
    """

    truth: TruthKey
    least: float | None = None
    most: float | None = None
    blur: Annotated[float, Within(0, 1000)] = 0.0

    @model_validator(mode="after")
    def _limits(self) -> Self:
        _known(self.truth)
        if self.least is None and self.most is None:
            raise refusal("has no limit", "least, most, or both")
        if self.least is not None and self.most is not None and self.least >= self.most:
            raise refusal("has least at or above most", "least below most")
        return self

    def holds(self, value: float, slack: float = 0.0) -> bool:
        """True where a value lies inside the limits, drawn out by ``slack``; False for NaN."""
        low = -float("inf") if self.least is None else self.least - slack
        high = float("inf") if self.most is None else self.most + slack
        return low <= value <= high


class Objective(Table):
    """What a learner can do after the lesson."""

    key: Key
    text: Line


class Variant(Table):
    """One of the things that may be the matter with a patient; which one, the seed says.

    ``scenario`` amends the patient's own tables, ``bedside`` is what eyes, ears and hands would tell.
    """

    key: Key
    bedside: Annotated[str, StringConstraints(max_length=240)] = ""
    scenario: dict[str, Any] = Field(default_factory=dict)
    events: tuple[dict[str, Any], ...] = ()
    manoeuvres: tuple[dict[str, Any], ...] = ()
    times: dict[str, Span] = Field(default_factory=dict)
    ranges: dict[str, Span] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _upwards(self) -> Self:
        _low_to_high(self)
        return self


def _low_to_high(drawn: Variant | Patient) -> None:
    for name in ("ranges", "times"):
        wrong = [key for key, (low, high) in getattr(drawn, name).items() if low > high]
        if wrong:
            raise refusal(f"has {name} of {wrong[0]} from high to low", "the lower value first")


class Patient(Table):
    """A patient of a lesson: a scenario with ranges, or a stretch of a de-identified reviewed case.

    ``ranges`` draws a value for a key evenly from low to high, ``times`` multiplies the value that stands there; a
    ``*`` in a key stands for every compartment, and all get the same factor.
    """

    scenario: dict[str, Any] | None = None
    ranges: dict[str, Span] = Field(default_factory=dict)
    times: dict[str, Span] = Field(default_factory=dict)
    variants: tuple[Variant, ...] = ()
    case: Literal["case"] | None = None

    @model_validator(mode="after")
    def _one_of_two(self) -> Self:
        if (self.scenario is None) == (self.case is None):
            raise refusal("is neither or both of a virtual patient and a case", 'scenario, or case = "case"')
        if self.case and (self.ranges or self.times or self.variants):
            raise refusal("draws a recorded patient", "ranges, times and variants for a scenario only")
        _low_to_high(self)
        _once("variant", [row.key for row in self.variants])
        return self


class Figure(Table):
    """A stretch of a patient's signals."""

    patient: Key
    from_s: Seconds = 0.0
    to_s: Seconds
    channels: tuple[Channel, ...] = SEEN
    caption: Annotated[str, StringConstraints(max_length=240)] = ""

    @model_validator(mode="after")
    def _forward(self) -> Self:
        if not 1.0 <= self.to_s - self.from_s <= 300.0:
            raise refusal(f"shows {self.to_s - self.from_s:g} s", "to_s 1 to 300 s after from_s")
        return self


class Told(Table):
    """A sentence of a narration, and when it is said."""

    at_s: Seconds
    text: Line


class _Step(Table):
    key: Key
    title: Line
    text: Text
    minutes: Annotated[float, Within(0.5, 30, "min")] = 2.0


class _Asked(_Step):
    objective: Key


class Explain(_Step):
    """Words, with a figure where there is something to see."""

    kind: Literal["explain"]
    figure: Figure | None = None


class Show(_Step):
    """A scripted bench: a stretch of a patient with a narrated timeline."""

    kind: Literal["show"]
    figure: Figure
    narration: Annotated[tuple[Told, ...], Field(min_length=1, max_length=12)]

    @model_validator(mode="after")
    def _told_in_time(self) -> Self:
        begin, end = self.figure.from_s, self.figure.to_s
        if late := [told.at_s for told in self.narration if not begin <= told.at_s <= end]:
            raise refusal(f"tells something at {late[0]:g} s", f"{begin:g} to {end:g} s, which the figure shows")
        return self


class Find(_Asked):
    """Mark the breaths that carry a label, or whose truth lies inside limits."""

    kind: Literal["find"]
    figure: Figure
    label: str | None = None
    where: Bound | None = None
    why: Text

    @model_validator(mode="after")
    def _one_of_two(self) -> Self:
        if (self.label is None) == (self.where is None):
            raise refusal("asks for neither or both of a label and limits", "label, or where")
        if self.label is not None and self.label not in LABELS:
            raise refusal(f"asks for {self.label!r}", ", ".join(LABELS))
        return self


class Measure(_Asked):
    """Give a number; where ``needs`` says so, by manoeuvres that the learner does at the running patient."""

    kind: Literal["measure"]
    figure: Figure
    truth: TruthKey
    tolerance: Annotated[float, Within(0, 1000)] = 0.0
    tolerance_percent: Annotated[float, Within(0, 50, "%")] = 10.0
    needs: tuple[Holding, ...] = ()
    why: Text

    @model_validator(mode="after")
    def _measurable(self) -> Self:
        _known(self.truth)
        return self


class Foreseen(Table):
    """One question of a prediction: does a truth rise, fall, or stay within ``same`` (its own unit)?"""

    truth: TruthKey
    same: Annotated[float, Within(0.001, 1000)]

    @model_validator(mode="after")
    def _measurable(self) -> Self:
        _known(self.truth)
        return self


class Predict(_Asked):
    """What will happen if ...? Then it is simulated; or, with a recorded case, looked up in what followed.

    ``settings`` and ``events`` come at ``at_s``; the last ``over_s`` before are held against the last ``over_s`` of
    the figure.
    """

    kind: Literal["predict"]
    figure: Figure
    at_s: Seconds
    over_s: Annotated[float, Within(1, 120, "s")] = 15.0
    settings: dict[str, Any] = Field(default_factory=dict)
    event: dict[str, Any] = Field(default_factory=dict)
    asks: Annotated[tuple[Foreseen, ...], Field(min_length=1, max_length=6)]
    why: Text

    @model_validator(mode="after")
    def _in_time(self) -> Self:
        if not self.figure.from_s + self.over_s <= self.at_s <= self.figure.to_s - self.over_s:
            raise refusal(f"changes at {self.at_s:g} s", "over_s after the figure's start, and over_s before its end")
        _once("question about", [ask.truth for ask in self.asks])
        return self


class Treatment(Table):
    """Something that is done at the bed: it takes time, and helps against some events only."""

    key: Key
    text: Line
    helps: tuple[EventKind, ...] = ()
    takes_s: Annotated[float, Within(1, 300, "s")] = 10.0
    disconnects: bool = False


class Action(Table):
    """What was done at a moment: settings changed, a manoeuvre, or a treatment. ``*_ml_kg`` is per predicted weight."""

    at_s: Seconds = 0.0
    settings: dict[str, Any] = Field(default_factory=dict)
    manoeuvre: Holding | None = None
    treatment: Key | None = None

    @model_validator(mode="after")
    def _something(self) -> Self:
        if (bool(self.settings) + (self.manoeuvre is not None) + (self.treatment is not None)) != 1:
            raise refusal("does none or several things", "settings, manoeuvre, or treatment")
        return self


class Reference(Action):
    """One step of a way that works; with ``only``, for one variant of the patient alone."""

    only: Key | None = None


class Act(_Asked):
    """Bring the patient inside limits within some minutes, and keep them there; any way that works counts."""

    kind: Literal["act"]
    patient: Key
    from_s: Annotated[float, Within(2, LONGEST_S, "s")] = 30.0
    within_s: Annotated[float, Within(20, 1500, "s")]
    keep_s: Annotated[float, Within(5, 300, "s")] = 30.0
    limits: Annotated[tuple[Bound, ...], Field(min_length=1, max_length=8)]
    may: tuple[str, ...] = ()
    treatments: Annotated[tuple[Treatment, ...], Field(max_length=10)] = ()
    reference: Annotated[tuple[Reference, ...], Field(min_length=1, max_length=12)]
    channels: tuple[Channel, ...] = SEEN
    why: Text

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.keep_s > self.within_s:
            raise refusal(f"keeps {self.keep_s:g} s of {self.within_s:g}", "keep_s up to within_s")
        if self.from_s + self.within_s > LONGEST_S:
            raise refusal("runs too long", f"from_s and within_s up to {LONGEST_S:g} s together")
        keys = [row.key for row in self.treatments]
        _once("treatment", keys)
        wrong = [row.treatment for row in self.reference if row.treatment and row.treatment not in keys]
        if wrong:
            raise refusal(f"refers to a treatment {wrong[0]!r} that it doesn't have", ", ".join(keys))
        set_ones = [key for row in self.reference for key in row.settings]
        if foreign := [key for key in set_ones if key.replace(PER_KG, "_ml") not in self.may]:
            raise refusal(f"has a reference that sets {foreign[0]}", f"one of what may be set: {', '.join(self.may)}")
        if late := [row.at_s for row in self.reference if row.at_s >= self.within_s]:
            raise refusal(f"has a reference at {late[0]:g} s", f"before its {self.within_s:g} s are over")
        return self


class Answer(Table):
    """One answer of a question, with its reason. What makes it right: a variant, a truth, or practice (``right``)."""

    text: Line
    reason: Line
    right: bool | None = None
    variant: Key | None = None
    where: Bound | None = None

    @model_validator(mode="after")
    def _one_reason(self) -> Self:
        if sum(said is not None for said in (self.right, self.variant, self.where)) != 1:
            raise refusal("is right for no reason or several", "one of right, variant and where")
        return self


class Choose(_Asked):
    """A question with reasons for each answer; from the truth wherever the truth can tell."""

    kind: Literal["choose"]
    figure: Figure | None = None
    answers: Annotated[tuple[Answer, ...], Field(min_length=2, max_length=8)]
    source: Line = "common practice, no source"

    @property
    def of_practice(self) -> bool:
        """Whether practice, with its source, makes an answer right, and not the patient that was drawn."""
        return all(answer.right is not None for answer in self.answers)

    @model_validator(mode="after")
    def _answerable(self) -> Self:
        _once("answer", [answer.text for answer in self.answers])
        told = [answer for answer in self.answers if answer.right is not None]
        if self.figure is None and len(told) < len(self.answers):
            raise refusal("asks the truth of no patient", "a figure, or right = true or false on each answer")
        if len(told) == len(self.answers) and not any(answer.right for answer in told):
            raise refusal("has no right answer", "right = true on one")
        return self


Step = Annotated[Explain | Show | Find | Measure | Predict | Act | Choose, Field(discriminator="kind")]
Asked = Find | Measure | Predict | Act | Choose
ASKED = (Find, Measure, Predict, Act, Choose)


class Lesson(Table):
    """A lesson whole."""

    title: Line
    audience: Line
    minutes: Annotated[int, Field(ge=3, le=90)]
    objectives: Annotated[tuple[Objective, ...], Field(min_length=1, max_length=6)]
    cautions: Annotated[tuple[Line, ...], Field(min_length=1, max_length=6)]
    sources: Annotated[tuple[Line, ...], Field(min_length=1, max_length=12)]
    pass_percent: Annotated[float, Within(50, 100, "%")] = 75.0
    renewal_months: Annotated[int, Field(ge=1, le=60)] = 12
    handout: Annotated[tuple[Line, ...], Field(min_length=1, max_length=12)]
    discussion: Annotated[tuple[Line, ...], Field(max_length=6)] = ()
    skills: Annotated[tuple[Line, ...], Field(min_length=1, max_length=12)]
    patients: Annotated[dict[Key, Patient], Field(max_length=MOST_PATIENTS)] = Field(default_factory=dict)
    steps: Annotated[tuple[Step, ...], Field(min_length=1, max_length=MOST_STEPS)]

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        keys = [step.key for step in self.steps]
        if twice := [key for key in keys if keys.count(key) > 1]:
            raise refusal(f"has two steps {twice[0]!r}", "a key of its own for each step")
        _once("objective", [row.key for row in self.objectives])
        objectives = {row.key for row in self.objectives}
        for asked in self.asked:
            if asked.objective not in objectives:
                raise refusal(
                    f"marks step {asked.key!r} for an objective {asked.objective!r} it doesn't have",
                    ", ".join(sorted(objectives)),
                )
        if untaught := objectives - {step.objective for step in self.asked}:
            raise refusal(f"has no question for {min(untaught)!r}", "a step that asks for each objective")
        for step in self.steps:
            name = patient_of(step)
            if name is not None and name not in self.patients:
                raise refusal(f"step {step.key!r} names a patient {name!r}", ", ".join(self.patients) or "[patients.*]")
            self._variants_fit(step)
            self._something_changes(step)
        return self

    def _something_changes(self, step: Any) -> None:
        idle = isinstance(step, Predict) and not (step.settings or step.event)
        if idle and self.patients[step.figure.patient].case is None:
            raise refusal(f"step {step.key!r} changes nothing", "settings or an event")
        if isinstance(step, Act):
            known = [row.key for row in self.patients[step.patient].variants]
            if wrong := [row.only for row in step.reference if row.only and row.only not in known]:
                raise refusal(
                    f"step {step.key!r} has a reference for a variant {wrong[0]!r}", ", ".join(known) or "none"
                )

    def _variants_fit(self, step: Any) -> None:
        if not isinstance(step, Choose) or step.figure is None:
            return
        known = {row.key for row in self.patients[step.figure.patient].variants}
        named = {answer.variant for answer in step.answers if answer.variant}
        if wrong := named - known:
            raise refusal(f"step {step.key!r} names a variant {min(wrong)!r}", ", ".join(sorted(known)) or "variants")
        if named and known - named:
            raise refusal(f"step {step.key!r} has no answer for the variant {min(known - named)!r}", "one for each")

    @property
    def asked(self) -> tuple[Asked, ...]:
        """The steps that are marked."""
        return tuple(step for step in self.steps if isinstance(step, ASKED))


def patient_of(step: Any) -> str | None:
    """The patient that a step looks at; None for words alone."""
    if isinstance(step, Act):
        return step.patient
    figure = getattr(step, "figure", None)
    return None if figure is None else str(figure.patient)


def load_lesson(folder: Path | str) -> Lesson:
    """The lesson in a folder, or in a file ``lesson.toml``.

    Raises
    ------
    CaseError
        No such file, not TOML, too large, an unknown key, a value that can't be, steps that contradict each other.
    """
    path = Path(folder)
    path = path / FILE if path.is_dir() else path
    try:
        if path.stat().st_size > MOST_BYTES:
            raise CaseError(f"the file is larger than {MOST_BYTES >> 10} KiB", where=path.name)
        said = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise CaseError(f"can't be read: {error.strerror}", where=str(path), expected=f"a lesson, {FILE}") from None
    except RecursionError:
        raise CaseError("arrays are nested too deep", where=path.name, expected="a lesson in TOML") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CaseError(f"this is not TOML: {str(error).rstrip('.')}", where=path.name) from None
    return lesson_from(said, name=path.name)


def lesson_from(said: Mapping[str, Any], *, name: str = FILE) -> Lesson:
    """The lesson that tables describe. Errors as :func:`load_lesson`."""
    try:
        return Lesson.model_validate(said)
    except ValidationError as error:
        raise in_words(error, said, Lesson, name) from None


def _once(what: str, keys: list[str]) -> None:
    if twice := [key for key in keys if keys.count(key) > 1]:
        raise refusal(f"has {what} {twice[0]!r} twice", "each of its own")


def _known(key: str) -> None:
    if key not in TRUTHS:
        raise refusal(f"asks for a truth {key!r} that there isn't", ", ".join(TRUTHS))
