"""What findings reach where the lung, or the muscle pressure itself, is given: how much of a miss is the lung's.

python -m tests.population.known [--patients N] [--seed S] [--sensing clean|real]
    draws open patients with a seed of their own and prints sensitivity and predictive value by kind three times: with
    the lung that the review fits, with the equation's best lung given, and with the simulator's muscle pressure given
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import numpy.typing as npt
import polars as pl

from tests.population.patients import SEEDS, Sensing, patient
from tests.population.scoring import score
from tests.population.tables import by_kind
from tidebench import line
from tidebench.case import load_case
from tidebench.efforts.equation import EXPIRATION, FLOW, SQUARE, VOLUME
from tidebench.efforts.stretch import loss_flow
from tidebench.measures import efforts
from tidebench.measures.stretch import Measured
from tidebench.review import review
from tidebench.simulation import simulate
from tidebench.simulation.solution import recorded_channels
from tidebench.simulation.write import write_files

Samples = npt.NDArray[np.float64]
GIVEN = ("nothing", "lung", "muscle pressure")
FRESH = 10101


def best_lung(found: Measured, muscle: Samples) -> Samples:
    """The lung of the equation nearest to a known muscle pressure, shape (k,) as the fitted ones have it.

    Least squares of p + pmus − its mean over each breath on volume, flow, flow·|flow| and expiratory flow.
    """
    stretch = found.stretch
    flow = stretch.flow - loss_flow(stretch, found.explained.loss)
    terms = np.zeros((len(flow), 4))
    terms[:, FLOW], terms[:, SQUARE], terms[:, EXPIRATION] = flow, flow * np.abs(flow), np.minimum(flow, 0.0)
    rows, values = [], []
    for first, last in zip(stretch.start, stretch.end, strict=True):
        terms[first:last, VOLUME] = np.cumsum(flow[first:last]) * stretch.dt
        total = stretch.pressure[first:last] + muscle[first:last]
        rows.append(terms[first:last] - terms[first:last].mean(axis=0))
        values.append(total - total.mean())
    theta = np.zeros(found.explained.theta.shape[1])
    theta[:4] = np.linalg.lstsq(np.concatenate(rows), np.concatenate(values), rcond=None)[0]
    return theta


def with_lung(found: Measured, muscle: Samples) -> Measured:
    """The same stretch, its lung given; breaths that no fitted lung explains have effort."""
    told = found.explained
    theta = np.broadcast_to(best_lung(found, muscle), told.theta.shape).copy()
    passive = np.where((told.passive == 1) & bool(told.lungs), 1, 0).astype(np.int8)
    known = replace(told, theta=theta, passive=passive, lung=np.maximum(told.lung, 0), doubtful=None)
    return replace(found, explained=known)


@contextmanager
def giving(what: str, muscle: Samples) -> Iterator[None]:
    """Reviews within know a patient's muscle pressure, or the lung that it shows."""
    read: Callable[[Measured, Samples | None], efforts.Efforts] = efforts.efforts_of
    by_lung = efforts.by_lung

    def from_airway(found: Measured) -> Samples:
        if what == "muscle pressure":
            return muscle[: len(found.stretch.pressure)].copy()
        known = with_lung(found, muscle)
        return by_lung(known, known.explained.theta)

    def efforts_of(found: Measured, oesophageal: Samples | None) -> efforts.Efforts:
        # a lung is known now, also where none was found
        told = found.explained
        passive = np.where((told.passive == 1) & bool(told.lungs), 1, 0).astype(np.int8)
        lungs: tuple[Any, ...] = told.lungs or (None,)
        return read(replace(found, explained=replace(told, lungs=lungs, passive=passive)), oesophageal)

    if what == "nothing":
        yield
        return
    with patch.object(efforts, "from_airway", from_airway), patch.object(line, "efforts_of", efforts_of):
        yield


def measured(seed: int, k: int, sensing: Sensing) -> list[dict[str, Any]]:
    """Events of one patient, each way of knowing."""
    with patch.dict(SEEDS, {"open": seed}):
        way, size, scenario = patient("open", k, sensing)
    shown = recorded_channels(scenario)
    told = simulate(scenario, (*shown, "muscle_pressure"))
    muscle = told.channels["muscle_pressure"]
    done = replace(told, channels={name: told.channels[name] for name in shown})
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        write_files(done, Path(folder))
        case = load_case(folder)
        for what in GIVEN:
            with giving(what, muscle):
                found = review(case)
            events = score(size, done.breaths, done.efforts, found.findings, scenario.duration_s)
            rows += [{"given": what, "patient": k, "way": way, "size": size, **asdict(event)} for event in events]
    return rows


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--patients", type=int, default=220)
    parser.add_argument("--seed", type=int, default=FRESH)
    parser.add_argument("--sensing", choices=["clean", "real"], default="clean")
    told = parser.parse_args()
    rows = [row for k in range(told.patients) for row in measured(told.seed, k, told.sensing)]
    pl.Config.set_tbl_rows(200).set_tbl_cols(20).set_tbl_hide_dataframe_shape(active=True).set_tbl_width_chars(160)
    print(by_kind(pl.DataFrame(rows, infer_schema_length=None), "given"))


if __name__ == "__main__":
    main()
