"""The open sets of recordings, where they lie beside this repository: read as their truth has them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tidebench.case import load_case
from tidebench.readers import open_recording
from tidebench.readers.plausible import flow_is_turned

SHARED = Path(__file__).parents[3] / "shared"
MADE = sorted(path.parent for path in (SHARED / "recordings").glob("*/truth.json"))
REAL = sorted(path.parent for path in (SHARED / "recordings-real").glob("*/case.toml"))

pytestmark = pytest.mark.skipif(not (MADE and REAL), reason="no open set of recordings beside this repository")


@pytest.mark.parametrize("folder", MADE, ids=lambda folder: folder.name)
def test_rate_length_and_gaps_are_those_of_the_truth(folder: Path) -> None:
    truth, recording = json.loads((folder / "truth.json").read_text()), open_recording(load_case(folder))
    assert recording.rate_hz == truth["fs"]
    assert recording.duration_s == pytest.approx(truth["seconds"], abs=1.5 / truth["fs"])
    assert len(recording.gaps) == len(truth["gaps"])
    for found, (start, end) in zip(recording.gaps, truth["gaps"], strict=True):
        assert (found.start_s, found.end_s) == pytest.approx((start, end), abs=1.5 / truth["fs"])
    assert recording.warnings == ()


@pytest.mark.parametrize("folder", [*MADE, *REAL], ids=lambda folder: folder.name)
def test_direction_of_flow_is_told_either_way(folder: Path) -> None:
    recording = open_recording(load_case(folder))
    assert not flow_is_turned(recording.channels, recording.rate_hz)
    turned = replace(recording, channels={**recording.channels, "flow": -recording["flow"]})
    assert flow_is_turned(turned.channels, turned.rate_hz)


@pytest.mark.parametrize("folder", REAL, ids=lambda folder: folder.name)
def test_test_lung_is_read_in_canonical_units(folder: Path) -> None:
    case = load_case(folder)
    recording, told = open_recording(case), case.settings[0]
    assert (recording.rate_hz, recording.gaps, recording.warnings) == (100, (), ())
    assert told.inspiratory_pressure_cmh2o is not None
    assert np.percentile(recording["airway_pressure"], 90) == pytest.approx(told.inspiratory_pressure_cmh2o, abs=1.5)
    assert 0.5 < recording["flow"].max() < 2
