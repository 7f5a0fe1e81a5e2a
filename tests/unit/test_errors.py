"""Errors reach the person whole, from another process too."""

from __future__ import annotations

import pickle

import pytest

from tidebench.errors import CaseError, SimulationError, TidebenchError


@pytest.mark.parametrize(
    "error",
    [
        SimulationError("the pressure is no number", where="scenario.toml at 3 s"),
        CaseError("is -1", where="case.toml: [patient] height_cm", expected="30 to 250 cm", remedy="Correct it."),
    ],
)
def test_errors_come_back_from_another_process(error: TidebenchError) -> None:
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is type(error)
    assert str(back) == str(error)
    assert vars(back) == vars(error)
