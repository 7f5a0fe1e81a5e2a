"""Gas exchange of the stretch: dead space, CO2 production and shunt, where blood gases or typed numbers allow them."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from tidebench.case import BloodGas, Case, Setting
from tidebench.fitting.capnogram import Capnogram, capnogram_of
from tidebench.fitting.records import Parameter, Samples, interval
from tidebench.fitting.window import Window
from tidebench.formulas.acid_base import ACUTE_ACIDOSIS, ACUTE_ALKALOSIS
from tidebench.formulas.gas_exchange import (
    BOHR,
    CO2_CONSTANT,
    USUAL_PH,
    alveolar_po2_mmhg,
    arterial_po2_mmhg,
    bicarbonate_mmol_l,
    blood_ph,
    curve_ph,
    oxygen_saturation,
    shunt_fraction,
)
from tidebench.gas_contradictions import settled
from tidebench.limits import volume_weight_kg

DEAD_SPACE_ML_KG = 2.2
"""Of the airways, mL per kg (Radford, J Appl Physiol 1955;7:451); behind a tube about half."""
TUBE_SHARE = 0.5
DEAD_DOUBT = 0.25
ALVEOLAR_DEAD, ALVEOLAR_DOUBT = 0.15, 0.1
"""Share of what reaches alveoli that meets no blood, and its spread (a healthy lung has less, a sick one more; common
practice, no source)."""
ALVEOLAR_SEEN_DOUBT = 0.04  # where PaCO2 and a capnogram tell it: PaCO2's own error (this house's choice)
DIFFERENCE_ML_DL, DIFFERENCE_DOUBT, USUAL_HAEMOGLOBIN = 5.0, 1.0, 11.0
"""Oxygen that tissues take from a dL of blood (common practice, no source), and haemoglobin where none was measured."""
LEAST_ALVEOLAR_MMHG, MOST_SHUNT = 20.0, 0.9
SETTLING_S = 1200.0  # from a change of ventilation to a steady PaCO2, at least (common practice, no source)
NEAR_S = 3600.0  # a blood gas is the stretch's where it was drawn within an hour of it
USUAL_KG = 70.0
FLAT = 0.97  # saturation from where on the curve is too flat to tell where it lies (common practice, no source)
LEAST_BICARBONATE = 1.0
LEAST_REACH = 0.05  # of a breath
HELD_AGAINST = (
    "mode", "peep_cmh2o", "rate_per_min", "tidal_volume_ml", "pressure_control_cmh2o", "pressure_support_cmh2o",
    "inspiratory_pressure_cmh2o", "pressure_high_cmh2o", "time_high_s", "time_low_s",
)  # fmt: skip
"""Settings that a gas's carbon dioxide and oxygen hang on."""


@dataclass(frozen=True)
class Exchange:
    """What is known of gas exchange; None where it is not, with the reason."""

    paco2_mmhg: float | None
    pao2_mmhg: float | None
    bicarbonate_mmol_l: float | None
    haemoglobin_g_dl: float
    fio2: float | None
    dead_space_ml: float
    reason: str
    capnogram: Capnogram | None = None
    no_capnogram: str = ""
    weight: str = "predicted or actual weight"
    curve_ph: float = USUAL_PH
    """Where the dissociation curve lies, as a pH: by the saturation that was measured, else by the gas's pH."""
    drawn: str = ""
    """Which blood gas it is: when it was drawn, on what, and what was set otherwise than in the stretch."""

    @property
    def alveolar_dead(self) -> float:
        """Share of what reaches alveoli that meets no blood: assumed, or by PaCO2 and capnogram (Enghoff)."""
        if self.capnogram is None or self.paco2_mmhg is None:
            return ALVEOLAR_DEAD
        return float(np.clip(1.0 - self.capnogram.alveolar_mmhg / self.paco2_mmhg, 0.0, 0.8))

    def alveolar_moves(self, log_ratio: float) -> float:
        """Relative standard error of PaCO2 for what ventilation moves of an alveolar dead space that is assumed.

        Parts that fill unevenly share a slower breath otherwise: for each doubling, the share may move by its own
        spread (this house's choice); PaCO2 goes by 1/(1 − share).
        """
        return ALVEOLAR_DOUBT / (1.0 - ALVEOLAR_DEAD) * log_ratio / float(np.log(2.0))

    def draw(self, rng: np.random.Generator, n: int) -> Samples:
        """Airway dead space (mL), alveolar share and oxygen difference (mL/dL), shape (n, 3)."""
        middle = np.array([self.dead_space_ml, self.alveolar_dead, DIFFERENCE_ML_DL])
        seen = self.capnogram
        dead = DEAD_DOUBT * self.dead_space_ml if seen is None else seen.dead_space_error_ml
        doubt = np.array([dead, ALVEOLAR_DOUBT if seen is None else ALVEOLAR_SEEN_DOUBT, DIFFERENCE_DOUBT])
        return np.asarray(np.clip(middle + doubt * rng.standard_normal((n, 3)), 0.02 * middle, 5 * middle), np.float64)

    def parameters(self, ventilation_l_min: float, volume_ml: float) -> list[Parameter]:
        """Dead space with its doubt, and what blood gases tell beside an alveolar ventilation and an expired volume."""
        drawn = self.draw(np.random.default_rng(0), 2000)
        dead = drawn[:, 0]
        low, high = interval(dead)
        seen = self.capnogram
        why = f"assumed: 2.2 mL/kg of {self.weight}, half of it behind a tube, and the circuit's; {self.no_capnogram}"
        if seen is not None:
            why = f"equal areas on the capnogram of {seen.breaths} breaths"
        out = [Parameter("airway_dead_space_ml", self.dead_space_ml, low, high, "mL", seen is not None, why)]
        if seen is not None:
            made, off = seen.production_ml_min, 1.645 * seen.production_error_ml_min
            why = "CO2 breathed out, by flow and capnogram"
            out.append(Parameter("co2_production_ml_min", made, made - off, made + off, "mL/min", True, why))
        if self.paco2_mmhg is None:
            if seen is None:
                out.append(Parameter("co2_production_ml_min", None, None, None, "mL/min", False, self.reason))
            return out
        if seen is None:
            told = self.production(ventilation_l_min)
            why = "PaCO2 times alveolar ventilation; leans on the dead space that is assumed"
            reach = np.maximum(volume_ml - dead, LEAST_REACH * volume_ml) * (1.0 - drawn[:, 1])
            shares = interval(reach / (max(volume_ml - self.dead_space_ml, 1e-6) * (1.0 - self.alveolar_dead)))
            known = told is not None and bool(np.isfinite(shares).all())
            edges = [told * share for share in shares] if known and told is not None else [None, None]
            out.append(Parameter("co2_production_ml_min", told, edges[0], edges[1], "mL/min", known, why))
        else:
            why = "PaCO2 above the mean alveolar tension of the capnogram"
            share = self.alveolar_dead
            ends = max(0.0, share - 1.645 * ALVEOLAR_SEEN_DOUBT), share + 1.645 * ALVEOLAR_SEEN_DOUBT
            out.append(Parameter("alveolar_dead_space", share, *ends, "", True, why))
        shunt = self.shunt()
        why = "from PaO2 and FiO2, tissues taking 5 mL/dL (assumed)" if shunt is not None else "no PaO2 with its FiO2"
        at = [self.shunt(float(taken)) for taken in np.quantile(drawn[:, 2], [0.95, 0.05])]
        told_at = sorted(value for value in at if value is not None)
        least, most = (told_at[0], told_at[-1]) if told_at else (None, None)
        return [*out, Parameter("shunt", shunt, least, most, "", shunt is not None, why)]

    def shunt(self, difference: float = DIFFERENCE_ML_DL) -> float | None:
        """Share of blood that meets no gas; None without PaO2 and FiO2."""
        if self.pao2_mmhg is None or self.fio2 is None or self.paco2_mmhg is None:
            return None
        alveolar = max(self.pao2_mmhg, float(alveolar_po2_mmhg(self.fio2, self.paco2_mmhg)))
        return min(
            shunt_fraction(self.pao2_mmhg, alveolar, self.haemoglobin_g_dl, difference, self.curve_ph), MOST_SHUNT
        )

    def paco2(self, ventilation_now: Samples, ventilation_then: Samples) -> Samples | None:
        """PaCO2 [mmHg] once stores have settled: inverse to alveolar ventilation, production as it is."""
        if self.paco2_mmhg is None:
            return None
        return np.asarray(self.paco2_mmhg * ventilation_now / np.maximum(ventilation_then, 1e-3), np.float64)

    def production(self, ventilation_now: float) -> float | None:
        """CO2 production, mL/min STPD: of the capnogram, else by the alveolar ventilation equation."""
        if self.capnogram is not None:
            return self.capnogram.production_ml_min
        return None if self.paco2_mmhg is None else self.paco2_mmhg * ventilation_now / CO2_CONSTANT

    def oxygen(self, fio2: float, paco2: Samples, difference: Samples) -> Samples | None:
        """PaO2 [mmHg] at an FiO2, the shunt as it is, haemoglobin holding oxygen as pH lets it (Bohr); None without a
        blood gas."""
        if self.pao2_mmhg is None or self.fio2 is None or self.paco2_mmhg is None:
            return None
        out = []
        for tension, taken, ph in zip(paco2.tolist(), difference.tolist(), self.shifted(paco2).tolist(), strict=True):
            if np.isnan(tension):
                out.append(np.nan)
                continue
            then = max(LEAST_ALVEOLAR_MMHG, float(alveolar_po2_mmhg(fio2, max(tension, 1.0))))
            out.append(arterial_po2_mmhg(then, self.shunt(taken) or 0.0, self.haemoglobin_g_dl, taken, ph))
        return np.array(out)

    def saturation(self, po2: Samples, paco2: Samples) -> Samples:
        """Saturation at a PaO2, on this patient's curve where pH has put it."""
        return np.asarray(oxygen_saturation(po2 * 10.0 ** (BOHR * (self.shifted(paco2) - USUAL_PH))), np.float64)

    def shifted(self, paco2: Samples) -> Samples:
        """Where the curve lies at a PaCO2, as a pH."""
        ph, now = self.ph(paco2), self.ph(np.full(1, self.paco2_mmhg or np.nan))
        return np.full(len(paco2), self.curve_ph) if ph is None or now is None else self.curve_ph + ph - now

    def ph(self, paco2: Samples, buffered: Samples | float = 0.0) -> Samples | None:
        """pH at a PaCO2, bicarbonate as it is but for a share of what is buffered within hours
        (:func:`tidebench.formulas.acid_base.acute_hco3_mmol_l`)."""
        if self.bicarbonate_mmol_l is None or self.paco2_mmhg is None:
            return None
        moves = paco2 - self.paco2_mmhg
        acute = np.where(moves > 0, ACUTE_ACIDOSIS[0], ACUTE_ALKALOSIS[0])
        bicarbonate = np.maximum(self.bicarbonate_mmol_l + buffered * acute * moves, LEAST_BICARBONATE)
        return np.asarray(blood_ph(paco2, bicarbonate))


def exchange_of(window: Window) -> Exchange:
    """Gas exchange of a window's patient, from the blood gas nearest in time."""
    case = window.review.case
    gas, reason = drawn_near(case, 0.5 * (window.from_s + window.to_s))
    kg = volume_weight_kg(case.patient) or case.patient.weight_kg or USUAL_KG
    known = volume_weight_kg(case.patient) or case.patient.weight_kg
    weight = f"{kg:.3g} kg" if known else f"{kg:g} kg, which are assumed: no weight, or height and sex, is given"
    tube = case.airway.interface in ("endotracheal tube", "tracheostomy tube")
    dead = DEAD_SPACE_ML_KG * kg * (TUBE_SHARE if tube else 1.0) + (case.circuit.dead_space_ml or 0.0)
    seen, none = capnogram_of(window)
    dead = dead if seen is None else seen.dead_space_ml
    if gas is None:
        return Exchange(
            None, None, None, USUAL_HAEMOGLOBIN, window.setting.fio2, dead, reason, seen, none, weight,
        )  # fmt: skip
    bicarbonate = gas.hco3_mmol_l
    if gas.ph is not None and gas.paco2_mmhg is not None:  # so that the pH of now is the one that was measured
        bicarbonate = bicarbonate_mmol_l(gas.paco2_mmhg, gas.ph)
    return Exchange(
        gas.paco2_mmhg, gas.pao2_mmhg, bicarbonate, gas.haemoglobin_g_dl or USUAL_HAEMOGLOBIN,
        gas.fio2 or window.setting.fio2, dead, "", seen, none, weight, curve_of(gas),
        described(case, gas, 0.5 * (window.from_s + window.to_s)),
    )  # fmt: skip


def curve_of(gas: BloodGas) -> float:
    """Where a gas's dissociation curve lies, as a pH."""
    if gas.sao2 is not None and gas.pao2_mmhg is not None and 0.0 < gas.sao2 < FLAT:
        return curve_ph(gas.pao2_mmhg, gas.sao2)
    return USUAL_PH if gas.ph is None else gas.ph


def drawn_near(case: Case, middle_s: float) -> tuple[BloodGas | None, str]:
    """The arterial gas with a PaCO2 nearest in time, at most an hour away, on the stretch's settings if there is one
    such; without one, the reason.

    One without a time is taken for the stretch's; one of unknown site is taken for arterial by nobody. What something
    contradicts is left out of it.
    """
    near = []
    for drawn in case.blood_gases:
        gas, at_s = settled(case, drawn), case.drawn_at_s(drawn)
        untimed = gas.at_s is None and gas.time is None
        if gas.paco2_mmhg is not None and (untimed or (at_s is not None and abs(at_s - middle_s) <= NEAR_S)):
            near.append((len(otherwise(case, gas, middle_s)), 0.0 if at_s is None else abs(at_s - middle_s), gas))
    arterial = [row for row in near if row[2].site == "arterial"]
    if arterial:
        return min(arterial, key=lambda row: (bool(row[0]), row[1]))[2], ""
    if any(gas.site is None for _, _, gas in near):
        return None, 'a blood gas has no site: say site = "arterial" where it is'
    return None, "no arterial blood gas with a carbon dioxide pressure within an hour of the stretch"


def otherwise(case: Case, gas: BloodGas, middle_s: float) -> list[str]:
    """What was set otherwise than in a stretch when a gas was drawn, in words: key, then and in the stretch.

    The first settings also stand for what came before them; a gas without a time is the stretch's.
    """
    at_s = case.drawn_at_s(gas)
    here, there = (_row(case, middle_s if time is None else time) for time in (middle_s, at_s))
    fio2 = (gas.fio2 or getattr(there, "fio2", None), getattr(here, "fio2", None))
    pairs = [("fio2", *fio2), *((key, getattr(there, key, None), getattr(here, key, None)) for key in HELD_AGAINST)]
    return [f"{key} {a} then, {b} in the stretch" for key, a, b in pairs if None not in (a, b) and a != b]


def _row(case: Case, time_s: float) -> Setting | None:
    rows = case.settings
    return next((row for row in reversed(rows) if row.at_s <= time_s), rows[0] if rows else None)


def described(case: Case, gas: BloodGas, middle_s: float) -> str:
    """A gas in words: when it was drawn, its numbers, and what was set otherwise."""
    at_s = case.drawn_at_s(gas)
    when = "at a time that is not given, taken for the stretch's"
    if at_s is not None:
        off = (at_s - middle_s) / 60.0
        clock = f"at {gas.time:%H:%M}" if gas.time is not None else f"at {at_s:g} s"
        when = f"{clock}, {abs(off):.0f} min {'before' if off < 0 else 'after'} the middle of the stretch"
    told = [f"PaCO2 {gas.paco2_mmhg:g} mmHg"]
    told += [f"PaO2 {gas.pao2_mmhg:g} mmHg"] if gas.pao2_mmhg is not None else []
    told += [f"pH {gas.ph:g}"] if gas.ph is not None else []
    told += [f"FiO2 {gas.fio2:g}"] if gas.fio2 is not None else ["FiO2 not given, taken as set"]
    other = otherwise(case, gas, middle_s)
    flagged = (
        f"; OTHER SETTINGS: {'; '.join(other)}. Its numbers are not what was measured in the stretch" if other else ""
    )
    before = at_s is not None and bool(case.settings) and at_s < case.settings[0].at_s
    unknown = "; what was set then is not in the case, and taken for the first settings" if before else ""
    return f"the blood gas is that drawn {when}: {', '.join(told)}{unknown}{flagged}; {unsettled(case, at_s)}"


def unsettled(case: Case, at_s: float | None) -> str:
    """In words, that a gas is taken for that of a steady state, and what was set within the 20 min before it."""
    steady = "it is taken for that of a steady state"
    if at_s is None:
        return steady
    moved = []
    for before, after in itertools.pairwise(case.settings):
        if not 0 <= at_s - after.at_s < SETTLING_S:
            continue
        pairs = [(key, getattr(before, key, None), getattr(after, key, None)) for key in ("fio2", *HELD_AGAINST)]
        changes = [f"{key} {a} to {b}" for key, a, b in pairs if None not in (a, b) and a != b]
        moved += [f"{', '.join(changes)} {(at_s - after.at_s) / 60:.0f} min before"] if changes else []
    return f"{steady}, THOUGH SETTINGS HAD CHANGED: {'; '.join(moved)}" if moved else steady
