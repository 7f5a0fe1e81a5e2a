"""The same signals, however they are written down, give the same numbers; what is missing stays missing."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidebench.readers import read_recording
from tidebench.recording import Recording

Samples = npt.NDArray[np.float64]

RATE_HZ = 50
TIME: Samples = np.arange(0, 9, 1 / RATE_HZ, dtype=np.float64)
PHASE = TIME % 3
FLOW: Samples = np.where(PHASE < 1, 30.0, -67.5 * np.exp(-(PHASE - 1) / 0.4)).round(3).astype(np.float64)
PRESSURE: Samples = np.where(PHASE < 1, 12 + 10 * PHASE, 5.0).round(3).astype(np.float64)
HEADER = ("time [s]", "Paw [cmH2O]", "Flow [L/min]")

few = settings(max_examples=25, deadline=None, derandomize=True, database=None)

SEPARATORS = {",": ",", ";": ";", "\t": "\t", " ": " ", "   ": " ", ", ": ",", " ; ": ";"}
FORMS = ("{} [{}]", "{} ({})", "{}_{}", "{}[{}]", "{} {}", "  {}   [{}]  ")
PRESSURE_UNITS = {
    "cmH2O": 1.0,
    "cm H2O": 1.0,
    "CMH2O": 1.0,
    "mbar": 0.980665,
    "hPa": 0.980665,
    "kPa": 0.0980665,
    "mmHg": 98.0665 / 133.322387415,
}
FLOW_UNITS = {
    "L/min": 1.0,
    "l/min": 1.0,
    "LPM": 1.0,
    "L/s": 1 / 60,
    "mL/s": 1000 / 60,
    "mL/min": 1000.0,
    "ml·s⁻¹": 1000 / 60,
}
TIME_UNITS = {"s": 1.0, "sec": 1.0, "ms": 1000.0, "min": 1 / 60}


def table(
    columns: tuple[Samples, ...] = (TIME, PRESSURE, FLOW),
    header: tuple[str, ...] = HEADER,
    separator: str = ",",
    decimal: str = ".",
    end: str = "\n",
) -> str:
    """Columns as text; NaN is an empty cell."""
    rows = (("" if np.isnan(cell) else f"{cell:.9g}" for cell in row) for row in zip(*columns, strict=True))
    body = [separator.join(row).replace(".", decimal) for row in rows]
    return end.join([separator.join(header), *body]) + end


def read(text: str | bytes, suffix: str = ".csv") -> Recording:
    """The recording that a text holds."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"signals{suffix}"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_recording(path)


@pytest.fixture(scope="module")
def plain() -> Recording:
    """The signals in the plainest form."""
    return read(table())


def agree(one: Recording, other: Recording) -> None:
    """Assert that two recordings hold the same numbers, to what nine printed digits keep."""
    assert one.rate_hz == pytest.approx(other.rate_hz, rel=1e-9)
    assert one.channels.keys() == other.channels.keys()
    for name, samples in one.channels.items():
        np.testing.assert_allclose(samples, other[name], rtol=1e-7, atol=1e-8)
    assert len(one.gaps) == len(other.gaps)


@few
@given(
    st.sampled_from(sorted(PRESSURE_UNITS)), st.sampled_from(sorted(FLOW_UNITS)), st.sampled_from(sorted(TIME_UNITS))
)
def test_units_in_any_form_give_the_same_numbers(plain: Recording, pressure: str, flow: str, time: str) -> None:
    columns = (TIME * TIME_UNITS[time], PRESSURE * PRESSURE_UNITS[pressure], FLOW * FLOW_UNITS[flow])
    header = (f"Time [{time}]", f"Paw [{pressure}]", f"Flow [{flow}]")
    agree(read(table(columns, header)), plain)


@few
@given(
    st.sampled_from(FORMS),
    st.sampled_from(["time", "Time", "T", "elapsed", "Zeit"]),
    st.sampled_from(["Paw", "PAW", "P_aw", "airway_pressure", "Airway Pressure", "Pao", "pressure"]),
    st.sampled_from(["Flow", "flow", "AIRFLOW", "V'", "air-flow"]),
)
def test_headers_in_any_form_name_the_same(plain: Recording, form: str, time: str, pressure: str, flow: str) -> None:
    header = (form.format(time, "s"), form.format(pressure, "cmH2O"), form.format(flow, "L/min"))
    agree(read(table(header=header)), plain)


@few
@given(st.sampled_from(sorted(SEPARATORS)), st.sampled_from(".,"), st.sampled_from(["\n", "\r\n"]), st.booleans())
def test_separators_decimals_and_line_ends_give_the_same_numbers(
    plain: Recording, separator: str, decimal: str, end: str, mark: bool
) -> None:
    if decimal == "," and SEPARATORS[separator] == ",":
        decimal = "."
    text = table(separator=separator, decimal=decimal, end=end)
    agree(read(("\ufeff" if mark else "") + text), plain)


@few
@given(
    st.lists(st.sampled_from(["# made by hand", "#", "", "# a;b,c\td"]), max_size=5),
    st.permutations(range(4)),
    st.booleans(),
)
def test_comments_order_of_columns_and_last_line_end_do_not_matter(
    plain: Recording, comments: list[str], order: list[int], ended: bool
) -> None:
    columns, header = (TIME, PRESSURE, FLOW, np.ones(len(TIME))), (*HEADER, "marker")
    text = table(tuple(columns[i] for i in order), tuple(header[i] for i in order))
    recording = read("".join(f"{line}\n" for line in comments) + (text if ended else text[:-1]))
    agree(recording, plain)


@few
@given(st.floats(-1e6, 1e9).map(lambda shift: round(shift, 2)))
def test_shifting_time_changes_nothing(plain: Recording, shift: float) -> None:
    rows = zip(TIME + shift, PRESSURE, FLOW, strict=True)
    lines = [",".join(HEADER), *(f"{time:.2f},{pressure:.9g},{flow:.9g}" for time, pressure, flow in rows)]
    agree(read("\n".join(lines) + "\n"), plain)


@few
@given(
    st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1)),
    st.sampled_from("T "),
    st.sampled_from(["", "Z", "+02:00"]),
    st.sampled_from(["milliseconds", "microseconds"]),
)
def test_stamps_give_the_same_numbers_and_the_start(
    plain: Recording, start: datetime, join: str, zone: str, digits: str
) -> None:
    start = start.replace(microsecond=0)
    stamps = [(start + timedelta(seconds=float(time))).isoformat(join, digits) + zone for time in TIME]
    rows = zip(stamps, PRESSURE, FLOW, strict=True)
    recording = read("\n".join(["time,Paw [cmH2O],Flow [L/min]", *(f"{t},{p:.9g},{f:.9g}" for t, p, f in rows)]) + "\n")
    agree(recording, plain)
    told = start if not zone else (start - timedelta(hours=2 if zone != "Z" else 0)).replace(tzinfo=UTC)
    assert recording.start == told


@few
@given(st.floats(0.2, 5), st.floats(0.2, 5))
def test_scaling_a_channel_scales_its_samples_alone(plain: Recording, by_pressure: float, by_flow: float) -> None:
    recording = read(table((TIME, PRESSURE * by_pressure, FLOW * by_flow)))
    np.testing.assert_allclose(recording["airway_pressure"], plain["airway_pressure"] * by_pressure, rtol=1e-7)
    np.testing.assert_allclose(recording["flow"], plain["flow"] * by_flow, rtol=1e-7, atol=1e-9)


Hole = Callable[[Samples, slice], tuple[Samples, ...]]


def without_rows(flow: Samples, hole: slice) -> tuple[Samples, ...]:
    """Rows that were never written."""
    return tuple(np.delete(samples, np.arange(len(TIME))[hole]) for samples in (TIME, PRESSURE, flow))


def empty_cells(flow: Samples, hole: slice) -> tuple[Samples, ...]:
    """Rows with their time and nothing else."""
    flow, pressure = flow.copy(), PRESSURE.copy()
    flow[hole] = pressure[hole] = np.nan
    return TIME, pressure, flow


@few
@given(st.integers(10, len(TIME) - 80), st.integers(4, 60), st.sampled_from([without_rows, empty_cells]))
def test_gaps_are_kept_and_never_filled(plain: Recording, start: int, length: int, hole: Hole) -> None:
    recording = read(table(hole(FLOW, slice(start, start + length))))
    (gap,) = recording.gaps
    assert gap.start_s == pytest.approx(start / RATE_HZ)
    assert gap.end_s == pytest.approx((start + length) / RATE_HZ)
    missing = np.isnan(recording["flow"])
    np.testing.assert_array_equal(np.flatnonzero(missing), np.arange(start, start + length))
    np.testing.assert_array_equal(np.isnan(recording["airway_pressure"]), missing)
    np.testing.assert_array_equal(recording["flow"][~missing], plain["flow"][~missing])


@few
@given(st.integers(10, len(TIME) - 80), st.integers(1, 2))
def test_a_lost_row_or_two_are_bridged_and_said(plain: Recording, start: int, length: int) -> None:
    recording = read(table(empty_cells(FLOW, slice(start, start + length))))
    assert recording.gaps == ()
    assert sum("missing samples interpolated" in step for step in recording.steps) == 2
    edge = slice(start - 1, start + length + 1)
    inside = recording["flow"][edge]
    assert plain["flow"][edge].min() - 0.5 <= inside.min() <= inside.max() <= plain["flow"][edge].max() + 0.5


@few
@given(st.floats(20, 1000).map(lambda rate: round(rate, 1)))
def test_any_rate_between_20_and_1000_is_found(rate: float) -> None:
    time = np.arange(round(4 * rate), dtype=np.float64) / rate
    phase = time % 3
    text = table((time, np.where(phase < 1, 20.0, 5.0), np.where(phase < 1, 30.0, -20.0)))
    recording = read(text)
    assert recording.rate_hz == pytest.approx(rate, rel=1e-6)
    assert len(recording) == len(time)
    assert recording.steps == ("flow: L/min to L/s",)


@few
@given(st.integers(0, 10_000), st.floats(0.15, 0.3))
def test_uneven_clock_is_resampled_and_said(seed: int, jitter: float) -> None:
    shaken = TIME + np.random.default_rng(seed).uniform(-jitter, jitter, len(TIME)) / RATE_HZ
    smooth = 10 + 5 * np.sin(shaken), 40 * np.cos(shaken)
    recording = read(table((shaken, *smooth)))
    assert recording.rate_hz == pytest.approx(RATE_HZ, rel=2e-3)
    assert any(step.startswith("uneven clock") for step in recording.steps)
    assert recording.gaps == ()
    time = shaken[0] + np.arange(len(recording)) / recording.rate_hz
    np.testing.assert_allclose(recording["flow"] * 60, 40 * np.cos(time), atol=0.1)
