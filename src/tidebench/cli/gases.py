"""``tidebench gases``: the blood gases of a case, read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

from tidebench.cli.options import Number, Switch, Unit, Words, print_json
from tidebench.cli.printing import as_is, heading, lines, say
from tidebench.cli.progress import progress_bar

if TYPE_CHECKING:
    import polars as pl
    from rich.console import Console

    from tidebench.case import Case
    from tidebench.limits import Condition, Policy
    from tidebench.review import Progress
    from tidebench.views.gases import GasesView, GasSection

MMHG_PER_KPA = 7.50062


def gases(
    case: Path,
    /,
    *,
    target_paco2: Number = None,
    review: Path | None = None,
    unit: Unit = "mmHg",
    gas: int | None = None,
    barometric: Number = None,
    altitude: Number = None,
    temperature: Number = None,
    high_flow: Number = None,
    expired_pco2: Number = None,
    cardiac_output: Number = None,
    mixed_venous: Number = None,
    sodium: Number = None,
    chloride: Number = None,
    albumin: Number = None,
    said: Words = (),
    condition: Words = (),
    policy: Path | None = None,
    json: Switch = False,
) -> None:
    """Read the blood gases of a case: acid and base, oxygen, ventilation, ARDS by published definitions, trend.

    Parameters
    ----------
    case : Path
        The case folder, or its case.toml.
    target_paco2 : float
        A PaCO2 to bring the last arterial gas to: the ventilation that it would take.
    review : Path
        The result of a review of this case; its recording is reviewed anew unless one is named.
    unit : str
        Of gas tensions in options and in print; --json keeps mmHg.
    gas : int
        Which gas, in order of time, the numbers below belong to; the last unless said.
    barometric : float
        Pressure of the air.
    altitude : float
        Metres above the sea, instead of it.
    temperature : float
        The patient's, °C: the gas at that temperature is shown beside.
    high_flow : float
        Flow of a high-flow cannula, L/min.
    expired_pco2 : float
        PCO2 of mixed expired gas, for dead space and CO2 elimination.
    cardiac_output : float
        L/min, for oxygen delivery.
    mixed_venous : float
        Mixed venous saturation as a fraction, for shunt.
    sodium : float
        mmol/L, for the anion gap.
    chloride : float
        mmol/L.
    albumin : float
        g/dL.
    said : str
        What a definition needs and you know: imaging, timing, cause, four-hours, not-perinatal. May be given again.
    condition : str
        What limits may presuppose of the patient: ARDS, "paediatric ARDS", ... May be given again.
    policy : Path
        A house's limits, used instead of published ones; a policy.toml in the case folder unless named.
    json : bool
        Print the reading as JSON and nothing else.
    """
    from tidebench.care.gases import Typed, read_gases
    from tidebench.case import load_case
    from tidebench.results import policy_for

    typed = Typed(
        gas=gas,
        barometric_mmhg=_mmhg(barometric, unit, "--barometric", 250.0, 850.0),
        altitude_m=altitude,
        temperature_c=temperature,
        cardiac_output_l_min=cardiac_output,
        mixed_expired_pco2_mmhg=_mmhg(expired_pco2, unit, "--expired-pco2", 0.0, 150.0),
        mixed_venous_saturation=mixed_venous,
        sodium_mmol_l=sodium,
        chloride_mmol_l=chloride,
        albumin_g_dl=albumin,
        high_flow_l_min=high_flow,
        said=frozenset(said),
    )
    told = load_case(case)
    house = policy_for(told, policy)
    with progress_bar(shown=not json) as tell:
        page = read_gases(
            told,
            typed=typed,
            target_paco2_mmhg=_mmhg(target_paco2, unit, "--target-paco2", 15.0, 150.0),
            breaths=_breaths(told, review, house, tell),
            name=str(case),
            policy=house,
            conditions=cast("tuple[Condition, ...]", condition),
        )
    if json:
        from dataclasses import asdict

        print_json(asdict(page))
        return
    from rich.console import Console

    from tidebench.views.gases import gases_view

    print_gases(gases_view(page, unit), Console(highlight=False))


def _mmhg(value: Number, unit: Unit, option: str, low: float, high: float) -> Number:
    """A tension or pressure in mmHg.

    Raises
    ------
    OptionError
        It can't be one, told in the unit in which it was typed.
    """
    from tidebench.errors import OptionError

    if value is None:
        return None
    size, other = (MMHG_PER_KPA, 1.0) if unit == "kPa" else (1.0, MMHG_PER_KPA)
    if low <= value * size <= high:
        return value * size
    meant = f"In {'mmHg' if unit == 'kPa' else 'kPa'} it could be: then write {value * other / size:.3g} {unit}."
    raise OptionError(
        f"{value:g} {unit} can't be used",
        where=option,
        expected=f"{low / size:.3g} to {high / size:.3g} {unit}",
        remedy=meant if low <= value * other <= high else "",
    )


def _breaths(case: Case, result: Path | None, house: Policy | None, tell: Progress) -> pl.DataFrame | None:
    """The breaths of this very case with what their capnograms tell: of a result, else of its recording.

    Raises
    ------
    InputError
        There is no result, it holds no breaths, or it is another case's; the recording can't be read.
    """
    from tidebench.care.gases import with_capnograms
    from tidebench.results import breaths_of_result
    from tidebench.review import review

    if result is not None:
        return with_capnograms(*breaths_of_result(result, case))
    if not case.recordings or not case.blood_gases:
        return None
    done = review(case, policy=house, progress=tell)
    return with_capnograms(done.breaths, None if done.capnogram is None else done.capnogram.breaths)


def print_gases(view: GasesView, console: Console) -> None:
    """Gas by gas, then trend, target and caution."""
    say(view.title, console, "bold")
    say(view.policy, console)
    lines(view.doubts, console)
    for gas in view.gases:
        _gas(gas, console)
    if view.trend:
        heading("Over the arterial gases", console)
        lines((*view.trend, *view.changed), console)
    if view.target is not None:
        heading(view.target.heading, console)
        say(view.target.lead, console)
        lines(view.target.lines, console)
        console.print()
        for words in view.target.words:
            say(words, console)
        if view.target.command:
            say("Rehearse it:", console)
            console.print(as_is(view.target.command), soft_wrap=True)
    console.print()
    say(view.caution, console, "italic")


def _gas(gas: GasSection, console: Console) -> None:
    from rich.table import Table

    heading(gas.heading, console)
    say(gas.conditions, console)
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    for number in gas.numbers:
        label = number.label if number.label == number.symbol else f"{number.label} ({number.symbol})"
        table.add_row(as_is(label), as_is(number.text, "bold"), as_is(number.origin))
    console.print(table)
    lines([gas.at_body] if gas.at_body else [], console)
    console.print()
    say(gas.acid_base, console, "bold")
    lines(gas.acid_base_lines, console)
    for name, told in (("Held against limits", gas.held), ("By published definitions", gas.grades),
                       ("Not computed", gas.untold), ("To know", gas.notes)):  # fmt: skip
        if told:
            console.print()
            say(name, console)
            lines(told, console)
