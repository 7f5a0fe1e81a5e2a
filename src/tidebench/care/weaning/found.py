"""Where in a case a number stands: noted, in a blood gas, set, or measured on breaths; with its time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl

from tidebench.care.weaning import spoken
from tidebench.case import BloodGas, Case, Observed, Setting
from tidebench.contradictions import contradictions
from tidebench.formulas.indices import rapid_shallow_index
from tidebench.gas_contradictions import settled
from tidebench.records import Spread

WINDOW_S = 120.0
"""How long before a moment breaths speak for it: this house's choice."""
FEWEST_BREATHS = 3
BY_PULSE = "noted, pulse oximeter for SaO2"
F_VT, RATE, VOLUME = "rapid_shallow_index", "rate_per_min", "vte_ml"
OWN_RATE, OWN_VOLUME = "spontaneous_rate_per_min", "spontaneous_volume_ml"
LONGEST_S = 7200.0
"""Published trials lasted at most 120 min (Boles, Eur Respir J 2007;29:1033, from memory)."""


@dataclass(frozen=True, slots=True)
class Found:
    """A number, when it was, and where in the case it stands; no time where the case tells none."""

    value: float
    at_s: float | None
    origin: str

    def age_s(self, moment_s: float) -> float | None:
        """How old it is at a moment."""
        return None if self.at_s is None else moment_s - self.at_s


@dataclass(frozen=True, slots=True)
class Support:
    """What the ventilator gave: the kind, pressure support above PEEP, and PEEP, in cmH2O; None where not known."""

    kind: Literal["T-piece", "CPAP", "pressure support", "mandatory breaths", "not known"]
    support_cmh2o: float | None = None
    peep_cmh2o: float | None = None

    @property
    def none_at_all(self) -> bool:
        """True where the patient is known to breathe without support and without PEEP."""
        return self.support_cmh2o == 0 and self.peep_cmh2o == 0

    @property
    def words(self) -> str:
        """``pressure support 5 cmH2O above PEEP 5 cmH2O``."""
        peep = "PEEP not known" if self.peep_cmh2o is None else f"PEEP {self.peep_cmh2o:g} cmH2O"
        if self.kind == "pressure support":
            level = "of unknown level" if self.support_cmh2o is None else f"{self.support_cmh2o:g} cmH2O"
            return f"pressure support {level}, {peep}"
        if self.kind == "T-piece":
            return "T-piece, no support, no PEEP"
        return f"{self.kind}, {peep}" if self.kind != "not known" else f"support not known, {peep}"


def support_of(setting: Setting | None) -> Support:
    """What a setting gives."""
    if setting is None:
        return Support("not known")
    if setting.pattern == "CPAP":
        return Support("CPAP", 0.0, setting.peep_cmh2o)
    if setting.mandatory_type or setting.bi_level:
        return Support("mandatory breaths", setting.pressure_support_cmh2o, setting.peep_cmh2o)
    if setting.pattern == "CSV" or setting.pressure_support_cmh2o is not None:
        fixed = setting.support_type != "vtPS"
        return Support("pressure support", setting.pressure_support_cmh2o if fixed else None, setting.peep_cmh2o)
    return Support("not known", None, setting.peep_cmh2o)


def support_at(case: Case, at_s: float) -> Support:
    """What was given at a time: a T-piece by the last event, unless it has ended since; else the setting."""
    pieces = [one.at_s for one in case.events if one.at_s <= at_s and spoken.of_t_piece(one) and spoken.starts(one)]
    if pieces and not ended(case, pieces[-1], at_s) and at_s < unsaid_end_s(case, pieces[-1]):
        return Support("T-piece", 0.0, 0.0)
    return support_of(case.setting_at(at_s))


def gives(setting: Setting) -> bool:
    """True where a setting gives support or PEEP, or breaths; one of oxygen alone does not."""
    return bool(setting.model_fields_set - {"at_s", "fio2"}) and not support_of(setting).none_at_all


def unsaid_end_s(case: Case, start_s: float) -> float:
    """When a T-piece has ended at the latest, though no event says so: by settings that give something, or 2 h."""
    given = [row.at_s for row in case.settings if row.at_s > start_s and gives(row)]
    return min([*given, start_s + LONGEST_S])


def ended(case: Case, after_s: float, until_s: float) -> bool:
    """True where an event ends a trial between two times."""
    return any(after_s < event.at_s <= until_s and spoken.ends(event) for event in case.events)


def noted(case: Case, key: str, from_s: float, to_s: float) -> list[Found]:
    """A noted number through a stretch, both ends included, in the order of time.

    Of volume that of spontaneous breaths counts first. f/VT follows from rate and volume that were noted together
    where nobody noted it. A volume that something contradicts makes none, and is left out.
    """
    rows = [row for row in case.observed if from_s <= row.at_s <= to_s]
    if key in (VOLUME, F_VT):
        doubted = {told.at_s for told in contradictions(case) if told.keys & {VOLUME, OWN_VOLUME}}
        rows = [row for row in rows if row.at_s not in doubted or (key == F_VT and F_VT in row.numbers)]
    if key == F_VT:
        return [one for row in rows if (one := _noted_f_vt(case, row)) is not None]
    found = [(_own_number(case, row, key), row.at_s) for row in rows]
    return [Found(value, at, "noted") for value, at in found if value is not None]


def _own_number(case: Case, row: Observed, key: str) -> float | None:
    """A number of one row: the patient's own volume first; the patient's own rate for all where none is mandatory."""
    numbers = row.numbers
    if key == VOLUME and OWN_VOLUME in numbers:
        return float(numbers[OWN_VOLUME])
    if key == RATE and RATE not in numbers and support_at(case, row.at_s).kind != "mandatory breaths":
        return numbers.get(OWN_RATE)
    return numbers.get(key)


def _noted_f_vt(case: Case, row: Observed) -> Found | None:
    if F_VT in row.numbers:
        return Found(row.numbers[F_VT], row.at_s, "noted")
    rate, volume = (_own_number(case, row, key) for key in (RATE, VOLUME))
    if rate is None or not volume:
        return None
    return Found(float(rapid_shallow_index(rate, volume / 1000)), row.at_s, "computed from noted rate and volume")


def gases(case: Case, from_s: float, to_s: float) -> list[tuple[BloodGas, float | None]]:
    """Arterial blood gases through a stretch with their times; those without a time where it begins at minus infinity.

    A gas of unknown site is taken for arterial by nobody, and left out; so is a number that something contradicts.
    """
    timed = [(gas, at) for gas, at in _timed(case) if at is not None and from_s <= at <= to_s]
    untimed = [(gas, at) for gas, at in _timed(case) if at is None and from_s == -np.inf]
    return [*untimed, *sorted(timed, key=lambda pair: pair[1] or 0.0)]


def _timed(case: Case) -> Iterator[tuple[BloodGas, float | None]]:
    for gas in case.blood_gases:
        if gas.site == "arterial":
            yield settled(case, gas), case.drawn_at_s(gas)


def gas_values(case: Case, key: str, from_s: float, to_s: float) -> list[Found]:
    """A number of arterial blood gases through a stretch."""
    pairs = gases(case, from_s, to_s)
    return [Found(value, at, "arterial blood gas") for gas, at in pairs if (value := getattr(gas, key)) is not None]


def oxygen_at(case: Case, at_s: float) -> float | None:
    """The set inspired oxygen at a time."""
    setting = case.setting_at(at_s)
    return None if setting is None else setting.fio2


def inspired(case: Case, gas: BloodGas, at_s: float | None) -> float | None:
    """The inspired oxygen of a gas: as it says, else as set then; on a T-piece the set one is not the patient's."""
    if gas.fio2 is not None or at_s is None:
        return gas.fio2
    return None if support_at(case, at_s).kind == "T-piece" else oxygen_at(case, at_s)


def last(values: list[Found]) -> Found | None:
    """The newest of some numbers."""
    return values[-1] if values else None


def spread(values: pl.Series) -> Spread | None:
    """Median with 5th and 95th percentile; None below :data:`FEWEST_BREATHS` values."""
    known = values.drop_nulls().to_numpy()
    if len(known) < FEWEST_BREATHS:
        return None
    low, middle, high = np.percentile(known, (5, 50, 95))
    return Spread(float(middle), float(low), float(high), len(known))


def breaths_between(breaths: pl.DataFrame | None, from_s: float, to_s: float) -> pl.DataFrame | None:
    """Whole breaths of a stretch; None where nothing was recorded."""
    if breaths is None:
        return None
    return breaths.filter((pl.col("start_s") >= from_s) & (pl.col("start_s") < to_s) & (pl.col("end_s") <= to_s))


def own_breaths(breaths: pl.DataFrame | None, from_s: float, to_s: float) -> pl.DataFrame | None:
    """The same where most were begun by the patient, or by effort; None where the machine set the pace."""
    there = breaths_between(breaths, from_s, to_s)
    if there is None or there.height < FEWEST_BREATHS:
        return None
    own = (there["trigger"] == "patient").fill_null(value=False).sum()
    return there if own > there.height / 2 else None
