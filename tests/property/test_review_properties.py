"""What must hold of any review: scale, time, joining and cutting change nothing but what they should."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache, partial
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from tests.reference.exact_lung import Breath, Lung, half_sines, square, ventilate
from tidebench.case import Case
from tidebench.line import LENGTH_S, State, advance, concatenated, finish, run
from tidebench.readers import read_recording
from tidebench.recording import Recording
from tidebench.review import Review, review

few = partial(settings, deadline=None, derandomize=True, database=None, phases=[Phase.generate])

LUNGS = {
    "passive": (Lung(0.05, 10), Breath(3.5, 1, square(0.5, 1), pause_s=0.2)),
    "pressure": (Lung(0.035, 14), Breath(3, 0.9, above=14)),
    "efforts": (Lung(0.05, 10, muscle=half_sines(5, 0.9, 5.1, 60)), Breath(4, 1, square(0.45, 1), trigger=0.05)),
}
INSTANTS = ["start_s", "expiration_s", "end_s"]


@cache
def recorded(name: str, seconds: float = 120) -> Recording:
    """One of the lungs, ventilated and recorded."""
    lung, breath = LUNGS[name]
    return ventilate(lung, breath, seconds).recording(noise=0.005, pressure_noise=0.05)


def scaled(recording: Recording, factor: float) -> Recording:
    """The same with all flow multiplied."""
    return recording.with_channel("flow", recording["flow"] * factor, "scaled")


def told(done: Review) -> pl.DataFrame:
    """The breath table without instants and reasons."""
    return done.breaths.drop(*INSTANTS, "not_measured")


@pytest.mark.parametrize("name", LUNGS)
@few(max_examples=4)
@given(factor=st.floats(0.1, 4))
def test_flow_scaled_scales_volumes_and_compliance_and_divides_resistance(name: str, factor: float) -> None:
    plain, other = (review(Case(), scaled(recorded(name), k)) for k in (1.0, factor))
    assert_frame_equal(plain.breaths.select(INSTANTS), other.breaths.select(INSTANTS))
    same = ["delivery", "trigger", "passive", "peak_pressure_cmh2o", "peep_cmh2o", "plateau_pressure_cmh2o"]
    assert_frame_equal(plain.breaths.select(same), other.breaths.select(same), abs_tol=1e-6)
    for key in ("vti_ml", "vte_ml", "peak_inspiratory_flow_l_min", "compliance_ml_cmh2o"):
        assert_frame_equal(plain.breaths.select(pl.col(key) * factor), other.breaths.select(key), rel_tol=1e-5)
    for column, power in (("elastance", 1), ("resistance", 1), ("square", 2), ("total_peep", 0)):
        np.testing.assert_allclose(
            plain.mechanics[column] / factor**power, other.mechanics[column], rtol=1e-5, atol=1e-9 / factor
        )


@pytest.mark.parametrize("name", LUNGS)
def test_wall_clock_changes_nothing(name: str) -> None:
    plain = recorded(name)
    dated = Recording(plain.rate_hz, dict(plain.channels), start=datetime(2031, 5, 4, 13, 20, tzinfo=UTC))
    assert_frame_equal(review(Case(), plain).breaths, review(Case(), dated).breaths)


@pytest.mark.parametrize("name", LUNGS)
@few(max_examples=3)
@given(seconds=st.integers(1, 60))
def test_rest_before_the_first_breath_moves_times_and_nothing_else(name: str, seconds: int) -> None:
    """What differs is how well levels are known to a bin of their histogram, not what is found."""
    plain = recorded(name)
    n = seconds * 100
    noise = np.random.default_rng(3).standard_normal((2, n))
    before = {"airway_pressure": 5 + 0.05 * noise[0], "flow": 0.005 * noise[1]}
    later = Recording(100, {key: np.concatenate([before[key], plain[key]]) for key in before})
    first, second = review(Case(), plain), review(Case(), later)
    np.testing.assert_allclose(
        first.breaths.select(INSTANTS).to_numpy() + seconds, second.breaths.select(INSTANTS).to_numpy(), atol=0.011
    )
    for key in ("delivery", "passive"):
        assert first.breaths[key].to_list() == second.breaths[key].to_list()
    for key, within in (("vti_ml", 0.005), ("peak_pressure_cmh2o", 0.005), ("compliance_ml_cmh2o", 0.005)):
        assert_frame_equal(first.breaths.select(key), second.breaths.select(key), rel_tol=within)


def written(
    folder: Path, header: str, time: list[str], pressure: npt.NDArray[np.float64], flow: npt.NDArray[np.float64]
) -> Path:
    """A text file of signals."""
    path = folder / "signals.csv"
    rows = (",".join([t, repr(float(p)), repr(float(f))]) for t, p, f in zip(time, pressure, flow, strict=True))
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


STARTED = datetime(2031, 5, 4, 23, 59, 30)
CLOCKS: dict[str, tuple[str, Callable[[int], str]]] = {
    "from zero": ("time [s]", lambda i: f"{i / 100:.2f}"),
    "from elsewhere": ("time [s]", lambda i: f"{4321 + i / 100:.2f}"),
    "milliseconds": ("t [ms]", lambda i: str(10 * i)),
    "over midnight": ("time", lambda i: (STARTED + timedelta(milliseconds=10 * i)).isoformat(timespec="milliseconds")),
}
UNITS = {
    "L/min": ("Paw [cmH2O],Flow [L/min]", 1.0, 60.0),
    "mL/s": ("Paw (mbar),flow_mL/s", 0.980665, 1000.0),
    "L/s": ("Paw [kPa],Flow [L/s]", 0.0980665, 1.0),
}


def test_units_and_clocks_in_any_form_give_the_same_breaths(tmp_path: Path) -> None:
    plain = recorded("passive", 60)
    first: pl.DataFrame | None = None
    for clock, stamp in CLOCKS.values():
        for header, by_pressure, by_flow in UNITS.values():
            times = [stamp(i) for i in range(len(plain))]
            path = written(
                tmp_path, f"{clock},{header}", times, plain["airway_pressure"] * by_pressure, plain["flow"] * by_flow
            )
            table = review(Case(), read_recording(path)).breaths
            first = table if first is None else first
            assert table.height > 10
            assert_frame_equal(first, table, rel_tol=1e-6, abs_tol=1e-6)


@pytest.mark.parametrize(("left", "right"), [("passive", "pressure"), ("pressure", "passive"), ("passive", "efforts")])
def test_recordings_joined_have_the_breaths_of_both(left: str, right: str) -> None:
    """Up to the joint: the last breath before it ends elsewhere, and the first after it has a breath before."""
    parts = recorded(left), recorded(right)
    joined = Recording(100, {key: np.concatenate([part[key] for part in parts]) for key in ("airway_pressure", "flow")})
    both = review(Case(), joined).breaths
    at = parts[0].duration_s
    for part, by in zip(parts, (0.0, at), strict=True):
        alone = review(Case(), part).breaths
        inner = (pl.col("start_s") > by + 5) & (pl.col("end_s") < by + at - 5)
        together = both.filter(inner)
        apart = alone.with_columns(pl.col(INSTANTS) + by).filter(inner)
        assert together.height == apart.height > 20
        assert_frame_equal(together.select(INSTANTS), apart.select(INSTANTS), abs_tol=0.011)
        assert together["passive"].to_list() == apart["passive"].to_list()
        for key, within in (("vti_ml", 0.01), ("compliance_ml_cmh2o", 0.02), ("peak_pressure_cmh2o", 0.01)):
            assert_frame_equal(together.select(key), apart.select(key), rel_tol=within)


# --- chunk by chunk ---

RATE_HZ = 50.0


@cache
def long_recording() -> Recording:
    """A good two stretches of slightly uneven breaths of two lungs, with a gap, efforts in the last part."""
    hours = 2.3 * LENGTH_S
    effort = half_sines(5, 0.9, 5.1, hours - 200)
    truth = ventilate(Lung(0.05, 10, muscle=effort), uneven(), hours, rate_hz=RATE_HZ)
    plain = truth.recording(noise=0.01, pressure_noise=0.05, offset=lambda t: 0.01 + 1e-5 * t)
    channels = {key: samples.copy() for key, samples in plain.channels.items()}
    for samples in channels.values():
        samples[20000:20300] = np.nan
    return Recording(RATE_HZ, channels)


def uneven() -> list[Breath]:
    """Breaths that differ a little in volume and in length."""
    draw = np.random.default_rng(11)
    volumes, periods = draw.uniform(0.4, 0.55, 1000), draw.uniform(3.2, 3.8, 1000)
    return [Breath(float(t), 1, square(float(v), 1), trigger=0.05) for v, t in zip(volumes, periods, strict=True)]


@few(max_examples=3)
@given(cuts=st.lists(st.integers(1, int(2.3 * LENGTH_S * RATE_HZ) - 1), max_size=6, unique=True))
def test_chunk_by_chunk_equals_the_whole(cuts: list[int]) -> None:
    recording = long_recording()
    whole = run(dict(recording.channels), RATE_HZ, (), None)
    assert len(whole) > 1, "the recording is too short to be cut"
    state, pieces = State(RATE_HZ, ()), []
    for first, last in pairwise([0, *sorted(cuts), len(recording)]):
        settled, state = advance({key: samples[first:last] for key, samples in recording.channels.items()}, state)
        pieces += settled
    pieces += finish(state)
    expected, found = concatenated(whole), concatenated(pieces)
    assert expected.keys() == found.keys()
    for key, column in expected.items():
        np.testing.assert_array_equal(found[key], column, err_msg=key)
    for one, other in zip(whole, pieces, strict=True):
        np.testing.assert_array_equal(one.efforts.onset, other.efforts.onset)
        assert one.efforts.outcome == other.efforts.outcome


def test_no_breath_is_lost_or_doubled_where_stretches_meet() -> None:
    recording = long_recording()
    columns = concatenated(run(dict(recording.channels), RATE_HZ, (), None))
    start, end = columns["start"], columns["end"]
    assert np.all(np.diff(start) > 0)
    neighbours = columns["joined"][1:] == 1
    np.testing.assert_array_equal(start[1:][neighbours], end[:-1][neighbours])
    assert (~neighbours).sum() == 1, "only the gap parts breaths"
    border = int(LENGTH_S * RATE_HZ)
    assert np.any((start < border) & (end > border))
