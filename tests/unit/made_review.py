"""A review made from equations: one compartment, volume control, known holds, efforts and steps of PEEP.

It has the shape of a real review, and every number in it follows from :class:`Lung` and :class:`Inflation`, so views
and report can be tested apart from the stages that measure.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import polars as pl

from tidebench.case import Case
from tidebench.interval import Interval
from tidebench.recording import Recording, Samples
from tidebench.records import (
    BREATH_COLUMNS,
    EFFORT_COLUMNS,
    FINDING_COLUMNS,
    Hold,
    PressureAccount,
    Spread,
    Step,
)
from tidebench.review import Review

RATE_HZ = 100.0
CAUTION = "For education, review and quality work by trained people. Not a medical device."
PATIENT = {"sex": "male", "age_years": 58, "height_cm": 175, "height_method": "measured", "weight_kg": 78}


@dataclass(frozen=True)
class Lung:
    """One compartment behind one resistance: L/cmH2O, cmH2O·s/L."""

    compliance: float = 0.030
    resistance: float = 13.0

    @property
    def time_constant_s(self) -> float:
        """Resistance times compliance."""
        return self.compliance * self.resistance


@dataclass(frozen=True)
class Inflation:
    """Constant flow, a pause, then passive expiration to PEEP."""

    volume: float = 0.42
    inflation_s: float = 0.7
    pause_s: float = 0.3
    expiration_s: float = 1.4

    @property
    def flow(self) -> float:
        """Flow during inflation, L/s."""
        return self.volume / self.inflation_s


@dataclass(frozen=True)
class Breath:
    """What differs from breath to breath."""

    peep: float
    muscle: float = 0.0
    hold: Literal["", "inspiratory", "expiratory"] = ""
    hold_s: float = 3.0


@dataclass(frozen=True)
class Wave:
    """Signals of one breath, and where its phases end (seconds from its start)."""

    time_s: Samples
    flow: Samples
    volume: Samples
    elastic: Samples
    muscle: Samples
    pressure: Samples
    total_peep: float
    turn_s: float


def wave(breath: Breath, lung: Lung, inflation: Inflation) -> Wave:
    """The closed form of one breath in the steady state."""
    pause = inflation.pause_s + (breath.hold_s if breath.hold == "inspiratory" else 0.0)
    turn = inflation.inflation_s + pause
    out = turn + inflation.expiration_s
    time = np.arange(round((out + (breath.hold_s if breath.hold == "expiratory" else 0.0)) * RATE_HZ)) / RATE_HZ
    left = np.exp(-inflation.expiration_s / lung.time_constant_s)
    trapped = inflation.volume * left / (1 - left)
    total_peep = breath.peep + trapped / lung.compliance

    filling, resting, emptying = (
        time < inflation.inflation_s,
        (time >= inflation.inflation_s) & (time < turn),
        time >= turn,
    )
    held = time >= out
    since = np.minimum(time - turn, inflation.expiration_s)
    volume = np.select(
        [filling, resting],
        [inflation.flow * time, np.full_like(time, inflation.volume)],
        (inflation.volume + trapped) * np.exp(-np.maximum(since, 0) / lung.time_constant_s) - trapped,
    )
    flow = np.select([filling, resting, held], [inflation.flow, 0.0, 0.0], -(volume + trapped) / lung.time_constant_s)
    muscle = breath.muscle * np.sin(np.pi * np.clip(time / 0.9, 0, 1))
    elastic = volume / lung.compliance
    pressure = total_peep + elastic + lung.resistance * flow - muscle
    pressure = np.where(emptying & ~held, breath.peep, pressure)
    return Wave(time, flow, volume, elastic, muscle, pressure, total_peep, turn)


@dataclass(frozen=True)
class MadeReview(Review):
    """A review whose pressure account is the closed form itself."""

    waves: tuple[Wave, ...] = ()
    lung: Lung = field(default_factory=Lung)

    def typical_breath(self) -> int | None:
        """The second passive breath, else the second of all."""
        passive = self.breaths.filter(pl.col("passive"))["breath"].to_list() or self.breaths["breath"].to_list()
        return passive[min(1, len(passive) - 1)] if passive else None

    def account(self, breath: int) -> PressureAccount | None:
        """The closed form, with a ripple that no model explains."""
        if not 0 <= breath < len(self.waves):
            return None
        wave = self.waves[breath]
        start_s = self.breaths["start_s"][breath]
        ripple = 0.15 * np.sin(2 * np.pi * 1.3 * wave.time_s)
        resistive = self.lung.resistance * wave.flow
        return PressureAccount(
            breath=breath,
            time_s=start_s + wave.time_s,
            airway_pressure=wave.total_peep + wave.elastic + resistive - wave.muscle + ripple,
            flow=wave.flow,
            volume=wave.volume,
            start=wave.total_peep,
            elastic=wave.elastic,
            resistive=resistive,
            muscle=wave.muscle,
            residual=ripple,
            expiration_s=start_s + wave.turn_s,
            mechanics_from="this breath" if not wave.muscle.any() else "passive breaths of this recording",
        )


def made_review(
    *,
    breaths: int = 40,
    peeps: tuple[float, ...] = (8.0,),
    efforts_from: int | None = None,
    holds: bool = True,
    gap: bool = False,
    patient: dict[str, Any] | None = PATIENT,
    title: str = "Stiff lungs, volume control",
    lung: Lung = Lung(),
    inflation: Inflation = Inflation(),
    observed: tuple[dict[str, Any], ...] = (),
    warnings: tuple[str, ...] = (),
    scale: float = 1.0,
) -> MadeReview:
    """A review of some breaths over steps of PEEP, with a hold of each kind near its start and efforts at its end."""
    plan = _plan(breaths, peeps, efforts_from, holds)
    waves = tuple(wave(breath, lung, inflation) for breath in plan)
    starts = np.concatenate([[0.0], np.cumsum([len(w.time_s) / RATE_HZ for w in waves])])
    table = _breath_table(plan, waves, starts, inflation, lung, scale)
    changes = [i for i in range(1, len(plan)) if plan[i].peep != plan[i - 1].peep]
    found = _holds(plan, waves, starts, lung, inflation)
    case = _case(title, patient, peeps, [0.0, *(float(starts[i]) for i in changes)], inflation, observed)
    return MadeReview(
        case=case,
        recording=_recording(waves, gap),
        breaths=table,
        efforts=pl.DataFrame(schema=EFFORT_COLUMNS),
        findings=pl.DataFrame(schema=FINDING_COLUMNS),
        holds=found,
        steps=_steps(table, plan, changes, starts),
        summary=_summary(table, found, patient, warnings),
        waves=waves,
        lung=lung,
    )


def _plan(breaths: int, peeps: tuple[float, ...], efforts_from: int | None, holds: bool) -> list[Breath]:
    plan = [
        Breath(peeps[i * len(peeps) // breaths], 7.0 if efforts_from is not None and i >= efforts_from else 0.0)
        for i in range(breaths)
    ]
    if holds and breaths > 8:
        plan[4] = Breath(plan[4].peep, hold="inspiratory")
        plan[7] = Breath(plan[7].peep, hold="expiratory")
    return plan


def _breath_table(
    plan: list[Breath], waves: tuple[Wave, ...], starts: Samples, inflation: Inflation, lung: Lung, scale: float
) -> pl.DataFrame:
    rows = [
        _row(i, breath, wave, float(starts[i]), float(starts[i + 1]), inflation, lung, scale)
        for i, (breath, wave) in enumerate(zip(plan, waves, strict=True))
    ]
    return pl.DataFrame(rows, schema=BREATH_COLUMNS)


def _row(
    index: int, breath: Breath, wave: Wave, start: float, end: float, inflation: Inflation, lung: Lung, scale: float
) -> dict[str, Any]:
    passive = breath.muscle == 0
    wobble = scale * (1 + 0.01 * np.sin(1.7 * index))
    volume = 1000 * inflation.volume * wobble
    plateau = wave.total_peep + inflation.volume / lung.compliance
    row: dict[str, Any] = dict.fromkeys(BREATH_COLUMNS)
    row |= {
        "breath": index,
        "start_s": start,
        "expiration_s": start + wave.turn_s,
        "end_s": end,
        "delivery": "volume-control",
        "trigger": "machine" if passive else "patient",
        "cycling": "machine",
        "mandatory": True,
        "passive": passive,
        "vti_ml": volume,
        "vte_ml": volume,
        "vti_measured_ml": volume,
        "vte_measured_ml": volume,
        "leak_fraction": 0.0,
        "peak_pressure_cmh2o": float(wave.pressure.max()) * wobble,
        "mean_pressure_cmh2o": float(wave.pressure.mean()),
        "peep_cmh2o": breath.peep,
        "inspiratory_time_s": wave.turn_s,
        "expiratory_time_s": end - start - wave.turn_s,
        "rate_per_min": 60 / (end - start),
        "peak_inspiratory_flow_l_min": 60 * inflation.flow,
        "peak_expiratory_flow_l_min": float(-60 * wave.flow.min()),
        "end_expiratory_flow_l_min": float(-60 * wave.flow[-1]),
        "effort_cmh2o": None if passive else breath.muscle,
        "not_measured": [] if passive else _missing(),
    }
    if passive:
        row |= {
            "plateau_pressure_cmh2o": plateau * wobble,
            "total_peep_cmh2o": wave.total_peep,
            "intrinsic_peep_cmh2o": wave.total_peep - breath.peep,
            "driving_pressure_cmh2o": plateau * wobble - wave.total_peep,
            "driving_pressure_set_peep_cmh2o": plateau * wobble - breath.peep,
            "compliance_ml_cmh2o": 1000 * lung.compliance * wobble,
            "resistance_cmh2o_s_l": lung.resistance,
            "expiratory_resistance_cmh2o_s_l": lung.resistance,
            "expiratory_time_constant_s": lung.time_constant_s,
            "mechanical_power_j_min": 21.0 * wobble,
            "stress_index": 1.01,
        }
    return row


def _missing() -> list[dict[str, str]]:
    text = "the patient was breathing during this breath"
    keys = ("plateau_pressure_cmh2o", "compliance_ml_cmh2o", "resistance_cmh2o_s_l", "driving_pressure_cmh2o")
    return [{"quantity": key, "code": "effort", "text": text} for key in keys]


def _holds(
    plan: list[Breath], waves: tuple[Wave, ...], starts: Samples, lung: Lung, inflation: Inflation
) -> tuple[Hold, ...]:
    found = []
    for i, (breath, wave) in enumerate(zip(plan, waves, strict=True)):
        plateau = wave.total_peep + inflation.volume / lung.compliance
        if breath.hold == "inspiratory":
            found.append(
                Hold(
                    kind="inspiratory",
                    breath=i,
                    at_s=float(starts[i]) + wave.turn_s,
                    duration_s=breath.hold_s,
                    peak_pressure_cmh2o=float(wave.pressure.max()),
                    initial_pressure_cmh2o=plateau + 0.8,
                    plateau_pressure_cmh2o=plateau,
                    total_peep_cmh2o=wave.total_peep,
                    driving_pressure_cmh2o=plateau - wave.total_peep,
                    static_compliance_ml_cmh2o=1000 * lung.compliance,
                    inspiratory_resistance_max_cmh2o_s_l=lung.resistance,
                    inspiratory_resistance_min_cmh2o_s_l=lung.resistance - 1.2,
                    quality=("steady",),
                )
            )
        if breath.hold == "expiratory":
            found.append(
                Hold(
                    kind="expiratory",
                    breath=i,
                    at_s=float(starts[i + 1]),
                    duration_s=breath.hold_s,
                    total_peep_cmh2o=wave.total_peep,
                    intrinsic_peep_cmh2o=wave.total_peep - breath.peep,
                    quality=("steady",),
                )
            )
    return tuple(found)


def _recording(waves: tuple[Wave, ...], gap: bool) -> Recording:
    empty = np.zeros(round(2 * RATE_HZ))
    pressure = np.concatenate([w.pressure for w in waves]) if waves else empty
    flow = np.concatenate([w.flow for w in waves]) if waves else empty
    gaps: tuple[Interval, ...] = ()
    if gap:
        middle = len(flow) // 2
        pressure[middle : middle + 500] = flow[middle : middle + 500] = np.nan
        gaps = (Interval(middle / RATE_HZ, (middle + 500) / RATE_HZ),)
    return Recording(RATE_HZ, {"airway_pressure": pressure, "flow": flow}, gaps=gaps, source="signals.csv")


def _spread(values: pl.Series) -> Spread | None:
    known = values.drop_nulls()
    if known.is_empty():
        return None
    median, p05, p95 = (float(np.percentile(known.to_numpy(), q)) for q in (50, 5, 95))
    return Spread(median, p05, p95, len(known))


def _steps(table: pl.DataFrame, plan: list[Breath], changes: list[int], starts: Samples) -> tuple[Step, ...]:
    edges = [0, *changes, len(plan)]
    found = []
    for number, i in enumerate(changes):
        before, after = table[edges[number] : i], table[i : edges[number + 2]]
        quantities = {}
        for key in ("peep_cmh2o", "vte_ml", "plateau_pressure_cmh2o", "driving_pressure_cmh2o", "compliance_ml_cmh2o"):
            pair = _spread(before[key]), _spread(after[key])
            if pair[0] is not None and pair[1] is not None:
                quantities[key] = (pair[0], pair[1])
        changed = {"peep_cmh2o": (plan[i - 1].peep, plan[i].peep)}
        found.append(Step(float(starts[i]), "recorded", changed, quantities))
    return tuple(found)


def _summary(
    table: pl.DataFrame, holds: tuple[Hold, ...], patient: dict[str, Any] | None, warnings: tuple[str, ...]
) -> dict[str, Any]:
    quantities: dict[str, dict[str, Any]] = {}
    for key, kind in BREATH_COLUMNS.items():
        if kind == pl.Float64 and key not in {"start_s", "expiration_s", "end_s"}:
            spread = _spread(table[key])
            if spread is not None:
                quantities[key] = _as_dict(spread)
    derived: dict[str, float] = {}
    if patient and "height_cm" in patient and "sex" in patient and table.height:
        weight = {"male": 50.0, "female": 45.5}[patient["sex"]] + 0.91 * (patient["height_cm"] - 152.4)
        derived["predicted_body_weight_kg"] = weight
        ratio = _spread(table["vte_ml"] / weight)
        assert ratio is not None
        quantities["vt_per_pbw_ml_kg"] = _as_dict(ratio)
    return {
        "quantities": quantities,
        "holds": [],
        "findings": {},
        "warnings": list(warnings),
        "patient": derived,
        "caution": CAUTION,
        "version": "0.0",
    }


def _as_dict(spread: Spread) -> dict[str, Any]:
    return {"median": spread.median, "p05": spread.p05, "p95": spread.p95, "n": spread.n}


def _case(
    title: str,
    patient: dict[str, Any] | None,
    peeps: tuple[float, ...],
    times: list[float],
    inflation: Inflation,
    observed: tuple[dict[str, Any], ...],
) -> Case:
    period = inflation.inflation_s + inflation.pause_s + inflation.expiration_s
    settings = [
        {
            "at_s": at,
            "mode": "A/C-VC",
            "peep_cmh2o": peep,
            "fio2": 0.5,
            "rate_per_min": 60 / period,
            "tidal_volume_ml": 1000 * inflation.volume,
            "inspiratory_flow_l_min": 60 * inflation.flow,
            "pause_s": inflation.pause_s,
        }
        for at, peep in zip(times, peeps, strict=False)
    ]
    tables: dict[str, Any] = {
        "title": title,
        "airway": {"interface": "endotracheal tube", "tube_inner_diameter_mm": 8.0},
        "recording": {"file": "signals.csv"},
        "settings": settings,
        "observed": list(observed),
    }
    if patient is not None:
        tables["patient"] = patient
    return Case.model_validate(tables)
