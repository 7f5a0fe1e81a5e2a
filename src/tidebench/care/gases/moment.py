"""What was in force when a gas was drawn: settings, numbers noted at the bed, measured breaths."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING

from tidebench.care.gases.records import Fact, Typed
from tidebench.case import MMHG_PER_KPA, BloodGas, Case, Observed, Setting
from tidebench.contradictions import Contradiction, contradictions
from tidebench.formulas.gas_exchange import bicarbonate_mmol_l
from tidebench.formulas.oxygenation import barometric_pressure_mmhg
from tidebench.gas_contradictions import HCO3_SPAN_MMOL_L, Against, noted_near, of_gas_beside
from tidebench.limits import population, predicted_weight_kg
from tidebench.quantities import quantity

if TYPE_CHECKING:
    import polars as pl

    from tidebench.care.weaning.trial import Trial

BREATHS_NEAR_S = 300.0
LONGEST_TRIAL_S = 7200.0
"""Boles, Eur Respir J 2007;29:1033 (from memory)."""
MOVES_CARBON_DIOXIDE = (
    "rate_per_min", "tidal_volume_ml", "pressure_control_cmh2o", "pressure_support_cmh2o", "inspiratory_time_s",
    "pause_s", "inspiratory_flow_l_min", "pressure_high_cmh2o", "time_high_s", "time_low_s",
)  # fmt: skip
MEASURED = "measured over the breaths within 5 min"


@dataclass(frozen=True)
class Known:
    """What every gas of a case is held against: typed numbers that contradict each other, and breathing trials."""

    asked: tuple[Contradiction, ...]
    trials: tuple[Trial, ...]

    def against(self, key: str, at_s: float) -> str:
        """What stands against a number noted at a time; empty where nothing does."""
        return next((one.text for one in self.asked if key in one.keys and one.at_s == at_s), "")

    def trial_at(self, at_s: float) -> Trial | None:
        """The trial of a time, its end with it."""
        return next((one for one in self.trials if one.start_s <= at_s <= one.end_s), None)

    def on_t_piece(self, at_s: float) -> bool:
        """True where the patient was off the ventilator at a time."""
        trial = self.trial_at(at_s)
        return trial is not None and trial.support.kind == "T-piece"


@dataclass(frozen=True)
class Moment:
    """A gas among what else the case says."""

    case: Case
    gas: BloodGas
    at_s: float | None
    ventilator: Setting | None
    typed: Typed
    breaths: pl.DataFrame | None
    known: Known

    @cached_property
    def on_t_piece(self) -> bool:
        """True where the patient was off the ventilator, on a T-piece."""
        return self.at_s is not None and self.known.on_t_piece(self.at_s)

    @property
    def setting(self) -> Setting | None:
        """What the ventilator gave; None where nothing is known to be set, and on a T-piece."""
        return None if self.on_t_piece else self.ventilator

    @cached_property
    def trial(self) -> str:
        """The breathing trial that the gas was taken in, by settings and events; empty outside one."""
        found = None if self.at_s is None else self.known.trial_at(self.at_s)
        if found is None or self.at_s is None:
            return ""
        minutes = round((self.at_s - found.start_s) / 60.0)
        return f"{minutes} min into a breathing trial ({found.support.words})"

    @property
    def given(self) -> tuple[tuple[str, float], ...]:
        """Further numbers that move PaCO2, as set."""
        row = self.setting
        pairs = () if row is None else ((key, getattr(row, key)) for key in MOVES_CARBON_DIOXIDE)
        return tuple((key, value) for key, value in pairs if value is not None)

    @property
    def breathed(self) -> tuple[tuple[str, float], ...]:
        """Rate and minute volume, as noted or measured."""
        pairs = (("rate_per_min", self.noted("rate_per_min")), ("minute_volume_l_min", self.minute_volume))
        return tuple((key, fact.value) for key, fact in pairs if fact.value is not None)

    @property
    def pressure(self) -> Fact:
        """Barometric pressure: typed, from an altitude, the recording's, or sea level."""
        if self.typed.barometric_mmhg is not None:
            return Fact("barometric pressure", self.typed.barometric_mmhg, "typed")
        if self.typed.altitude_m is not None:
            pressure = float(barometric_pressure_mmhg(self.typed.altitude_m))
            return Fact("barometric pressure", pressure, f"standard atmosphere at {self.typed.altitude_m:g} m")
        part = self.case.recording
        stated = "barometric_pressure_mmhg" in part.model_fields_set
        return Fact("barometric pressure", part.barometric_pressure_mmhg, "stated" if stated else "taken for sea level")

    def arterial(self, key: str) -> Fact:
        """A number of the gas, from arterial blood only."""
        name, value = quantity(key, "blood_gases").symbol, getattr(self.gas, key)
        if self.gas.site != "arterial":
            site = "its site is not stated" if self.gas.site is None else f"the sample is {self.gas.site}"
            return Fact(name, None, f"needs an arterial sample; {site}")
        if value is not None and (told := self.against(key)):
            return Fact(name, None, told)
        return Fact(name, value, "stated" if value is not None else f"{key} is not stated")

    def against(self, key: str) -> str:
        """What stands against a number of the gas, in few words; empty where nothing does."""
        return next((one.short for one in self._against if key in one.keys), "")

    @cached_property
    def _against(self) -> tuple[Against, ...]:
        return tuple(of_gas_beside(self.case, self.gas))

    @property
    def bicarbonate(self) -> Fact:
        """Bicarbonate: stated, or by Henderson and Hasselbalch."""
        stated, ph, paco2 = self.arterial("hco3_mmol_l"), self.arterial("ph"), self.arterial("paco2_mmhg")
        if stated.value is not None or ph.value is None or paco2.value is None:
            return stated
        value = bicarbonate_mmol_l(paco2.value, ph.value)
        low, high = HCO3_SPAN_MMOL_L
        if not low <= value <= high:
            told = f"pH {ph.value:g} and PaCO2 {paco2.value:.3g} mmHg would make bicarbonate {value:.3g} mmol/L"
            return Fact(stated.name, None, f"{told}, beyond {low:g} to {high:g}: check both, and their units")
        return Fact(stated.name, value, "by Henderson and Hasselbalch, from pH and PaCO2")

    @property
    def fio2(self) -> Fact:
        """Oxygen fraction: of the gas, else as set."""
        if self.gas.fio2 is not None:
            return Fact("FiO2", self.gas.fio2, "stated with the gas")
        if self.on_t_piece:
            return Fact("FiO2", None, "FiO2 on the T-piece is not stated with the gas")
        if self.setting is not None and self.setting.fio2 is not None:
            return Fact("FiO2", self.setting.fio2, "as set")
        return Fact("FiO2", None, "FiO2 of that moment is not stated")

    @property
    def peep(self) -> Fact:
        """PEEP: noted or measured, else as set; on a T-piece there is none."""
        if self.on_t_piece:
            return Fact(quantity("peep_cmh2o").symbol, 0.0, "on a T-piece")
        seen = self.noted("peep_cmh2o")
        if seen.value is None and self.setting is not None and self.setting.peep_cmh2o is not None:
            return Fact(seen.name, self.setting.peep_cmh2o, "as set")
        return seen

    @property
    def minute_volume(self) -> Fact:
        """Minute volume: noted, else volume times rate as noted together, else of measured breaths."""
        noted = self.noted("minute_volume_l_min")
        if noted.value is not None or any("minute_volume_l_min" in row.numbers for row in self._near):
            return noted
        for row in self._near:
            volume, rate = row.numbers.get("vte_ml"), row.numbers.get("rate_per_min")
            if volume is not None and rate is not None:
                return Fact(noted.name, volume * rate / 1000.0, f"{self._ago(row)}, VT times rate")
        return noted

    @property
    def weight(self) -> Fact:
        """Predicted body weight, of adults."""
        value, name = predicted_weight_kg(self.case.patient), "predicted weight"
        if value is not None:
            return Fact(name, value, "from height and sex")
        group = population(self.case.patient).group
        adult = group in ("adult", None)
        return Fact(name, None, "needs an adult's height and sex" if adult else f"for adults; this is a {group}")

    def noted(self, key: str) -> Fact:
        """A number noted near the gas, else of the breaths around it."""
        name = quantity(key).symbol
        for row in self._near:
            value = row.numbers.get(key)
            if value is not None:
                told = self.known.against(key, row.at_s)
                return Fact(name, None, told) if told else Fact(name, value, self._ago(row))
        measured = self._measured(key)
        if measured is not None:
            return Fact(name, measured, MEASURED)
        return Fact(name, None, f"no {quantity(key).label} noted within 30 min of the gas under the same settings")

    @property
    def expired(self) -> Fact:
        """Mixed expired PCO2: typed, else of the breaths around the gas."""
        told = self.of_typed("mixed_expired_pco2_mmhg", "mixed expired PCO2", "--expired-pco2")
        seen = self.measured("mixed_expired_pco2_mmhg")
        if told.value is None:
            return seen if seen.value is not None else told
        blood = self.arterial("paco2_mmhg").value
        if blood is None:
            return told
        if told.value > blood:
            words = f"mixed expired PCO2 {told.value:.3g} mmHg is above PaCO2 {blood:.3g} mmHg, which can't be"
            return Fact(told.name, None, words)
        if told.value * MMHG_PER_KPA <= blood:
            meant = f"in kPa it would be {told.value * MMHG_PER_KPA:.3g}"
            words = f"mixed expired PCO2 of {told.value:.3g} under a PaCO2 of {blood:.3g} mmHg leaves next to no CO2"
            return Fact(told.name, None, f"{words}; {meant}: --unit kPa, if it was typed so")
        return told

    def measured(self, key: str) -> Fact:
        """A number of the breaths around the gas, where nobody notes such a one."""
        value = self._measured(key)
        missing = "needs carbon dioxide and flow recorded around the gas"
        return Fact(quantity(key).symbol, value, MEASURED if value is not None else missing)

    def of_typed(self, key: str, name: str, option: str) -> Fact:
        """A number that only a person can give."""
        value: float | None = getattr(self.typed, key)
        return Fact(name, value, "typed" if value is not None else f"needs {name} ({option}, for one gas)")

    @cached_property
    def _near(self) -> list[Observed]:
        """Rows noted near the gas, nearest first, under what was given then."""
        near = noted_near(self.case, self.gas)
        return near if self.at_s is None else [row for row in near if self._same(row.at_s)]

    def _same(self, at_s: float) -> bool:
        """True where what was given at the time of the gas was given at a time too."""
        return self.case.setting_at(at_s) is self.ventilator and self.known.on_t_piece(at_s) == self.on_t_piece

    def _ago(self, row: Observed) -> str:
        if self.at_s is None:
            return "noted, the gas has no time"
        minutes = round((row.at_s - self.at_s) / 60.0)
        where = "at that time" if minutes == 0 else f"{abs(minutes)} min {'later' if minutes > 0 else 'before'}"
        return f"noted {where}"

    def _measured(self, key: str) -> float | None:
        """Of the breaths around the gas, under its settings: by time, so that long breaths count more."""
        if self.breaths is None or self.at_s is None:
            return None
        rows = self.breaths.filter((self.breaths["start_s"] - self.at_s).abs() <= BREATHS_NEAR_S)
        rows = rows.filter([self._same(start) for start in rows["start_s"].to_list()])
        column = {"minute_volume_l_min": "vte_ml", "rate_per_min": "start_s"}.get(key, key)
        if column not in rows.columns:
            return None
        rows = rows.drop_nulls([column, "end_s"])
        took = rows["end_s"] - rows["start_s"]
        seconds = float(took.sum())
        if seconds <= 0.0:
            return None
        if key == "rate_per_min":
            return 60.0 * rows.height / seconds
        if key == "minute_volume_l_min":
            return 0.06 * float(rows[column].sum()) / seconds
        return float((rows[column] * took).sum()) / seconds


def known_of(case: Case) -> Known:
    """What every gas of a case is held against, found once."""
    return Known(contradictions(case), _trials(case))


def _trials(case: Case) -> tuple[Trial, ...]:
    """Breathing trials that an event tells, or that a change of settings began and that were no longer than one is."""
    if not case.blood_gases or not (case.events or case.settings):
        return ()
    from tidebench.care.weaning.room import last_told_s
    from tidebench.care.weaning.trial import trials_in

    first_s = min((row.at_s for row in case.settings), default=0.0)
    return tuple(
        one
        for one in trials_in(case, last_told_s(case, None) + 1.0)
        if one.found_by == "event" or (one.start_s > first_s and one.duration_s <= LONGEST_TRIAL_S)
    )


def with_capnograms(breaths: pl.DataFrame, capnograms: pl.DataFrame | None) -> pl.DataFrame:
    """Breaths with what carbon dioxide tells of each as further columns."""
    if capnograms is None:
        return breaths
    further = [key for key in capnograms.columns if key == "breath" or key not in (*breaths.columns, "why")]
    return breaths.join(capnograms.select(further), on="breath", how="left", maintain_order="left")


def _naive(stamp: datetime | None) -> bool:
    return stamp is None or stamp.tzinfo is None


def in_order(case: Case) -> list[BloodGas]:
    """Gases by time where all of them share a clock; as the case has them otherwise."""
    gases = list(case.blood_gases)
    if all(case.drawn_at_s(gas) is not None for gas in gases):
        return sorted(gases, key=lambda gas: case.drawn_at_s(gas) or 0.0)
    return sorted(gases, key=lambda gas: gas.time or datetime.min) if ordered(case) else gases


def ordered(case: Case) -> bool:
    """True where the order of gases in time is known."""
    gases = case.blood_gases
    naive = {_naive(gas.time) for gas in gases}
    return all(case.drawn_at_s(gas) is not None for gas in gases) or (
        all(gas.time is not None for gas in gases) and len(naive) == 1
    )


def moment_of(case: Case, gas: BloodGas, typed: Typed, breaths: pl.DataFrame | None, known: Known) -> Moment:
    """A gas among what else the case says; the only setting of a case holds for a gas without a time too."""
    at_s = case.drawn_at_s(gas)
    only = case.settings[0] if len(case.settings) == 1 else None
    return Moment(case, gas, at_s, only if at_s is None else case.setting_at(at_s), typed, breaths, known)
