"""A case by questions and answers: what is asked, in which words, and how answers become a case.

Nobody needs TOML or a mode code for it. Whoever asks (a terminal, a form) gives :class:`Interview` a way to ask.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel

from tidebench.case import (
    GAS_KPA,
    MMHG_PER_KPA,
    Airway,
    BloodGas,
    Case,
    Circuit,
    Lungs,
    Observed,
    Patient,
    Setting,
    case_from,
)
from tidebench.doubts import doubts
from tidebench.entries import GUESSED, Within
from tidebench.errors import CaseError, OptionError
from tidebench.gas_contradictions import of_gas_beside
from tidebench.mode import parse_mode
from tidebench.units import factor

MOST_TRIES = 5
LONGEST_ANSWER = 400
NAME = "the answers"

TWO_LEVELS = "two pressure levels, breathing at both"
MODES = {
    "volume control, and the patient may trigger": "A/C-VC",
    "pressure control, and the patient may trigger": "A/C-PC",
    "pressure control that aims at a volume": "A/C-vtPC",
    "volume control, with supported breaths between": "SIMV-VC\\PS",
    "pressure control, with supported breaths between": "SIMV-PC\\PS",
    TWO_LEVELS: "IMV-PC",
    "pressure support alone": "CSV-PS",
    "support that aims at a volume": "CSV-vtPS",
    "CPAP, without support": "CPAP",
}
"""Modes in plain words, and what a case calls them."""

INTERFACES = ("endotracheal tube", "tracheostomy tube", "mask", "nasal mask", "helmet", "nasal prongs",
              "high-flow cannula", "none")  # fmt: skip
YEARS = {"y": 1.0, "year": 1.0, "years": 1.0, "yr": 1.0}
DAYS = {"d": 1.0, "day": 1.0, "days": 1.0, "w": 7.0, "week": 7.0, "weeks": 7.0, "m": 30.4375, "mo": 30.4375,
        "month": 30.4375, "months": 30.4375}  # fmt: skip
_AGE = re.compile(r"(?P<number>\d*[.,]?\d+)\s*(?P<unit>[a-z]*)")
_NUMBER = re.compile(r"(?P<number>[-−]?\d*[.,]?\d+)\s*(?P<unit>[^\d\s].*)?")
OWN_UNITS = {
    "height_cm": {"cm": 1.0, "m": 100.0, "mm": 0.1, "in": 2.54},
    "length_cm": {"cm": 1.0, "m": 100.0, "mm": 0.1, "in": 2.54},
    "weight_kg": {"kg": 1.0, "g": 0.001, "lb": 0.45359237},
    "gestational_age_weeks": {"weeks": 1.0, "w": 1.0},
    "tube_inner_diameter_mm": {"mm": 1.0},
    "rate_per_min": {"/min": 1.0, "per minute": 1.0},
    "hco3_mmol_l": {"mmol/l": 1.0},
    "cycling_percent": {"%": 1.0},
    "heart_rate_per_min": {"/min": 1.0, "per minute": 1.0},
    "haemoglobin_g_dl": {"g/dl": 1.0, "g/l": 0.1, "mmol/l": 1.611},
    "at_s": {"s": 1.0, "min": 60.0, "minutes": 60.0, "h": 3600.0, "hours": 3600.0},
}
"""Units that may be typed behind a number, with the factor into the key's own."""
UNIT_OF = {"_cmh2o": "cmH2O", "_ml": "mL", "_mmhg": "mmHg", "_l_min": "L/min", "_s": "s", "fio2": "fraction",
           "spo2": "fraction", "sao2": "fraction", "saturation": "fraction"}  # fmt: skip
"""Unit of a key by its ending, where any unit of that dimension may be typed."""

TENSIONS = {"paco2_mmhg": "PaCO2", "pao2_mmhg": "PaO2", "etco2_mmhg": "EtCO2"}

Ask = Callable[[str], str]
Say = Callable[[str], None]


@dataclass
class Interview:
    """Questions, one at a time; each answer is checked before the next.

    Attributes
    ----------
    ask : callable
        Shows a question and returns the answer; raises EOFError where there are no more.
    say : callable
        Shows a sentence.
    said : dict
        Tables and keys as in ``case.toml``, as far as they were answered.
    signals : Path or None
        A file of signals that belongs into the case's folder.
    meant : set of str
        Doubts that were answered: it is as typed.
    in_kpa : set of str
        Gas tensions that were answered in kPa.
    """

    ask: Ask
    say: Say
    said: dict[str, Any] = field(default_factory=dict)
    signals: Path | None = None
    meant: set[str] = field(default_factory=set)
    in_kpa: set[str] = field(default_factory=set)

    def run(self) -> Case:
        """Ask for everything, and give the case that the answers make.

        Raises
        ------
        CaseError
            The answers ended too early, or contradict each other.
        """
        self.say("Enter leaves a question out. Units may be typed behind a number.")
        self._title()
        for table, part in (("patient", self._patient), ("airway", self._airway), ("settings", self._settings),
                            ("blood_gases", self._gas), ("observed", self._observed)):  # fmt: skip
            self._until_kept(table, part)
        self._recording()
        if not self.said.keys() - {"title"}:
            raise CaseError(
                "nothing was answered", where=NAME, expected="the patient, what is set, a gas or what was noted",
                remedy="Nothing was written.",
            )  # fmt: skip
        return case_from(self.said, name=NAME)

    def _until_kept(self, table: str, part: Callable[[], None]) -> None:
        """Ask for a table until nothing in it contradicts itself, and what is doubtful is meant."""
        for _ in range(MOST_TRIES):
            part()
            try:
                open_doubts = [doubt for doubt in doubts(case_from(self.said, name=NAME)) if doubt not in self.meant]
            except CaseError as error:
                self.say(f"{error} Once more, then.")
            else:
                if all(self._yes(doubt.replace("The case says", "You say"), default=False) for doubt in open_doubts):
                    self.meant.update(open_doubts)
                    return
            again = table == "observed" and self._about_the_gas()
            self.said.pop(table, None)
            if again:
                self.say("The gas once more, then.")
                self.said.pop("blood_gases", None)
                self._gas()
        raise self._given_up(f"The part about {table.replace('_', ' ')}")

    def _about_the_gas(self) -> bool:
        """True where a gas doesn't fit what was noted beside it."""
        try:
            case = case_from(self.said, name=NAME)
        except CaseError:
            return False
        asked = (one.question for gas in case.blood_gases for one in of_gas_beside(case, gas))
        return any(question not in self.meant for question in asked)

    def _title(self) -> None:
        title = self._text("What is the case about, in a few words? No names, no numbers of a record.")
        if title:
            self.said["title"] = title

    def _patient(self) -> None:
        patient: dict[str, Any] = {}
        sex = self._choice("Sex", ("female", "male"))
        if sex:
            patient["sex"] = sex
        patient |= self._age()
        if patient.get("age_days", 1e9) < 200:
            self._number(patient, "gestational_age_weeks", Patient, "Born at how many weeks?")
        young = "age_days" in patient and patient["age_days"] < 730
        self._number(patient, "length_cm" if young else "height_cm", Patient,
                     f"{'Length' if young else 'Height'} in cm?")  # fmt: skip
        if "height_cm" in patient or "length_cm" in patient:
            how = self._choice("How was it found", ("measured", "tape", "by eye"))
            if how:
                patient["height_method"] = how
        self._number(patient, "weight_kg", Patient, "Weight in kg?")
        self._keep("patient", patient)
        condition = self._choice("What is known of the lungs", get_args(Lungs))
        self.said.pop("condition", None)
        if condition:
            self.said["condition"] = condition

    def _airway(self) -> None:
        airway: dict[str, Any] = {}
        interface = self._choice("What joins patient and circuit", INTERFACES)
        if interface:
            airway["interface"] = interface
        if interface in ("endotracheal tube", "tracheostomy tube"):
            self._number(airway, "tube_inner_diameter_mm", Airway, "Inner diameter of the tube in mm?")
            cuff = self._choice("Cuff", ("inflated", "partly inflated", "deflated", "none"))
            if cuff:
                airway["cuff"] = cuff
        self._keep("airway", airway)
        circuit: dict[str, Any] = {}
        humid = self._choice("Humidification", ("heated humidifier", "heat and moisture exchanger", "none"))
        if humid:
            circuit["humidification"] = humid
        self._number(circuit, "dead_space_ml", Circuit, "Dead space of filter, mount and sensor in mL?")
        self._keep("circuit", circuit)

    def _settings(self) -> None:
        first = self._setting()
        changed = self._setting_since() if first else {}
        self._keep("settings", first, several=True)
        if changed:
            self.said["settings"].append(changed)

    def _setting(self) -> dict[str, Any]:
        setting: dict[str, Any] = {}
        mode = self._mode()
        if mode:
            setting["mode"] = mode
        for key, question in asked_of(mode):
            self._number(setting, key, Setting, question)
        return setting

    def _setting_since(self) -> dict[str, Any]:
        """What was set anew, once; nothing where nothing was."""
        if not self._yes("Was anything set differently since?", default=False):
            return {}
        when: dict[str, Any] = {}
        self._number(when, "at_s", Setting, "How long after that? Such as 90 min.")
        self.say("As it is now; Enter leaves out what is not known.")
        setting = self._setting()
        return {"at_s": when.get("at_s", 1.0), **setting} if setting else {}

    @property
    def _now_s(self) -> float:
        """When what is noted now was noted: under the last settings."""
        return max((row.get("at_s", 0.0) for row in self.said.get("settings", ())), default=0.0)

    def _gas(self) -> None:
        if not self._yes("Is there a blood gas?", default=False):
            return
        self.in_kpa.clear()
        gas: dict[str, Any] = {"site": self._choice("Drawn from", ("arterial", "capillary", "venous"))}
        for key, question in (("fio2", "FiO2 when it was drawn?"), ("ph", "pH?"), ("paco2_mmhg", "PaCO2 in mmHg?"),
                              ("pao2_mmhg", "PaO2 in mmHg?"), ("hco3_mmol_l", "Bicarbonate in mmol/L?"),
                              ("haemoglobin_g_dl", "Haemoglobin in g/dL?")):  # fmt: skip
            self._number(gas, key, BloodGas, question)
        self._one_unit(gas)
        if self._now_s and len(gas) > 1:
            self._number(gas, "at_s", BloodGas, "How long after the first settings was it drawn? Enter: now.")
            gas.setdefault("at_s", self._now_s)
        self._keep("blood_gases", {key: value for key, value in gas.items() if value}, several=True)

    def _one_unit(self, told: dict[str, Any]) -> None:
        """Where one tension of a gas was answered in kPa, ask whether another that could be was too."""
        if not self.in_kpa:
            return
        for key, name in TENSIONS.items():
            value = told.get(key)
            if value is None or key in self.in_kpa or value > GAS_KPA["pao2" if key == "pao2_mmhg" else "paco2"][1]:
                continue
            mmhg = value * MMHG_PER_KPA
            asked = f"Another tension was in kPa. Was {name} {value:g} in kPa too, so {mmhg:.3g} mmHg?"
            if self._yes(asked, default=True):
                told[key] = float(f"{mmhg:.6g}")
                self.in_kpa.add(key)

    def _observed(self) -> None:
        noted: dict[str, Any] = {}
        for key, question in (
            ("spo2", "SpO2 now?"),
            ("rate_per_min", "Breaths in a minute, counted?"),
            ("vte_ml", "Exhaled tidal volume in mL, as shown?"),
            ("peak_pressure_cmh2o", "Peak pressure in cmH2O, as shown?"),
            ("plateau_pressure_cmh2o", "Plateau in cmH2O, by a hold?"),
            ("mean_pressure_cmh2o", "Mean airway pressure in cmH2O, as shown?"),
            ("minute_volume_l_min", "Minute volume in L/min, as shown?"),
            ("etco2_mmhg", "EtCO2 in mmHg?"),
            ("heart_rate_per_min", "Heart rate?"),
            ("systolic_mmhg", "Systolic blood pressure in mmHg?"),
        ):
            self._number(noted, key, Observed, question)
        self._one_unit(noted)
        if noted and self._now_s:
            noted["at_s"] = self._now_s
        self._keep("observed", noted, several=True)

    def _recording(self) -> None:
        for _ in range(MOST_TRIES):
            answer = self._answer("A file of signals to copy into the folder? Its path (Enter: none)")
            if not answer:
                return
            path = Path(answer).expanduser()
            if path.is_file():
                self.signals = path
                self.said["recording"] = {"file": path.name}
                return
            self.say(f"There is no file {answer!r}.")
        raise self._given_up("The file of signals")

    def _keep(self, table: str, told: dict[str, Any], *, several: bool = False) -> None:
        """Put a table into the case, where something was answered."""
        if told:
            self.said[table] = [told] if several else told

    def _age(self) -> dict[str, float]:
        for _ in range(MOST_TRIES):
            answer = self._answer("Age? Such as 63, or 5 months, or 12 days.").casefold()
            if not answer:
                return {}
            match = _AGE.fullmatch(answer)
            unit = match["unit"] if match else ""
            if match and unit in ("", *YEARS):
                key, value = "age_years", float(match["number"].replace(",", "."))
            elif match and unit in DAYS:
                key, value = "age_days", DAYS[unit] * float(match["number"].replace(",", "."))
            else:
                self.say(f"{answer!r} is not understood: a number, then years, months, weeks or days.")
                continue
            bounds = bounds_of(Patient, key)
            if bounds.low <= value <= bounds.high:
                return {key: round(value, 2)}
            self.say(f"{value:g} {bounds.unit} can't be: {bounds.low:g} to {bounds.high:g}.")
        raise self._given_up("Age")

    def _number(self, told: dict[str, Any], key: str, model: type[BaseModel], question: str) -> None:
        """Ask for a number, ask about slips, and keep it; an empty answer leaves it out."""
        bounds = bounds_of(model, key)
        for _ in range(MOST_TRIES):
            answer = self._answer(f"{question}")
            if not answer:
                return
            value = read_number(answer, key)
            if value is None:
                self.say(f"{answer!r} is not understood: a number, with its unit if it is another one.")
                continue
            if bounds.low <= value <= bounds.high:
                told[key] = value
                self._note_unit(key, kpa="kpa" in answer.casefold())
                return
            slip = bounds.slip(value)
            span = f"{bounds.low:g} to {bounds.high:g} {bounds.unit}".rstrip()
            if slip is not None and self._yes(
                f"{value:g} can't be ({span}). Was that in {slip[0]}, so {slip[1]:.4g}?", default=slip[0] not in GUESSED
            ):
                told[key] = float(f"{slip[1]:.6g}")
                self._note_unit(key, kpa=slip[0] == "kPa")
                return
            if slip is None:
                self.say(f"{value:g} can't be: {span}.")
        raise self._given_up(question)

    def _note_unit(self, key: str, *, kpa: bool) -> None:
        if kpa and key in TENSIONS:
            self.in_kpa.add(key)

    def _mode(self) -> str:
        words = tuple(MODES)
        self._list("How is the patient ventilated?", words)
        for _ in range(MOST_TRIES):
            answer = self._answer("Its number, or some of the words.")
            if not answer:
                return ""
            chosen = _one_of(answer, words)
            if chosen is not None:
                return MODES[chosen]
            try:
                return parse_mode(answer).code
            except ValueError:
                self.say(f"{answer!r} is none of them: a number from 1 to {len(words)}, or some of the words.")
        raise self._given_up("The mode")

    def _choice(self, question: str, words: tuple[str, ...]) -> str:
        for _ in range(MOST_TRIES):
            answer = self._answer(f"{question}: {', '.join(words)}?")
            if not answer:
                return ""
            chosen = _one_of(answer, words)
            if chosen is not None:
                return chosen
            self.say(f"{answer!r} is none of them.")
        raise self._given_up(question)

    def _list(self, question: str, words: tuple[str, ...]) -> None:
        self.say(question)
        for place, word in enumerate(words, start=1):
            self.say(f"  {place}  {word}")

    def _yes(self, question: str, *, default: bool) -> bool:
        for _ in range(MOST_TRIES):
            answer = self._answer(f"{question} [{'Y/n' if default else 'y/N'}]").casefold()
            if not answer:
                return default
            if answer in ("y", "yes", "n", "no"):
                return answer.startswith("y")
            self.say("yes or no?")
        raise self._given_up(question)

    def _text(self, question: str) -> str:
        return self._answer(question)

    def _answer(self, question: str) -> str:
        try:
            answer = self.ask(question)
        except EOFError:
            raise CaseError(
                "the answers ended", where=NAME, expected=f"an answer to: {question}",
                remedy="Nothing was written.",
            ) from None  # fmt: skip
        kept = "".join(char for char in answer if char.isprintable()).strip()
        return kept[:LONGEST_ANSWER]

    def _given_up(self, question: str) -> CaseError:
        return CaseError(f"{question.rstrip('?')}: no answer could be used", where=NAME,
                          remedy="Nothing was written.")  # fmt: skip


def asked_of(code: str) -> Iterator[tuple[str, str]]:
    """What is set in a mode, with its question."""
    mode = parse_mode(code) if code else None
    if mode is not None and code == MODES[TWO_LEVELS]:
        yield "pressure_high_cmh2o", "Upper level in cmH2O?"
        yield "pressure_low_cmh2o", "Lower level in cmH2O?"
        yield "time_high_s", "Time at the upper level in s?"
        yield "time_low_s", "Time at the lower level in s?"
    else:
        yield "peep_cmh2o", "PEEP in cmH2O?"
    yield "fio2", "FiO2?"
    if mode is None:
        return
    if mode.mandatory and code != MODES[TWO_LEVELS]:
        yield "rate_per_min", "Set rate?"
        if mode.mandatory in ("VC", "vtPC"):
            yield "tidal_volume_ml", "Set tidal volume in mL?"
        if mode.mandatory == "PC":
            yield "pressure_control_cmh2o", "Pressure above PEEP in cmH2O?"
        if mode.mandatory != "VC":
            yield "inspiratory_time_s", "Inspiratory time in s?"
        else:
            yield "inspiratory_flow_l_min", "Set flow in L/min?"
            yield "pause_s", "Pause in s?"
    if mode.support == "PS":
        yield "pressure_support_cmh2o", "Support above PEEP in cmH2O?"
        yield "cycling_percent", "Cycling, in % of peak flow?"
    if mode.support == "vtPS":
        yield "tidal_volume_ml", "Volume aimed at in mL?"


def bounds_of(model: type[BaseModel], key: str) -> Within:
    """The bounds of a key, found on the field of its model."""
    return next(_within(model.model_fields[key]))


def _within(found: Any) -> Iterator[Within]:
    for part in (*getattr(found, "metadata", ()), *getattr(found, "__metadata__", ())):
        if isinstance(part, Within):
            yield part
    inner = getattr(found, "annotation", None)
    for part in get_args(inner if inner is not None else found):
        yield from _within(part)


def read_number(answer: str, key: str) -> float | None:
    """The number of an answer in the unit of its key; None where it isn't one, or has another unit."""
    match = _NUMBER.fullmatch(answer)
    if not match:
        return None
    value = float(match["number"].replace(",", ".").replace("−", "-"))
    unit = (match["unit"] or "").strip().casefold()
    if not unit:
        return value
    times = _factor(unit, key)
    return None if times is None else float(f"{value * times:.6g}")


def _factor(unit: str, key: str) -> float | None:
    """What a number in that unit is multiplied by to stand in the key's own; None where it is no unit of it."""
    if key in OWN_UNITS:
        return OWN_UNITS[key].get(unit)
    own = next((name for ending, name in UNIT_OF.items() if key.endswith(ending)), None)
    try:
        return None if own is None else factor(unit, own)
    except OptionError:
        return None


def _one_of(answer: str, words: tuple[str, ...]) -> str | None:
    """The word that is meant: by its number, by itself, by its beginning, or as the only one that holds it."""
    plain = " ".join(answer.casefold().split())
    if plain.isdecimal() and plain.isascii():
        return words[int(plain) - 1] if 1 <= int(plain) <= len(words) else None
    by_word = {word.casefold(): word for word in words}
    near = difflib.get_close_matches(plain, by_word, n=1, cutoff=0.8)
    beginning, holding = [w for w in by_word if w.startswith(plain)], [w for w in by_word if plain in w]
    for found in ([plain] if plain in by_word else [], beginning, holding, near):
        if len(found) == 1:
            return by_word[found[0]]
    return None
