"""Rooms with a form are the commands of the same name: the same numbers, the same refusals, beside their fields."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from pypdf import PdfReader

from tests.web.bench import CASE, DEMO, casebook, served
from tidebench.cli import main
from tidebench.quantities import quantity
from tidebench.views.parts import UNKNOWN
from tidebench.web.rooms import ROOMS

Answers = dict[str, dict[str, str]]
Printed = Callable[..., Any]

PATIENT = """
condition = "ARDS"
[patient]
sex = "female"
age_years = 63
height_cm = 168
[airway]
interface = "endotracheal tube"
[lungs]
fio2 = 0.6
[flow_sensor]
syringe_ml = 1000
strokes_ml = [1098, 1110, 1104]
[oxygen]
base_flow_l_min = 3
[[oxygen.cylinders]]
water_capacity_l = 5
pressure_bar = 150
[[oxygen.cylinders]]
size = "E"
pressure_psi = 1900
[transport]
minutes = 40
"""
PATIENT_TYPED: Answers = {
    "case": {"condition": "ARDS"},
    "patient": {"sex": "female", "age_years": "63", "height_cm": "1.68 m"},
    "airway": {"interface": "endotracheal tube"},
    "lungs": {"fio2": "60 %"},
    "flow_sensor": {"syringe_ml": "1 L", "strokes_ml": "1098 1110; 1104"},
    "oxygen": {"base_flow_l_min": "3"},
    "cylinders": {"water_capacity_l": "5", "pressure_bar": "150"},
    "cylinders 2": {"size": "E", "pressure_psi": "1900"},
    "transport": {"minutes": "40"},
}
GASES = """
[patient]
sex = "female"
age_years = 62
height_cm = 165
[airway]
interface = "endotracheal tube"
[[settings]]
mode = "A/C-VC"
peep_cmh2o = 10
fio2 = 0.6
rate_per_min = 24
tidal_volume_ml = 360
[[observed]]
vte_ml = 360
rate_per_min = 24
spo2 = 0.92
[[blood_gases]]
at_s = 600
site = "arterial"
fio2 = 0.6
ph = 7.25
paco2_mmhg = 60
pao2_mmhg = 80
"""
GASES_TYPED: Answers = {
    "patient": {"sex": "female", "age_years": "62", "height_cm": "165"},
    "airway": {"interface": "endotracheal tube"},
    "settings": {"mode": "volume control, and the patient may trigger", "peep_cmh2o": "10", "fio2": "0.6",
                 "rate_per_min": "24", "tidal_volume_ml": "360"},
    "observed": {"vte_ml": "360", "rate_per_min": "24", "spo2": "92 %"},
    "blood_gases": {"at_s": "10 min", "site": "arterial", "fio2": "0.6", "ph": "7,25", "paco2_mmhg": "60",
                    "pao2_mmhg": "80"},
    "typed": {"temperature_c": "38.5", "sodium_mmol_l": "140", "chloride_mmol_l": "100", "albumin_g_dl": "30 g/L"},
    "target": {"target_paco2_mmhg": "45"},
    "said": {"imaging": "yes"},
}  # fmt: skip
WEANING = """
[patient]
sex = "female"
age_years = 63
height_cm = 164
[[settings]]
mode = "CSV-PS"
pressure_support_cmh2o = 12
peep_cmh2o = 6
fio2 = 0.35
[[settings]]
at_s = 600
mode = "CSV-PS"
pressure_support_cmh2o = 5
peep_cmh2o = 5
[[observed]]
at_s = 540
rate_per_min = 22
heart_rate_per_min = 90
[[observed]]
at_s = 2400
rate_per_min = 36
p01_cmh2o = -4.5
"""
SUPPORT = "pressure support alone"
WEANING_TYPED: Answers = {
    "patient": {"sex": "female", "age_years": "63", "height_cm": "164"},
    "settings": {"mode": SUPPORT, "pressure_support_cmh2o": "12", "peep_cmh2o": "6", "fio2": "0.35"},
    "settings 2": {"at_s": "10 min", "mode": SUPPORT, "pressure_support_cmh2o": "5", "peep_cmh2o": "5"},
    "observed": {"at_s": "540", "rate_per_min": "22", "heart_rate_per_min": "90"},
    "observed 2": {"at_s": "40 min", "rate_per_min": "36", "p01_cmh2o": "-4.5"},
    "signs": {"cough": "yes"},
    "told": {"cough_peak_flow_l_min": "55"},
    "cuff": {"inspired_ml": "450", "expired_ml": "300 310 305"},
    "history": {"trials": "2", "failed": "1"},
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return casebook(tmp_path_factory.mktemp("casebook"))


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with served(folder) as client:
        yield client


@pytest.fixture
def printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Printed:
    """What a command prints as JSON of a case typed in TOML, or of the case at a path."""

    def run(command: str, case: str | Path, *words: str) -> Any:
        path = case if isinstance(case, Path) else tmp_path / "case.toml"
        if isinstance(case, str):
            path.write_text(case, encoding="utf-8")
        main([command, str(path), *words, "--json"])
        return json.loads(capsys.readouterr().out)

    return run


def told(client: TestClient, room: str, answers: Answers, case: str = "") -> dict[str, Any]:
    """A room's answer that holds a page."""
    answer = client.post(f"/api/rooms/{room}", json={"case": case, "answers": answers}).json()
    assert answer["slips"] == []
    page: dict[str, Any] = answer["page"]
    return page


def items(page: dict[str, Any]) -> list[tuple[str, str]]:
    """Labels and values of every number, in order."""
    return [(item["label"], item["value"]) for part in page["parts"] for item in part["items"]]


def lines(page: dict[str, Any]) -> str:
    """Every sentence of a page."""
    return "\n".join(line for part in page["parts"] for line in (*part["lines"], *part["after"]))


def sheet_lines(sheet: dict[str, Any]) -> list[tuple[str, str]]:
    return [(line["label"], line["value"] or UNKNOWN) for part in sheet["sections"] for line in part["lines"]]


def test_prepare_is_the_command(client: TestClient, printed: Printed) -> None:
    sheet = printed("prepare", PATIENT)
    page = told(client, "prepare", PATIENT_TYPED)
    assert items(page) == sheet_lines(sheet)
    assert ("predicted weight", "59.7 kg") in items(page)
    ticks = [line for part in page["parts"] for line in part["ticks"]]
    assert ticks == [line for group in sheet["checklist"] for line in group["lines"]]


def test_gases_are_the_command(client: TestClient, printed: Printed) -> None:
    options = ("--target-paco2=45", "--temperature=38.5", "--sodium=140", "--chloride=100", "--albumin=3",
               "--said=imaging")  # fmt: skip
    read = printed("gases", GASES, *options)
    page = told(client, "gases", GASES_TYPED)
    known = {value["key"]: value["value"] for value in (*read["gases"][0]["stated"], *read["gases"][0]["indices"])}
    shown = {item["key"]: item["value"] for part in page["parts"] for item in part["items"]}
    assert shown.keys() == {key for key, value in known.items() if value is not None}
    assert float(shown["anion_gap_mmol_l"].split()[0]) == pytest.approx(known["anion_gap_mmol_l"], abs=0.06)
    assert f"ventilation times {read['ventilation']['factor']:.2f}" in lines(page)
    assert "respiratory acidosis" in lines(page)
    kpa = told(client, "gases", {**GASES_TYPED, "target": {"unit": "kPa"}})
    assert ("carbon dioxide pressure", "8.0 kPa") in items(kpa)


@pytest.mark.parametrize("room", ["prepare", "wean", "handover"])
def test_other_rooms_show_tensions_in_kpa(client: TestClient, room: str) -> None:
    """7.50062 mmHg are 1 kPa: 60 mmHg 8.0 kPa, an EtCO2 alarm at 30 to 50 mmHg one at 4.0 to 6.7 kPa."""
    tables = ("patient", "settings", "observed")
    answers = PATIENT_TYPED if room == "prepare" else {
        **{table: WEANING_TYPED[table] for table in tables},
        "blood_gases": GASES_TYPED["blood_gases"],
    }  # fmt: skip
    page = json.dumps(told(client, room, {**answers, "shown": {"unit": "kPa"}}), ensure_ascii=False)
    assert " kPa" in page
    assert " kPa" not in json.dumps(told(client, room, answers), ensure_ascii=False)


def test_weaning_is_the_command(client: TestClient, printed: Printed) -> None:
    words = ("--said=cough=yes", "--said=cough_peak_flow_l_min=55", "--leak-inspired=450", "--trials=2", "--failed=1")
    leaks = tuple(f"--leak-expired={value}" for value in (300, 310, 305))
    weaning = printed("wean", WEANING, *words, *leaks)
    page = told(client, "wean", WEANING_TYPED)
    states = [(item["label"], item["state"]) for part in page["parts"] for item in part["items"]]
    assert states == [(item["name"], item["state"]) for item in (*weaning["readiness"], *weaning["failure"])]
    assert ("rise of rate", "met") in states
    assert f"{weaning['cuff']['volume_ml']:.0f} mL" in lines(page)
    assert weaning["classes"]["consensus_2007"]["text"] in lines(page)


def test_handover_is_the_command(client: TestClient, printed: Printed) -> None:
    page = printed("handover", DEMO, "--propose", "trial in the morning=ward round", "--ask", "Which target?")
    shown = told(client, "handover", {"propose": {"what": "trial in the morning", "who": "ward round"},
                                      "ask": {"question": "Which target?"}}, CASE)  # fmt: skip
    values = [
        (number["quantity"]["label"], quantity(number["quantity"]["key"]).text((number["spread"] or {}).get("median")))
        for number in page["numbers"]
    ]
    assert items(shown) == values
    assert all(question in lines(shown) for question in page["questions"])
    assert [row for part in shown["parts"] for row in part["rows"]] == [["trial in the morning", "ward round"]]


@pytest.mark.parametrize("room", ROOMS)
def test_an_open_case_fills_the_form_and_changes_nothing(client: TestClient, folder: Path, room: str) -> None:
    before = (folder / CASE / "case.toml").read_bytes()
    form = client.get(f"/api/rooms/{room}", params={"case": CASE}).json()
    assert "2 blood gases" in form["about"]
    if room != "handover":
        assert form["answers"]["patient"]["height_cm"] == "168"
    assert told(client, room, form["answers"], CASE) == told(client, room, {}, CASE)
    assert (folder / CASE / "case.toml").read_bytes() == before


def test_an_open_case_gives_the_numbers_of_the_command(client: TestClient, printed: Printed) -> None:
    read = printed("gases", DEMO)
    page = told(client, "gases", {}, CASE)
    count = sum(
        value["value"] is not None for gas in read["gases"] for value in (*gas["stated"], *gas["indices"])
    )  # fmt: skip
    assert len(items(page)) == count
    assert items(told(client, "prepare", {}, CASE)) == sheet_lines(printed("prepare", DEMO))
    weaning = printed("wean", DEMO)
    states = [item["state"] for part in told(client, "wean", {}, CASE)["parts"] for item in part["items"]]
    assert states == [item["state"] for item in (*weaning["readiness"], *weaning["failure"])]


def test_a_changed_answer_counts_and_an_emptied_one_is_out(client: TestClient) -> None:
    answers = client.get("/api/rooms/prepare", params={"case": CASE}).json()["answers"]
    taller = {**answers, "patient": {**answers["patient"], "height_cm": "180"}}
    page = told(client, "prepare", taller, CASE)
    assert dict(items(page))["predicted weight"] == "70.6 kg"  # 45.5 + 0.91 (180 - 152.4), ARDS Network 2000
    less = {**answers, "patient": {**answers["patient"], "height_cm": " "}}
    page = told(client, "prepare", less, CASE)
    assert dict(items(page))["tidal volume in mL"] == UNKNOWN


@pytest.mark.parametrize(
    ("room", "answers", "place", "words"),
    [
        ("prepare", {"patient": {"age_years": "63", "height_cm": "1.7"}}, ("patient", "height_cm"),
         "metres, write 170"),
        ("prepare", {"patient": {"age_years": "63"}, "flow_sensor": {"syringe_ml": "9"}}, ("flow_sensor", "strokes_ml"),
         "missing"),
        ("prepare", {"patient": {"age_years": "63", "weight_kg": "3"}}, ("patient", "weight_kg"), "20 to 350 kg"),
        ("prepare", {"case": {"condition": "ARDS"}, "patient": {"age_days": "2", "weight_kg": "3"}},
         ("case", "condition"), "not held for this patient"),
        ("gases", {"blood_gases": {"ph": "7.4"}, "blood_gases 2": {"paco2_mmhg": "5.3"}},
         ("blood_gases 2", "paco2_mmhg"), "kPa"),
        ("gases", {"typed": {"altitude_m": "9", "barometric_mmhg": "700"}, "blood_gases": {"ph": "7.4"}}, ("", ""),
         "one of them"),
        ("gases", {"target": {"target_paco2_mmhg": "9"}}, ("target", "target_paco2_mmhg"), "15 to 150 mmHg"),
        ("wean", {"history": {"trials": "2", "failed": "5"}}, ("history", "failed"), "at most the trials"),
        ("wean", {"history": {"trials": "2.5"}}, ("history", "trials"), "whole number"),
        ("wean", {"cuff": {"expired_ml": "300"}}, ("cuff", "inspired_ml"), "missing"),
        ("wean", {"nonesuch": {"a": "1"}}, ("nonesuch", "a"), "no such field"),
        ("handover", {"propose": {"what": "x" * 200}}, ("propose", "what"), "at most 140 letters"),
        ("handover", {f"ask {n}": {"question": "why?"} for n in range(2, 9)}, ("ask", "question"), "at most 5"),
    ],
)  # fmt: skip
def test_what_can_not_be_used_is_told_beside_its_field(
    client: TestClient, room: str, answers: Answers, place: tuple[str, str], words: str
) -> None:
    answer = client.post(f"/api/rooms/{room}", json={"answers": answers}).json()
    assert answer["page"] is None
    assert [(slip["table"], slip["key"]) for slip in answer["slips"]] == [place]
    assert words in answer["slips"][0]["problem"]
    assert client.post(f"/api/rooms/{room}/page.pdf", json={"answers": answers}).status_code == 422


def test_a_case_without_a_gas_is_asked_for_one_in_words_of_the_form(client: TestClient) -> None:
    answers = {"patient": {"age_years": "40"}}
    (slip,) = client.post("/api/rooms/gases", json={"answers": answers}).json()["slips"]
    assert "Say one under “Blood gas”" in slip["problem"]
    assert "[[" not in slip["problem"]
    assert "_" not in slip["problem"]


def test_doubts_are_asked_about(client: TestClient) -> None:
    answers = {"patient": {"age_years": "40", "weight_kg": "400", "height_cm": "160"}, "blood_gases": {"ph": "7.4"}}
    answer = client.post("/api/rooms/gases", json={"answers": answers}).json()
    assert answer["doubts"] == ["You say 400 kg at 160 cm: are both right?"]


def test_pages_speak_of_the_form_and_not_of_options(client: TestClient) -> None:
    for room, answers in (("wean", WEANING_TYPED), ("gases", GASES_TYPED)):
        text = json.dumps(told(client, room, answers))
        assert "--" not in text
        assert "[[" not in text


@pytest.mark.parametrize(
    ("room", "answers", "word"),
    [("prepare", PATIENT_TYPED, "59.7"), ("gases", GASES_TYPED, "7.25"), ("wean", WEANING_TYPED, "36"),
     ("handover", WEANING_TYPED, "36")],
)  # fmt: skip
def test_pages_are_printed(client: TestClient, room: str, answers: Answers, word: str) -> None:
    kept = {key: value for key, value in answers.items() if room != "handover" or key in ("patient", "settings")}
    body = {"answers": kept | ({"observed": {"rate_per_min": "36"}} if room == "handover" else {})}
    pdf = client.post(f"/api/rooms/{room}/page.pdf", json=body)
    assert pdf.headers["content-type"] == "application/pdf"
    text = "".join(page.extract_text() for page in PdfReader(BytesIO(pdf.content)).pages)
    assert word in text
    assert "Not a medical device" in " ".join(text.split())
    words = client.post(f"/api/rooms/{room}/page.txt", json=body)
    assert words.status_code == (200 if room in ("wean", "handover") else 422)
    assert room not in ("wean", "handover") or word in words.text


def test_a_case_that_was_not_reviewed_is_said_to_need_it(client: TestClient, folder: Path) -> None:
    new = folder / "not-reviewed"
    new.mkdir(exist_ok=True)
    for name in ("case.toml", "signals.csv"):
        (new / name).write_bytes((DEMO / name).read_bytes())
    answer = client.post("/api/rooms/handover", json={"case": new.name}).json()
    assert "Review the case first." in answer["slips"][0]["problem"]
    assert client.post("/api/rooms/handover", json={"case": "none"}).status_code == 404


def test_cards_are_those_of_the_command(client: TestClient) -> None:
    cards = client.get("/api/cards").json()
    assert [card["sign"] for card in cards] == ["high-pressure", "falling-volume", "falling-saturation", "no-trigger",
                                                "stacking", "leak", "pre-use"]  # fmt: skip
    source = Path(ROOMS["prepare"].show.__code__.co_filename).parents[2] / "care" / "cards" / "cards.toml"
    deck = tomllib.loads(source.read_text(encoding="utf-8"))
    leak = cards[5]["page"]
    assert leak["parts"][0]["heading"] == "The patient first"
    assert [line[3:] for line in leak["parts"][0]["lines"]] == deck["first"]
    assert [row for part in leak["parts"] for row in part["rows"]] == deck["leak"]["clues"]
    assert client.get("/api/cards/pre-use.pdf").content.startswith(b"%PDF")


def test_handover_as_text_is_that_of_the_command(client: TestClient, capsys: pytest.CaptureFixture[str]) -> None:
    main(["handover", str(DEMO)])
    said = capsys.readouterr().out
    assert client.post("/api/rooms/handover/page.txt", json={"case": CASE}).text == said
