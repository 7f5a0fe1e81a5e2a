"""What every reader must do, for each ending in the table: round trips, magnitudes, files cut short or damaged."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from tidebench.errors import SignalError
from tidebench.readers import READERS, read_recording
from tidebench.recording import Recording

Samples = npt.NDArray[np.float64]
Write = Callable[[Path, Mapping[str, Samples]], None]

RATE_HZ = 100.0
SECONDS = 12.0


def signals() -> dict[str, Samples]:
    """Four breaths of constant flow, in the units that the headers say."""
    time = np.arange(0, SECONDS, 1 / RATE_HZ)
    phase = time % 3
    flow = np.where(phase < 1, 30.0, -67.5 * np.exp(-(phase - 1) / 0.4))
    pressure = np.where(phase < 1, 12 + 10 * phase, 5.0)
    return {"time [s]": time, "Paw [cmH2O]": pressure.round(2), "Flow [L/min]": flow.round(2)}


def write_text(separator: str) -> Write:
    """A writer of text with a separator."""

    def write(path: Path, columns: Mapping[str, Samples]) -> None:
        rows = zip(*columns.values(), strict=True)
        lines = [separator.join(columns), *(separator.join(f"{cell:.2f}" for cell in row) for row in rows)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")

    return write


def write_parquet(path: Path, columns: Mapping[str, Samples]) -> None:
    """A writer of Parquet."""
    pl.DataFrame(dict(columns)).write_parquet(path)


WRITERS: dict[str, Write] = {
    ".csv": write_text(","),
    ".txt": write_text(" "),
    ".tsv": write_text("\t"),
    ".dat": write_text("  "),
    ".asc": write_text(";"),
    ".parquet": write_parquet,
    ".pq": write_parquet,
}

every_reader = pytest.mark.parametrize("suffix", READERS)


@pytest.fixture
def written(tmp_path: Path) -> Callable[[str], Path]:
    """Writes the signals to a file with an ending, and says where."""

    def write(suffix: str) -> Path:
        path = tmp_path / f"signals{suffix}"
        WRITERS[suffix](path, signals())
        return path

    return write


def same(one: Recording, other: Recording) -> bool:
    """True where two recordings hold the same signals."""
    return one.recording_id == other.recording_id and one.gaps == other.gaps


def read_or_refusal(path: Path) -> tuple[Recording | None, str]:
    """The recording of a file, or why there is none."""
    try:
        return read_recording(path), ""
    except SignalError as error:
        return None, str(error)


def test_every_ending_has_a_writer_here() -> None:
    assert WRITERS.keys() == READERS.keys()


@every_reader
def test_round_trip(written: Callable[[str], Path], suffix: str) -> None:
    recording, told = read_recording(written(suffix)), signals()
    assert recording.rate_hz == RATE_HZ
    assert len(recording) == len(told["time [s]"])
    assert (recording.gaps, recording.warnings, recording.source) == ((), (), f"signals{suffix}")
    np.testing.assert_allclose(recording["airway_pressure"], told["Paw [cmH2O]"], rtol=1e-12)
    np.testing.assert_allclose(recording["flow"], told["Flow [L/min]"] / 60, rtol=1e-12)
    assert recording.steps == ("flow: L/min to L/s",)


@every_reader
def test_ending_in_capitals_is_the_same_ending(written: Callable[[str], Path], suffix: str) -> None:
    path = written(suffix)
    plain = read_recording(path)
    assert same(plain, read_recording(path.rename(path.with_suffix(suffix.upper()))))


@every_reader
def test_magnitudes_are_those_of_breathing(written: Callable[[str], Path], suffix: str) -> None:
    recording = read_recording(written(suffix))
    assert 10 < np.percentile(recording["airway_pressure"], 95) < 40
    assert 0.3 < recording["flow"].max() < 1


@every_reader
def test_flow_in_a_wrong_unit_is_refused_with_the_likely_one(tmp_path: Path, suffix: str) -> None:
    path, told = tmp_path / f"wrong{suffix}", signals()
    told["Flow [L/min]"] = told["Flow [L/min]"] * 1000 / 60
    WRITERS[suffix](path, told)
    with pytest.raises(SignalError, match=r"Looks like mL/s read as L/min") as refusal:
        read_recording(path)
    assert refusal.value.where == f"wrong{suffix}, column 'Flow [L/min]'"


@every_reader
def test_mapping_says_what_headers_do_not(tmp_path: Path, suffix: str) -> None:
    path, told = tmp_path / f"odd{suffix}", signals()
    named = dict(zip(("zeit", "k1", "k2"), told.values(), strict=True)) | {"k3": told["Flow [L/min]"]}
    WRITERS[suffix](path, named)
    mapping = {"zeit": "time [s]", "k1": "Paw [cmH2O]", "k2": "flow [L/min]", "k3": "ignore"}
    recording = read_recording(path, columns=mapping)
    assert recording.channels.keys() == {"airway_pressure", "flow"}
    assert recording.warnings == ()


@every_reader
def test_unknown_columns_are_left_out_and_named(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"more{suffix}"
    WRITERS[suffix](path, signals() | {"wurst": np.ones(len(signals()["time [s]"]))})
    assert read_recording(path).warnings == ("column 'wurst' is not known and was left out",)


@every_reader
@pytest.mark.parametrize("absent", ["time [s]", "Paw [cmH2O]", "Flow [L/min]"])
def test_absent_column_is_named_with_what_to_write(tmp_path: Path, suffix: str, absent: str) -> None:
    path, told = tmp_path / f"less{suffix}", signals()
    del told[absent]
    WRITERS[suffix](path, told | {"other": told["time [s]" if absent != "time [s]" else "Paw [cmH2O]"]})
    with pytest.raises(SignalError, match=r"no column holds \w+.*not understood: 'other'.*\[recording.columns\]"):
        read_recording(path)


@every_reader
def test_empty_file_is_refused(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"empty{suffix}"
    path.write_bytes(b"")
    with pytest.raises(SignalError, match=rf"^empty{suffix}: "):
        read_recording(path)


@every_reader
def test_columns_without_rows_are_refused(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"header{suffix}"
    WRITERS[suffix](path, {name: samples[:0] for name, samples in signals().items()})
    with pytest.raises(SignalError, match=r"no rows|0 rows"):
        read_recording(path)


@every_reader
def test_channel_without_a_number_is_refused(tmp_path: Path, suffix: str) -> None:
    path, told = tmp_path / f"silent{suffix}", signals()
    told["Flow [L/min]"] = np.full(len(told["time [s]"]), np.nan)
    WRITERS[suffix](path, told)
    with pytest.raises(SignalError, match="holds no number"):
        read_recording(path)


@every_reader
def test_directory_and_nothing_are_refused(tmp_path: Path, suffix: str) -> None:
    folder = tmp_path / f"folder{suffix}"
    folder.mkdir()
    for path, problem in ((folder, "not an ordinary file"), (tmp_path / f"nothing{suffix}", "no such file")):
        with pytest.raises(SignalError, match=problem):
            read_recording(path)


@every_reader
@pytest.mark.parametrize("magic", [b"PK\x03\x04", b"%PDF", b"\x1f\x8b", b"\xff\xfea\x00", bytes(range(256))])
def test_foreign_file_is_refused(tmp_path: Path, suffix: str, magic: bytes) -> None:
    path = tmp_path / f"foreign{suffix}"
    path.write_bytes(magic + b"1,2,3\n" * 1000)
    with pytest.raises(SignalError, match=rf"^foreign{suffix}"):
        read_recording(path)


@every_reader
def test_file_cut_anywhere_is_read_as_its_beginning_or_refused(written: Callable[[str], Path], suffix: str) -> None:
    path = written(suffix)
    whole, data = read_recording(path), path.read_bytes()
    for cut in np.random.default_rng(3).integers(0, len(data), 25):
        path.write_bytes(data[:cut])
        part, _ = read_or_refusal(path)
        if part is None:
            continue
        assert part.rate_hz == RATE_HZ
        assert len(part) < len(whole)
        for name in ("airway_pressure", "flow"):
            np.testing.assert_array_equal(part[name], whole[name][: len(part)])


@every_reader
def test_damaged_byte_is_refused_or_leaves_a_sound_recording(written: Callable[[str], Path], suffix: str) -> None:
    path = written(suffix)
    data, draw = path.read_bytes(), np.random.default_rng(5)
    for at in draw.integers(0, len(data), 40):
        damaged = bytearray(data)
        damaged[at] = draw.integers(0, 256)
        path.write_bytes(damaged)
        recording, refusal = read_or_refusal(path)
        if recording is None:
            assert refusal.startswith(f"signals{suffix}")
            assert "\n" not in refusal
            continue
        missing = ~np.isfinite(recording["flow"])
        in_gaps = sum(gap.end_s - gap.start_s for gap in recording.gaps) * recording.rate_hz
        assert np.count_nonzero(missing) == round(in_gaps)


def test_unknown_ending_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    path = tmp_path / "signals.xlsx"
    path.write_bytes(b"PK\x03\x04")
    with pytest.raises(SignalError, match=r"no reader knows the ending '\.xlsx'") as refusal:
        read_recording(path)
    assert all(suffix in refusal.value.expected for suffix in READERS)
