"""A simulation as a case folder: what a user would know, the signals, and the truth beside them."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import tomlkit

from tidebench.case import CASE_FILE, Setting, load_case
from tidebench.recording import Recording
from tidebench.simulation.scenario import Scenario, scenario_of
from tidebench.simulation.solution import Solution, simulate
from tidebench.simulation.truth import truth_of
from tidebench.store import Identity, keep_other_results, new_result
from tidebench.units import factor

MOST_ROWS_AS_TEXT = 1_000_000
HEADERS = {
    "airway_pressure": ("airway_pressure [cmH2O]", 1.0),
    "flow": ("flow [L/min]", factor("L/s", "L/min")),
    "oesophageal_pressure": ("oesophageal_pressure [cmH2O]", 1.0),
    "co2": ("co2 [mmHg]", 1.0),
}
"""Header of each channel that a case holds, and the factor into its unit."""
INVENTED = "Simulated: an invented patient, with the truth in truth.json, truth_breaths.csv and truth_efforts.csv."


def simulate_case(
    scenario: Scenario | Mapping[str, Any] | Path | str,
    out: Path | str,
    *,
    progress: Callable[[str, float], None] | None = None,
) -> Solution:
    """Simulate a scenario and put the case folder ``out``, whole or not at all.

    Parameters
    ----------
    scenario : Scenario, mapping or path
        The scenario, its tables, or its TOML file.
    out : path
        A new folder, or one that an earlier simulation wrote, which is replaced.
    progress : callable, optional
        Called with what is being done and the share of it that is done.

    Raises
    ------
    CaseError
        The scenario can't be used.
    OptionError
        Something else than a scenario.
    OutputError
        The folder can't be written, or holds something else.
    SimulationError
        The simulation can't go on.
    """
    told = scenario_of(scenario)
    keep_other_results(Path(out), "simulated", "simulated case")
    return put_case(
        lambda: simulate(told, progress=(lambda share: progress("simulating", share)) if progress else None), out
    )


def put_case(solve: Callable[[], Solution], out: Path | str) -> Solution:
    """Put what ``solve`` gives as the case folder ``out``, whole or not at all.

    Raises
    ------
    OutputError
        The folder can't be written, or holds something else.
    """
    with new_result(Path(out)) as draft:
        done = solve()
        write_files(done, draft.folder)
        case = load_case(draft.folder)
        identity = {"simulated": True, "seed": done.scenario.seed}
        draft.identity = Identity(done.recording.recording_id, case.case_hash, identity)
    return done


def write_files(done: Solution, folder: Path) -> None:
    """Case, signals and truth of a finished simulation into an existing folder."""
    scenario = done.scenario
    signals = signal_table(done.recording)
    text = signals.height <= MOST_ROWS_AS_TEXT
    file = "signals.csv" if text else "signals.parquet"
    if text:
        signals.write_csv(folder / file)
    else:
        signals.write_parquet(folder / file)
    (folder / CASE_FILE).write_text(tomlkit.dumps(case_tables(scenario, file)), encoding="utf-8", newline="\n")
    truth = json.dumps(truth_of(scenario), indent=1, ensure_ascii=False, allow_nan=False)
    (folder / "truth.json").write_text(truth + "\n", encoding="utf-8", newline="\n")
    for name, table in (("breaths", done.breaths), ("efforts", done.efforts)):
        table.with_columns(pl.col(pl.Float64).fill_nan(None).round(4)).write_csv(folder / f"truth_{name}.csv")


def signal_table(recording: Recording) -> pl.DataFrame:
    """Channels under headers that readers know, with the time of each sample."""
    columns = {"time [s]": pl.Series(np.arange(len(recording)) / recording.rate_hz).round(6)}
    for name, values in recording.channels.items():
        header, per_unit = HEADERS[name]
        columns[header] = pl.Series(values * per_unit).round(4)
    return pl.DataFrame(columns)


def case_tables(scenario: Scenario, file: str) -> dict[str, Any]:
    """What a user would know of the case: patient, airway, circuit, settings and the ventilator's log."""
    said: dict[str, Any] = {"title": scenario.title, "notes": INVENTED}
    for name in ("patient", "airway", "circuit"):
        table = getattr(scenario, name).model_dump(mode="json", exclude_none=True, exclude_unset=True)
        if table:
            said[name] = table
    said["recording"] = {"file": file}
    rows = [row.model_dump(mode="json", exclude_none=True) for row in settings_over_time(scenario)]
    said["settings"] = [{**row, "at_s": round(row["at_s"], 6)} for row in rows]
    log = [{"at_s": round(done.at_s, 6), "kind": done.kind} for done in scenario.manoeuvres]
    if log:
        said["events"] = sorted(log, key=lambda line: float(str(line["at_s"])))
    return said


def settings_over_time(scenario: Scenario) -> list[Setting]:
    """Every setting, those of procedures included, in order of time."""
    return sorted([*scenario.settings, *_of_procedures(scenario)], key=lambda row: row.at_s)


def _of_procedures(scenario: Scenario) -> Iterator[Setting]:
    for procedure in scenario.procedures:
        rows = procedure.settings(scenario.setting_at(procedure.at_s))
        yield from (row for row in rows if row.at_s < scenario.duration_s)
