"""New cases by form and by file, and long work: refused, done, stopped, given up."""

from __future__ import annotations

import asyncio
import io
import os
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from fastapi.testclient import TestClient

from tests.web.bench import DEMO, served
from tidebench.case import load_case
from tidebench.casebook import TAKEN_OUT, check_name, free_name
from tidebench.errors import OptionError
from tidebench.readers.preview import cells_speak_of_people, speaks_of_people
from tidebench.web import uploads
from tidebench.web.jobs import BROKEN, Job, Jobs
from tidebench.web.options import Limits

SIGNALS = (DEMO / "signals.csv").read_bytes()


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with served(tmp_path) as client:
        yield client


def sent(client: TestClient, name: str, content: bytes) -> Any:
    """A file sent to the workbench."""
    return client.post("/api/uploads", params={"name": name}, content=content)


def test_form_makes_a_case_with_units_typed_behind_numbers(client: TestClient, tmp_path: Path) -> None:
    answers = {
        "patient": {"sex": "female", "height_cm": "1.68 m", "age_years": "61"},
        "settings": {"mode": "volume control, and the patient may trigger", "fio2": "60 %", "peep_cmh2o": "8"},
    }
    made = client.post("/api/cases", json={"title": "Stiff lungs", "answers": answers}).json()
    case = load_case(tmp_path / made["name"])
    assert case.patient.height_cm == 168
    assert case.settings[0].fio2 == 0.6
    assert case.settings[0].mode == "A/C-VC"
    again = client.post("/api/cases", json={"title": "Stiff lungs"}).json()
    assert again["name"] == "stiff-lungs-2"


def test_slips_and_doubts_are_told_and_nothing_is_written(client: TestClient, tmp_path: Path) -> None:
    told = client.post("/api/cases", json={"answers": {"settings": {"fio2": "60"}}}).json()
    assert told["name"] == ""
    assert told["slips"] == [
        {
            "table": "settings",
            "key": "fio2",
            "problem": "60 can't be: 0.21 to 1 as a fraction. If that was in per cent, write 0.6.",
        }
    ]
    short = {"answers": {"patient": {"age_years": "40", "height_cm": "66"}}}
    asked = client.post("/api/cases", json=short).json()
    assert "in inches" in asked["doubts"][0]
    assert not [path for path in tmp_path.iterdir() if not path.name.startswith(".")]
    assert client.post("/api/cases", json={**short, "meant": asked["doubts"]}).json()["name"]


def test_dragged_file_becomes_a_case_and_its_review(client: TestClient, tmp_path: Path) -> None:
    told = sent(client, "signals.csv", SIGNALS).json()
    assert told["problem"] == ""
    assert [column["quantity"] for column in told["columns"]] == ["time", "airway_pressure", "flow"]
    name = client.post("/api/cases", json={"title": "dragged", "upload": told["token"]}).json()["name"]
    assert (tmp_path / name / "signals.csv").read_bytes() == SIGNALS
    job = client.post(f"/api/cases/{name}/review").json()
    for _ in range(1200):
        job = client.get(f"/api/jobs/{job['name']}").json()
        if job["state"] not in ("waiting", "running"):
            break
        time.sleep(0.1)
    assert (job["state"], job["problem"]) == ("done", "")
    assert client.get(f"/api/cases/{name}/review").json()["breaths"] > 100


def test_columns_that_say_too_little_are_mapped_by_hand(client: TestClient, tmp_path: Path) -> None:
    text = SIGNALS.replace(b"time [s],airway pressure [cmH2O],flow [L/min]", b"seconds,circuit,Flow", 1)
    told = sent(client, "x.csv", text).json()
    assert "flow has no unit" in told["problem"]
    columns = {"seconds": "time [s]", "circuit": "airway_pressure [cmH2O]", "Flow": "flow [L/min]"}
    again = client.post(f"/api/uploads/{told['token']}/preview", json={"columns": columns}).json()
    assert again["problem"] == ""
    refused = client.post("/api/cases", json={"title": "y", "upload": told["token"]})
    assert refused.status_code == 422
    made = client.post("/api/cases", json={"title": "y", "upload": told["token"], "columns": columns}).json()
    assert load_case(tmp_path / made["name"]).recording.columns == columns


def test_columns_of_people_are_told_hidden_and_left_out(client: TestClient, tmp_path: Path) -> None:
    head, _, rest = SIGNALS.partition(b"\n")
    rows = rest.splitlines()[:400]
    text = b"# written for Somebody\n" + head + b",Patient name\n" + b"".join(row + b",Somebody\n" for row in rows)
    told = sent(client, "x.csv", text).json()
    assert told["people"] == ["Patient name"]
    assert told["comments"]
    assert "Somebody" not in str(told)
    asked = {"title": "z", "upload": told["token"]}
    assert "speak of people" in client.post("/api/cases", json=asked).json()["slips"][0]["problem"]
    name = client.post("/api/cases", json={**asked, "without": told["people"]}).json()["name"]
    assert b"Somebody" not in (tmp_path / name / "x.csv").read_bytes()
    assert not list((tmp_path / ".uploads").iterdir())


@pytest.mark.parametrize(
    ("header", "people"),
    [
        ("Patient name", True), ("MRN", True), ("Nachname", True), ("date of birth", True), ("Prénom", True),
        ("patient_id", True), ("Subject ID", True), ("E-Mail", True), ("Geburtsdatum", True), ("Hospital No.", True),
        ("time [s]", False), ("Paw [cmH2O]", False), ("Flow", False), ("Volume", False), ("EtCO2", False),
        ("breath number", False), ("SpO2 [%]", False), ("RR", False),
    ],
)  # fmt: skip
def test_headers_that_speak_of_people(header: str, people: bool) -> None:
    assert speaks_of_people(header) is people


@pytest.mark.parametrize(
    ("cells", "people"),
    [
        (["Example Person", "Example Person"], True), (["Person, E.", "", "Öxample, Änn"], True),
        (["E. Person-Sample"], True), (["00012345", "00012345"], True),
        (["5.01", "5.03"], False), (["insp", "exp"], False), (["123456", "123457"], False), (["Inspiration"], False),
        (["volume control"], False), (["0", "0"], False), (["", ""], False),
    ],
)  # fmt: skip
def test_cells_that_speak_of_people_whatever_their_header(cells: list[str], people: bool) -> None:
    # From memory: names in exports stand as "Surname, Given" or "Given Surname", record numbers in every row.
    assert cells_speak_of_people(cells) is people


def test_column_of_names_under_a_neutral_header_stays_out_of_the_case(client: TestClient, tmp_path: Path) -> None:
    head, _, rest = SIGNALS.partition(b"\n")
    text = head + b",who\n" + b"".join(row + b",Example Person\n" for row in rest.splitlines()[:400])
    told = sent(client, "x.csv", text).json()
    assert told["people"] == ["who"]
    assert "Example Person" not in str(told)
    asked = {"title": "z", "upload": told["token"]}
    assert client.post("/api/cases", json=asked).json()["name"] == ""
    name = client.post("/api/cases", json={**asked, "without": told["people"]}).json()["name"]
    assert b"Example Person" not in (tmp_path / name / "x.csv").read_bytes()


@pytest.mark.parametrize("name", ["../x.csv", "/etc/x.csv", "..\\..\\x.csv", "a/../../x.csv", "\x00x.csv"])
def test_paths_in_file_names_lead_nowhere(client: TestClient, tmp_path: Path, name: str) -> None:
    answer = sent(client, name, SIGNALS)
    assert answer.status_code == 200
    assert {path.parent.parent for path in tmp_path.rglob("*.csv")} == {tmp_path / ".uploads"}


@pytest.mark.parametrize("name", ["..", ".hidden", "", "a/b", "a\\b", "con", "NUL.txt", "x" * 81, "end.", "\u202egpj"])
def test_names_that_no_case_may_have(name: str, client: TestClient) -> None:
    with pytest.raises(OptionError):
        check_name(name)
    assert client.get(f"/api/cases/{name.replace('/', '%2F')}/review").status_code in (404, 422)


@pytest.mark.parametrize("title", ["", "...", "CON", "a/b\\c", "Größe Ü", "x" * 300, "\u202e", "  "])
def test_every_title_gives_a_name_that_a_folder_may_have(title: str, tmp_path: Path) -> None:
    assert check_name(free_name(tmp_path, title))


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("x.exe", b"MZ", "no reader knows"), ("x.csv", b"", "empty"), ("x.csv", b"PK\x03\x04zip", "archive"),
        ("x.csv", b"\x1f\x8bgz", "compressed"), ("x.csv", b"1,2\n3,4\n", "not names"),
        ("x.parquet", b"PAR1 not really", "Parquet"), ("x.csv", b"a" * 70000, "64 KiB"),
    ],
)  # fmt: skip
def test_files_that_can_not_be_used_are_refused_in_words(
    client: TestClient, tmp_path: Path, name: str, content: bytes, word: str
) -> None:
    answer = sent(client, name, content)
    assert answer.status_code == 422
    assert word in answer.json()["problem"]
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_small_file_that_stands_for_a_huge_one_is_refused(tmp_path: Path) -> None:
    bomb = io.BytesIO()
    zeros = pl.DataFrame({"time [s]": pl.zeros(2_000_000, eager=True), "flow [L/s]": pl.zeros(2_000_000, eager=True)})
    zeros.write_parquet(bomb)
    assert len(bomb.getvalue()) < 100_000
    with served(tmp_path, limits=Limits(rows=1_000_000)) as client:
        answer = sent(client, "x.parquet", bomb.getvalue())
    assert answer.status_code == 422
    assert "2000000 rows" in answer.json()["problem"]


def test_file_that_is_too_large_or_too_slow_leaves_nothing(tmp_path: Path) -> None:
    async def slowly() -> AsyncIterator[bytes]:
        yield b"time"
        await asyncio.sleep(5)

    with served(tmp_path, limits=Limits(upload_bytes=1000)) as client:
        assert "too large" in sent(client, "x.csv", SIGNALS).json()["problem"]
        limit = client.get("/api/uploads").json()
        assert limit["bytes"] == 1000
        refusal = sent(client, "x.csv", SIGNALS).json()["problem"]
        assert refusal == f"x.csv: {limit['words']}", "what the page says before it sends"
        assert (
            client.get("/api/uploads/logs").json()["bytes"]
            == client.get("/api/uploads/pictures").json()["bytes"]
            == 1000
        )
    with pytest.raises(OptionError, match="too long"):
        asyncio.run(uploads.take_in(tmp_path, "x.csv", slowly(), Limits(upload_s=0.05)))
    assert not list((tmp_path / ".uploads").iterdir())


def test_a_case_that_can_not_be_reviewed_is_taken_out_and_put_back(client: TestClient, tmp_path: Path) -> None:
    lines = SIGNALS.decode().splitlines()
    lines[2000] = "what is this"
    told = sent(client, "bad.csv", "\n".join(lines).encode()).json()
    name = client.post("/api/cases", json={"title": "a bad row", "upload": told["token"]}).json()["name"]
    before = {path.name: path.read_bytes() for path in (tmp_path / name).iterdir()}
    assert client.delete(f"/api/cases/{name}").status_code == 204
    assert client.get("/api/cases").json() == []
    assert client.delete(f"/api/cases/{name}").status_code == 404
    assert client.put(f"/api/cases/{name}").status_code == 204
    assert {path.name: path.read_bytes() for path in (tmp_path / name).iterdir()} == before
    assert client.put(f"/api/cases/{name}").status_code == 404
    client.delete(f"/api/cases/{name}")
    other = client.post("/api/cases", json={"title": "a bad row"}).json()["name"]
    assert other == name
    assert client.put(f"/api/cases/{name}").status_code == 409, "another case lies in its place"
    aside = tmp_path / TAKEN_OUT / name
    assert aside.is_dir()
    os.utime(aside, (0, 0))
    client.get("/api/cases")
    assert not aside.exists(), "nobody put it back in time"
    assert client.delete("/api/cases/..%2Felsewhere").status_code == 404


# --- long work --------------------------------------------------------------------------------------------------------


def until(jobs: Jobs, job: Job, done: Callable[[Job], bool], *, asking: bool = True) -> Job:
    """Wait for a job, asking for it or not."""
    for _ in range(600):
        if done(job):
            return job
        if asking:
            jobs.get(job.name)
        time.sleep(0.05)
    raise AssertionError(job.state)


@pytest.fixture
def jobs() -> Iterator[Jobs]:
    made = Jobs(1, Limits(lease_s=1.0, waiting_jobs=2))
    yield made
    made.close()


SLEEP, FAULT = "tests.web.slow:sleep", "tests.web.slow:fault"


def test_work_is_reported_and_its_outcome_kept(jobs: Jobs) -> None:
    job = until(jobs, jobs.submit("x", SLEEP, seconds=0.2), lambda job: job.state == "done")
    assert (job.outcome, job.share) == (0.2, 0.5)


def test_cancelled_work_makes_room_at_once(jobs: Jobs) -> None:
    long = jobs.submit("x", SLEEP, seconds=60)
    until(jobs, long, lambda job: job.state == "running")
    after = jobs.submit("y", SLEEP, seconds=0.0)
    jobs.cancel(long.name)
    assert until(jobs, after, lambda job: job.state == "done").outcome == 0.0
    assert long.state == "cancelled"


def test_work_that_nobody_asks_for_is_given_up(jobs: Jobs) -> None:
    job = jobs.submit("x", SLEEP, seconds=60)
    assert until(jobs, job, lambda job: job.state == "cancelled", asking=False)


def test_same_work_is_done_once_and_too_much_is_refused(jobs: Jobs) -> None:
    first = jobs.submit("x", SLEEP, seconds=60)
    assert jobs.submit("x", SLEEP, seconds=60) is first
    until(jobs, first, lambda job: job.state == "running")
    for seconds in (61, 62):
        jobs.submit("x", SLEEP, seconds=seconds)
    with pytest.raises(OptionError, match="too much waits"):
        jobs.submit("x", SLEEP, seconds=63)


def test_fault_in_work_is_said_without_its_words(jobs: Jobs) -> None:
    job = until(jobs, jobs.submit("x", FAULT, words="Somebody"), lambda job: job.state == "refused")
    assert job.problem.startswith(BROKEN)
    assert "Somebody" not in job.problem
    assert until(jobs, jobs.submit("x", SLEEP, seconds=0.1), lambda job: job.state == "done")


def test_a_refused_recording_gets_its_columns_named_afterwards(client: TestClient, tmp_path: Path) -> None:
    """Columns whose headers say nothing are refused; once they are named, the case says so and keeps its comments."""
    folder = tmp_path / "wrong-unit"
    folder.mkdir()
    table = pl.read_csv(DEMO / "signals.csv", comment_prefix="#")
    pressure, flow = (
        next(c for c in table.columns if "pressure" in c.lower()),
        next(c for c in table.columns if "flow" in c.lower()),
    )
    table.rename({pressure: "paw", flow: "q"}).head(6000).write_csv(folder / "signals.csv")
    written = '# kept\n[recording]\nfile = "signals.csv"\n'
    (folder / "case.toml").write_text(written, encoding="utf-8-sig")  # an editor's mark before it
    seen = client.get("/api/cases/wrong-unit/columns").json()
    assert seen["problem"]
    assert "[recording" not in seen["problem"]
    said = {"paw": "airway_pressure [cmH2O]", "q": "flow [L/min]"}
    tried = client.post("/api/cases/wrong-unit/columns", json={"columns": said}).json()
    assert tried["problem"] == ""
    assert client.get("/api/cases/wrong-unit/columns").json()["said"] == {}  # nothing was written yet
    assert client.put("/api/cases/wrong-unit/columns", json={"columns": {"paw": "flow [L/min]"}}).status_code in (
        404,
        422,
    )
    assert client.put("/api/cases/wrong-unit/columns", json={"columns": said}).status_code == 200
    assert (folder / "case.toml").read_text(encoding="utf-8").startswith("# kept\n")
    assert load_case(folder).recording.columns == said


def test_columns_of_a_case_without_one_recording_are_not_named(client: TestClient, tmp_path: Path) -> None:
    folder = tmp_path / "none"
    folder.mkdir()
    (folder / "case.toml").write_text('title = "no recording"\n', encoding="utf-8")
    answer = client.get("/api/cases/none/columns")
    assert answer.status_code == 404
    assert "no single recording" in answer.json()["problem"]


def test_a_review_that_goes_on_is_found_again(client: TestClient, tmp_path: Path) -> None:
    folder = tmp_path / "going"
    folder.mkdir()
    (folder / "signals.csv").write_bytes(SIGNALS)
    (folder / "case.toml").write_text('[recording]\nfile = "signals.csv"\n', encoding="utf-8")
    assert client.get("/api/cases/going/review/job").json() is None
    begun = client.post("/api/cases/going/review").json()
    going = client.get("/api/cases/going/review/job").json()
    assert going is None or going["name"] == begun["name"]  # none once it is over
    client.delete(f"/api/jobs/{begun['name']}")
    assert client.get("/api/cases/going/review/job").json() is None
