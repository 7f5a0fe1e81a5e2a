"""``tidebench simulate``: a scenario goes in, a case with its truth comes out. ``tidebench patients``: who there is."""

from __future__ import annotations

from pathlib import Path

from tidebench.caution import CAUTION
from tidebench.cli.progress import progress_bar


def simulate(scenario: Path, /, *, out: Path) -> None:
    """Simulate an invented patient on a ventilator, and write a case folder with the truth beside it.

    The shortest scenario is one line, such as who = "copd": a patient of `tidebench patients`, on settings that suit.

    Parameters
    ----------
    scenario : Path
        The scenario, a TOML file: who, settings, manoeuvres, events, sensors. Every key is on the documentation's page
        scenario-keys.
    out : Path
        Where the case goes: a new folder, or an earlier simulation, which is replaced.
    """
    from tidebench.simulation import load_scenario, simulate_case
    from tidebench.simulation.doubts import run_doubts, scenario_doubts

    told = load_scenario(scenario)
    for doubt in scenario_doubts(told):
        print(f"Warning: {doubt}")
    with progress_bar() as tell:
        done = simulate_case(told, out, progress=tell)
    for doubt in run_doubts(done):
        print(f"Warning: {doubt}")
    seconds = done.scenario.duration_s
    print(f"{done.scenario.title}: an invented patient, {seconds:g} s.")
    print(f"Breaths: {done.breaths.height}. Efforts: {done.efforts.height}.")
    print(f"Case: {out.resolve()}\nNext: tidebench review {out} --out {out}-review\n\n{CAUTION}")


def patients(name: str | None = None, /) -> None:
    """List the library of invented patients, or every value of one with its range and source.

    Parameters
    ----------
    name : str
        One patient, such as copd.
    """
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from tidebench.simulation.parameters import patient_names, sources, title_of

    if name is None:
        table = Table("name", "invented patient", box=None, pad_edge=False)
        for known in patient_names():
            table.add_row(known, Text(title_of(known)))
    else:
        table = Table("key", "value", "from", "to", "source", box=None, pad_edge=False)
        for row in sources(name):
            bounds = ("" if bound is None else f"{bound:g}" for bound in (row.low, row.high))
            shown = f"{row.value:g}" if isinstance(row.value, float) else str(row.value)
            table.add_row(*map(Text, (row.key, shown, *bounds, row.source)))
    console = Console(highlight=False)
    console.print(table)
    console.print(f"\nInvented patients. {CAUTION}")
