"""Signals as text: what is understood, and the line and column of what is not."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest

from tidebench.errors import SignalError
from tidebench.readers import read_recording
from tidebench.readers.headers import NAMES, canonical_unit, split_header, understand
from tidebench.readers.squeeze import squeeze
from tidebench.recording import Recording
from tidebench.units import parse_unit

HEADER = "time [s],Paw [cmH2O],Flow [L/min]"
ROWS = [f"{k / 50:.2f},{5 + 15 * (k % 150 < 50):.2f},{30 - 45 * (k % 150 >= 50):.2f}" for k in range(450)]

Read = Callable[..., Recording]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Writes text or bytes to a file and reads it."""

    def go(data: str | bytes, columns: Mapping[str, str] | None = None, name: str = "s.csv") -> Recording:
        (tmp_path / name).write_bytes(data.encode() if isinstance(data, str) else data)
        return read_recording(tmp_path / name, columns=columns)

    return go


@pytest.fixture
def refused(read: Read) -> Callable[..., SignalError]:
    """The error with which a file is refused."""

    def go(data: str | bytes, columns: Mapping[str, str] | None = None) -> SignalError:
        with pytest.raises(SignalError) as refusal:
            read(data, columns)
        assert "\n" not in str(refusal.value)
        return refusal.value

    return go


def text(*lines: str, end: str = "\n") -> str:
    """Lines of a file."""
    return end.join(lines) + end


@pytest.mark.parametrize(
    ("header", "quantity", "unit"),
    [
        ("flow [L/min]", "flow", "L/min"),
        ("Flow (mL/s)", "flow", "mL/s"),
        ("flow_L/min", "flow", "L/min"),
        ("  NET_FLOW  (L/s) ", "flow", "L/s"),
        ("paw_kPa", "airway_pressure", "kPa"),
        ("Airway pressure, cmH2O", "airway_pressure", "cmH2O"),
        ("Paw cm H2O", "airway_pressure", "cmH2O"),
        ("Pressure [cm[H2O]]", "airway_pressure", "cmH2O"),
        ("Débit [l/min]", "flow", "L/min"),
        ("V̇ [L/s]", "flow", "L/s"),
        ("V′ [L/s]", "flow", "L/s"),
        ("V [mL]", "volume", "mL"),
        ("airway_pressure_cmh2o", "airway_pressure", "cmH2O"),
        ("time_s", "time", "s"),
        ("t (ms)", "time", "ms"),
        ("time(sec)", "time", "s"),
        ("EAdi [µV]", "diaphragm_activity", "µV"),
        ("Pes", "oesophageal_pressure", ""),
        ("Pga (hPa)", "gastric_pressure", "hPa"),
        ("Ptrach [mbar]", "tracheal_pressure", "mbar"),
        ("CO2 [mmHg]", "co2", "mmHg"),
        ("SpO2 [%]", None, ""),
        ("pressure_support", None, ""),
        ("", None, ""),
    ],
)
def test_headers_in_usual_forms(header: str, quantity: str | None, unit: str) -> None:
    found, unit_text = split_header(header)
    assert found == quantity
    assert quantity is None or (parse_unit(unit_text).name if unit_text else "") == unit


@pytest.mark.parametrize(("quantity", "name"), [(key, name) for key, names in NAMES.items() for name in names])
def test_every_short_name_is_understood_in_any_case(quantity: str, name: str) -> None:
    unit = canonical_unit(quantity).name
    for form in (name, name.upper(), name.title(), name.replace(" ", "_"), f"{name} [{unit}]", f"{name}_{unit}"):
        assert split_header(form)[0] == quantity, form


@pytest.mark.parametrize(
    ("headers", "mapping", "problem"),
    [
        (["t [s]", "Paw", "Flow [L/s]"], None, "airway_pressure has no unit"),
        (["t [s]", "Paw [furlong]", "Flow [L/s]"], None, "the unit 'furlong' is not known"),
        (["t [s]", "Paw [L/s]", "Flow [L/s]"], None, "by its name this is airway_pressure, yet L/s is a unit of flow"),
        (["t [s]", "Paw [kPa]", "Flow [L/s]", "V' [L/s]"], None, "both 'Flow [L/s]' and \"V' [L/s]\" claim to be flow"),
        (["t [s]", "a", "Flow [L/s]"], {"a": "wurst [kPa]"}, "the column map says 'wurst [kPa]' of 'a'"),
        (["t [s]", "a", "Flow [L/s]"], {"b": "ignore"}, "the column map names 'b', and the file has no such column"),
        (["t [s]", "Paw [kPa]"], None, "no column holds flow"),
        (["t [s]", "Flow [L/s]"], None, "no column holds airway_pressure"),
        (["Paw [kPa]", "Flow [L/s]"], None, "no column holds time"),
    ],
)
def test_headers_that_do_not_do(headers: list[str], mapping: dict[str, str] | None, problem: str) -> None:
    with pytest.raises(SignalError) as refusal:
        understand(headers, mapping, "s.csv")
    assert refusal.value.problem == problem
    assert refusal.value.where.startswith("s.csv")
    assert refusal.value.remedy or refusal.value.expected


def test_column_map_matches_headers_loosely_and_ignores_what_it_is_told_to() -> None:
    columns, left_out = understand(
        ["Time  (sec)", "PRESSURE", "net_flow", "volume", "x"],
        {"time (SEC)": "time [s]", "pressure": "Paw [mbar]", "net_flow": "flow [mL/s]", "volume": "Ignore"},
        "s.csv",
    )
    assert {key: column.index for key, column in columns.items()} == {"time": 0, "airway_pressure": 1, "flow": 2}
    assert left_out == ("x",)


@pytest.mark.parametrize(
    "data",
    [
        text('# a comment with a " quote', "", HEADER, *ROWS),
        text(HEADER, *ROWS[:200], "# an event", "", *ROWS[200:], ""),
        text(
            '"time [s]","Paw [cmH2O]","Flow [L/min]"',
            *(f'"{row.replace(",", chr(34) + "," + chr(34))}"' for row in ROWS),
        ),
        text(HEADER + ",", *(row + "," for row in ROWS)),
        text("time[s] Paw[cmH2O] Flow[L/min]", *(row.replace(",", " ") for row in ROWS)),
        text("time [s] Paw [cmH2O] Flow [L/min]", *(row.replace(",", " \t ") for row in ROWS)),
        text("  Time, s    Airway pressure, cmH2O   Flow, L/min", *("  " + row.replace(",", "    ") for row in ROWS)),
        text(HEADER, *(row.replace(",", "  ,\t") + "  " for row in ROWS), end="\r\n"),
        text(HEADER.replace(",", ";"), *(row.replace(",", ";").replace(".", ",") for row in ROWS)),
        text(HEADER.replace(",", "\t"), *(row.replace(",", "\t").replace(".", ",") for row in ROWS)),
        b"\xef\xbb\xbf" + text(HEADER, *ROWS).encode(),
        text(HEADER, *ROWS).encode()[:-1],
    ],
    ids=[
        *("quote in a comment", "comment", "quotes", "last separator", "one blank", "blanks", "words", "padded"),
        *("semicolon", "tab", "byte order mark", "no last end"),
    ],
)
def test_the_same_rows_in_any_layout(read: Read, data: str | bytes) -> None:
    plain, other = read(text(HEADER, *ROWS)), read(data)
    assert other.recording_id == plain.recording_id
    assert other.gaps == ()


def test_header_that_is_not_utf_8_is_read_and_said(read: Read) -> None:
    rows = [f"{row},{k % 7}.5" for k, row in enumerate(ROWS)]
    recording = read(text(HEADER + ",EAdi [µV]", *rows).encode("cp1252"))
    assert recording["diaphragm_activity"].max() == 6.5
    assert recording.warnings == ("the file is not UTF-8: its header was read as Windows-1252",)


@pytest.mark.parametrize(
    ("line", "where", "problem"),
    [
        ("2.00,abc,3", "s.csv, line 104, column 'Paw [cmH2O]'", "'abc' is not a number"),
        ("2.00,5,1_0", "s.csv, line 104, column 'Flow [L/min]'", "'1_0' is not a number"),
        ("2.00,0x1F,3", "s.csv, line 104, column 'Paw [cmH2O]'", "'0x1F' is not a number"),
        ("time [s],5,3", "s.csv, line 104, column 'time [s]'", "'time [s]' is not a number"),
        ("2.00,5,3,4", "s.csv, line 104", "the line has 4 cells and the header 3 names"),
        ("2,00,5,0,3,0", "s.csv, line 104", "the line has 6 cells and the header 3 names"),
    ],
)
def test_line_at_fault_is_named(refused: Callable[..., SignalError], line: str, where: str, problem: str) -> None:
    padding = ["#" * 4000] * 100  # beyond what is looked at first
    error = refused(text("# a comment", HEADER, *ROWS[:50], "", *ROWS[50:100], line, *padding, *ROWS[101:]))
    assert (error.where, error.problem) == (where, problem)
    assert error.expected or error.remedy


@pytest.mark.parametrize(("cut", "kept"), [(0, 450), (1, 450), (2, 449), (4, 449), (8, 449)])
def test_last_line_that_breaks_off_is_left_out(read: Read, cut: int, kept: int) -> None:
    data = text(HEADER, *ROWS)
    recording = read(data[: len(data) - cut])
    assert len(recording) == kept
    assert recording.warnings == (("the last line breaks off and was left out",) if kept < 450 else ())


def stamped(form: str) -> str:
    """The rows with stamps; ``form`` takes minutes, seconds and thousandths."""
    cells = [row.split(",") for row in ROWS]
    stamps = [form.format(m=59 + k // 3000, s=50 + k // 50, ms=k % 50 * 20) for k in range(450)]
    return text(
        "Time;Paw [cmH2O];Flow [L/min]", *(";".join([s, p, f]) for s, (_, p, f) in zip(stamps, cells, strict=True))
    )


@pytest.mark.parametrize(
    ("form", "start"),
    [
        ("2031-05-04T13:{m:02d}:{s:02d}.{ms:03d}", "2031-05-04T13:59:50"),
        ("2031-05-04 13:{m:02d}:{s:02d}.{ms:03d}", "2031-05-04T13:59:50"),
        ("2031-05-04T13:{m:02d}:{s:02d},{ms:03d}", "2031-05-04T13:59:50"),
        ("2031-05-04T13:{m:02d}:{s:02d}.{ms:03d}Z", "2031-05-04T13:59:50+00:00"),
        ("2031-05-04T13:{m:02d}:{s:02d}.{ms:03d}+02:00", "2031-05-04T11:59:50+00:00"),
        ("2031-05-04T13:{m:02d}:{s:02d}.{ms:03d}-0330", "2031-05-04T17:29:50+00:00"),
    ],
)
def test_stamps_with_or_without_zone(read: Read, form: str, start: str) -> None:
    recording = read(stamped(form))
    assert recording.start is not None
    assert recording.start.isoformat() == start
    assert recording.recording_id == read(text(HEADER, *ROWS)).recording_id
    assert recording.steps == ("flow: L/min to L/s",)


def test_stamp_unlike_the_others_is_named(refused: Callable[..., SignalError]) -> None:
    data = stamped("2031-05-04T13:{m:02d}:{s:02d}.{ms:03d}")
    error = refused(data.replace("13:59:52.000;", "13:59:52.000Z;"))
    assert error.where == "s.csv, line 102, column 'Time'"
    assert "not a date and time like the first one" in error.problem


@pytest.mark.parametrize("cell", ["13:59:50.000", "04/05/2031 13:59:50", "Monday"])
def test_time_without_unit_or_date_is_refused(refused: Callable[..., SignalError], cell: str) -> None:
    rows = [f"{cell},{row.split(',', 1)[1]}" for row in ROWS]
    error = refused(text(HEADER.replace("time [s]", "Time"), *rows))
    assert repr(cell) in error.problem
    assert "ISO 8601 stamps with their date" in error.expected


def plain_squeeze(rows: bytes, separator: bytes) -> bytes:
    """The twin of the kernel, by regular expressions."""
    rows = rows.replace(b"\r", b"")
    rows = re.sub(b" +" if separator == b"\t" else b"[ \t]+", b" ", rows)
    if separator != b" ":
        rows = re.sub(b" ?" + re.escape(separator) + b" ?", separator, rows)
    lines = re.sub(b" ?\n ?", b"\n", rows).strip(b" ").split(b"\n")
    return b"".join(line + b"\n" for line in lines if line)


@pytest.mark.parametrize("separator", [b",", b";", b"\t", b" "])
@pytest.mark.parametrize("seed", range(20))
def test_squeeze_is_its_plain_twin(separator: bytes, seed: int) -> None:
    draw = np.random.default_rng(seed)
    rows = bytes(draw.choice(np.frombuffer(b"12.- \t,;\r\n  ", np.uint8), 400)) + b"\n"
    found = squeeze(np.frombuffer(rows, np.uint8), ord(separator)).tobytes()
    assert found == plain_squeeze(rows, separator)
