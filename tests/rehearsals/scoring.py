"""One patient: recorded and fitted now, predicted then, and what the simulator does then."""

from __future__ import annotations

import contextlib
from typing import Any

import numpy as np

from tests.rehearsals.patients import STRETCH_S, Set, patient, scenario
from tidebench.case import case_from
from tidebench.errors import TidebenchError
from tidebench.fitting import fit_patient, what_if
from tidebench.review import review
from tidebench.simulation import Solution, simulate
from tidebench.simulation.write import case_tables

GASES_S = 10800.0  # carbon dioxide is told for the steady state, which an hour does not reach
LAST_S = 60.0
JOULE = 0.0980665
COMPARED = (
    "vti_ml", "peak_pressure_cmh2o", "plateau_pressure_cmh2o", "total_peep_cmh2o", "mechanical_power_j_min",
    "rate_per_min", "paco2_mmhg",
)  # fmt: skip


def true_values(done: Solution, passive: bool) -> dict[str, float]:
    """Medians over the last minute; of peak pressure as a recording shows it, the highest of a breath's samples with
    the sensor's noise, which is what the breath table of now tells too."""
    table = done.breaths.filter(done.breaths["start_s"] > done.scenario.duration_s - LAST_S - 5)
    seconds = float(np.mean((table["end_s"] - table["start_s"]).to_numpy()))
    keys = ("vti_ml", "total_peep_cmh2o", "paco2_mmhg")
    out = {key: float(np.median(table[key].to_numpy())) for key in keys}
    pressure, per_s = done.recording["airway_pressure"], done.recording.rate_hz
    spans = ((round(start * per_s), round(end * per_s)) for start, end in table.select("start_s", "end_s").rows())
    out["peak_pressure_cmh2o"] = float(np.median([np.nanmax(pressure[start : end + 1]) for start, end in spans]))
    out["rate_per_min"] = 60.0 / seconds
    out["mechanical_power_j_min"] = 60.0 / seconds * float(np.mean(table["work_j"].to_numpy()))
    if passive:
        out["plateau_pressure_cmh2o"] = float(np.median(table["alveolar_peak_cmh2o"].to_numpy()))
    return out


def rehearsed(kind: Set, k: int) -> dict[str, Any]:
    """One patient's row: what was true and told of each quantity, or why nothing was told."""
    who, passive, said, tables, changes = patient(kind, k)
    row: dict[str, Any] = {
        "patient": k,
        "who": who,
        "passive": passive,
        "built": ", ".join(said) or "as the fit",
        "changes": changes,
    }
    settled = simulate(scenario(tables, {}, GASES_S, k))
    gas = true_values(settled, passive)["paco2_mmhg"]
    now = scenario(tables, {}, STRETCH_S, k)
    done = simulate(now)
    case = {key: table for key, table in case_tables(now, "").items() if key not in ("recording", "events")}
    drawn = {"paco2_mmhg": round(min(max(gas, 6.0), 250.0), 1), "ph": 7.38}
    case["blood_gases"] = [{"at_s": 60.0, "site": "arterial", **drawn}]
    try:
        answer = what_if(fit_patient(review(case_from(case), done.recording)), changes)
    except TidebenchError as refusal:
        return row | {"refused": str(refusal)}
    truth = true_values(simulate(scenario(tables, changes, GASES_S, k + 1)), passive)
    told = {change.key: change for change in answer.changes}
    row["pressure_error"], row["volume_error"] = (
        answer.overlay.pressure_error_cmh2o,
        answer.overlay.volume_error_percent,
    )
    for key in COMPARED:
        if key in told and key in truth and np.isfinite(told[key].then[0]):
            row[key] = (truth[key], *told[key].then)
    return row


def quietly(kind: Set, k: int) -> dict[str, Any]:
    """:func:`rehearsed`, where a patient can't be simulated the reason instead."""
    with contextlib.suppress(TidebenchError):
        return rehearsed(kind, k)
    return {"patient": k, "refused": "could not be simulated"}
