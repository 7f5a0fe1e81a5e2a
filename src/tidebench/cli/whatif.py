"""``tidebench whatif``: a change of settings, rehearsed on the patient who was recorded."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite, isnan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from tidebench.caution import CAUTION
from tidebench.cli.options import From, Switch, Words, print_json
from tidebench.cli.progress import progress_bar

if TYPE_CHECKING:
    from rich.console import Console

    from tidebench.errors import CaseError
    from tidebench.fitting.change import WhatIf
    from tidebench.fitting.target import Search
    from tidebench.rehearsal import Rehearsal

MOST_OF_IT = 0.3  # of an answer's doubt, from where on the parameter is named


def whatif(
    case: Path,
    /,
    *,
    out: Path,
    set_: Annotated[tuple[str, ...], Parameter(name="--set", negative="", show_default=False)] = (),
    from_: From = None,
    to: float | None = None,
    assume: Words = (),
    sweep: Words = (),
    show: str | None = None,
    target: str | None = None,
    within: Words = (),
    policy: Path | None = None,
    reacting: Switch = False,
    minutes: float | None = None,
    seed: int = 0,
    json: Switch = False,
) -> None:
    """Fit a patient to a recorded case and rehearse a change of settings.

    Parameters
    ----------
    case : Path
        The case folder, or its case.toml.
    out : Path
        Where the result goes: a new folder, or an earlier rehearsal, which is replaced.
    set_ : str
        A setting and its new value, such as rate_per_min=14; may be given again.
    from_ : float
        Where the stretch begins that the patient is fitted to, s; the best one is proposed unless said.
    to : float
        Where it ends, s.
    assume : str
        A lung where the stretch shows none: compliance_ml_cmh2o=50, inspiratory_resistance_cmh2o_s_l=10.
    sweep : str
        A setting through a range, such as peep_cmh2o=5:15:1; two make a map.
    show : str
        The quantity that a sweep draws.
    target : str
        A quantity to bring to a value, such as paco2_mmhg=45 or ph=7.35.
    within : str
        What a search keeps inside, such as "driving_pressure_cmh2o<=13"; may be given again.
    policy : Path
        A house's limits, used instead of published ones; a policy.toml in the case folder unless another is named.
    reacting : bool
        Let drive follow carbon dioxide and load, instead of keeping effort as it was.
    minutes : float
        Follow blood gases for so many minutes after the change.
    seed : int
        The same seed draws the same patients.
    json : bool
        Print whatif.json and nothing else.
    """
    from tidebench.errors import CaseError
    from tidebench.fitting.sweep import range_of
    from tidebench.fitting.target import bound_of, target_of
    from tidebench.rehearsal import Asked, as_json, known_quantity, whatif_case

    asked = Asked(
        settings=pairs(set_, "--set"),
        from_s=from_,
        to_s=to,
        assume=numbers(assume, "--assume"),
        ranges=tuple(range_of(text) for text in sweep),
        show=None if show is None else known_quantity(show),
        target=None if target is None else target_of(target),
        bounds=tuple(bound_of(text) for text in within),
        seed=seed,
        reacting=reacting,
        minutes=minutes,
    )
    with progress_bar(shown=not json) as tell:
        try:
            done = whatif_case(case, out, asked, policy=policy, progress=tell)
        except CaseError as refusal:
            raise as_typed(refusal, set_, sweep) from None
    if json:
        print_json(as_json(done))
        return
    from rich.console import Console

    print_rehearsal(done, Console(highlight=False))
    print(f"\nResult: {out.resolve()}\n\n{CAUTION}")


def as_typed(refusal: CaseError, set_: tuple[str, ...], sweep: tuple[str, ...]) -> CaseError:
    """A refused setting, named by the option and the words that were typed; another refusal as it is."""
    from tidebench.errors import CaseError

    for option, words in (("--set", set_), ("--sweep", sweep)):
        for word in words:
            if word.partition("=")[0].strip() == refusal.where:
                where = f"{option} {word}"
                return CaseError(refusal.problem, where=where, expected=refusal.expected, remedy=refusal.remedy)
    return refusal


def pairs(words: tuple[str, ...], where: str) -> dict[str, Any]:
    """``KEY=VALUE`` as settings; numbers as numbers.

    Raises
    ------
    OptionError
        A word without a key or a value, or a key given twice.
    """
    from tidebench.errors import OptionError

    told: dict[str, Any] = {}
    for word in words:
        key, _, value = (part.strip() for part in word.partition("="))
        if not key or not value:
            raise OptionError(f"{word!r} says no value", where=where, expected="KEY=VALUE, such as rate_per_min=14")
        if key in told:
            raise OptionError(f"{key} is given twice", where=where)
        try:
            told[key] = float(value)
        except ValueError:
            told[key] = value
    return told


def numbers(words: tuple[str, ...], where: str) -> dict[str, float]:
    """``KEY=NUMBER`` as numbers."""
    from tidebench.errors import OptionError

    told = pairs(words, where)
    for key, value in told.items():
        if not isinstance(value, float):
            raise OptionError(f"{key}={value} is no number", where=where, expected="KEY=NUMBER")
    return told


def print_rehearsal(done: Rehearsal, console: Console) -> None:
    """The answer first: a search's ways, now against then and limits; then what it stands on."""
    answer = done.answer
    if done.sought is not None:
        _ways(done.sought, console)
    if done.sought is None or answer.now.setting != answer.then.setting:
        _changes(done, console)
        _limits(answer, console)
    _list("Beyond what was recorded", answer.beyond, console)
    _fit(done, console)
    _list("Assumed", answer.assumptions, console)
    _leaning(answer.leaning, console)


def _limits(answer: WhatIf, console: Console) -> None:
    """Limits that are not kept, a line each; the others by name."""
    from rich.text import Text

    from tidebench.quantities import quantity
    from tidebench.views.rehearsal import kind_of

    told = [one for one in answer.limits if "can't" not in one.then]
    kept = [one for one in told if one.then == one.now == "within" and not one.beyond_then > 0]
    for one in told:
        if one not in kept:
            share = f", {100 * one.beyond_then:.0f} % of drawn patients beyond" if isfinite(one.beyond_then) else ""
            name = quantity(one.limit.key).label
            words = f"- {name}: {one.limit.bound} ({kind_of(one.limit)}): now {one.now}, then {one.then}{share}"
            console.print(Text(words))
    if kept:
        names = "; ".join(f"{quantity(one.limit.key).label} ({one.limit.bound}, {kind_of(one.limit)})" for one in kept)
        console.print(Text(f"- within, now and then, in all drawn patients: {names}"))


def _leaning(told: Mapping[str, Mapping[str, float]], console: Console) -> None:
    from tidebench.quantities import quantity
    from tidebench.views.rehearsal import parameter_name

    lines = []
    for key, shares in told.items():
        name, share = max(shares.items(), key=lambda pair: pair[1], default=("", 0.0))
        if share > MOST_OF_IT:
            lines.append(f"{quantity(key).label}: {100 * share:.0f} % of its doubt is that of {parameter_name(name)}")
    _list("Leans on", tuple(lines), console)


def _list(title: str, lines: tuple[str, ...], console: Console) -> None:
    from rich.text import Text

    if lines:
        console.print(Text(f"\n{title}", style="bold underline"))
        for line in lines:
            console.print(Text(f"- {line}."))


def _fit(done: Rehearsal, console: Console) -> None:
    from rich.table import Table
    from rich.text import Text

    from tidebench.views.rehearsal import fitted_rows

    answer = done.answer
    window = answer.fit.window
    console.print(Text("\nThe fitted patient", style="bold underline"))
    console.print(Text(
        f"Fitted to {len(window.breaths)} breaths from {window.from_s:.0f} to {window.to_s:.0f} s ({window.reason}). "
        f"The present is reproduced within {answer.overlay.pressure_error_cmh2o:.2f} cmH2O and "
        f"{answer.overlay.volume_error_percent:.1f} % of volume. Where each number comes from is in whatif.json."
    ))  # fmt: skip
    table = Table("fitted", "value", "5th to 95th", box=None, pad_edge=False)
    for row in fitted_rows(answer.fit):
        table.add_row(*map(Text, (row.label, row.value, row.span or row.why)))
    console.print(table)


def _changes(done: Rehearsal, console: Console) -> None:
    from rich.table import Table
    from rich.text import Text

    from tidebench.quantities import quantity
    from tidebench.views.rehearsal import SHOWN, amount, signed, span_words

    table = Table("quantity", "now", "then", "90 %", "change", "90 %", box=None, pad_edge=False)
    told = {change.key: change for change in done.answer.changes}
    for key in SHOWN:
        change, record = told.get(key), quantity(key)
        if change is None or isnan(change.then[0]):
            continue
        cells = (
            record.label, record.text(change.now[0]), amount(record, change.then[0]), span_words(record, change.then),
            signed(record, change.change[0]),
            f"{signed(record, change.change[1])} to {signed(record, change.change[2])}",
        )  # fmt: skip
        table.add_row(*map(Text, cells))
    console.print(table)
    console.print()


def _ways(sought: Search, console: Console) -> None:
    from rich.text import Text

    from tidebench.views.rehearsal import search_notes, target_words, typed_setting, way_lines
    from tidebench.views.wording import sentence

    console.print(Text(sentence(target_words(sought)), style="bold underline"))
    for line in way_lines(sought, typed_setting):
        console.print(Text(f"- {line}."))
    for line in search_notes(sought):
        console.print(Text(line))
