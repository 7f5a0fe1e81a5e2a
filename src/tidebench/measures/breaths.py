"""The breath table: columns in the units that their names carry, and why a value is missing where one is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.efforts.muscle import Samples
from tidebench.inflations import delivery as kinds
from tidebench.inflations.leak import windowed
from tidebench.kernels import kernel
from tidebench.measures.saturation import FLOW, PRESSURE
from tidebench.measures.set_against_measured import peep_departs
from tidebench.measures.stretch import FEWEST_BREATHS, RESTLESS, UNTOLD
from tidebench.quantities import quantity
from tidebench.records import BREATH_COLUMNS

Mask = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

JOULE = 0.0980665  # J per cmH2O·L
REFERENCE_FLOW = {"adult": 0.5, "child": 0.1, "newborn": 0.02}  # L/s
UNCERTAIN_LEAK = 0.5  # Klingenberg, J Perinatol 2011;31:575: above it exhaled volume can't be trusted
Group = Literal["adult", "child", "newborn"]

REASONS: dict[str, str] = {
    "clipped": "the signal stood at the end of the sensor's range",
    "effort": "the patient breathed in this breath, so this would not be the lung's",
    "undecided": "it can't be told whether the patient breathed in this breath",
    "no pause": "there was no stretch without flow at the end of the inflation",
    "effort at the pause": "the pause was not at rest: the patient breathed",
    "no total PEEP": "total PEEP is not known here: neither a fit, nor a hold, nor a lung at rest",
    "no rest before": "an effort pulled, or the breath before was hardly let out, when this inflation began",
    "parts trap unequally": "parts of the lung empty at different speeds; only an expiratory hold tells what they trap",
    "loss in doubt": "gas is lost, or the sensor's zero is off: which of them, and how the loss follows the pressure, "
    "can't be told, and compliance depends on it",
    "elastance hidden": "parts that empty at different speeds, or airways that collapse, hide the lung's recoil; "
    "holds at the end of inspiration and of expiration tell it",
    "no plateau": "no plateau pressure, so nothing to take from it",
    "flow not constant": "flow was not constant during the inflation",
    "fit failed": "the curve does not bear a fit",
    "leak": "more than half of what goes in leaks away",
    "intentional leak": "the circuit leaks on purpose; the part that leaks at the patient can't be told apart",
    "no oesophageal signal": "no oesophageal pressure was recorded",
    "no lung known": "no passive breath shows this patient's mechanics",
    "no tube law": "the tube's size is not given, or no published law covers it",
    "no breath before": "the breath before it was not recorded",
    "too short": "the expiration was too short",
    "cut short": "a gap or the end of the recording cuts its expiration short",
    "adults only": "defined for adults",
    "no volume": "no volume went in to compare with",
    "kind unknown": "pressure and flow fit no known kind of inflation",
    "trigger unknown": "it can't be told whether the patient or the ventilator began the breath",
    "cycling unknown": "it can't be told whether the patient or the ventilator ended the inflation",
    "too few breaths": f"fewer than {FEWEST_BREATHS} breaths show it, or the lungs were still filling",
    "set PEEP in doubt": "the set PEEP and the measured one disagree",
    "not borne": "pressure and flow of this breath do not bear it",
}


UNKNOWN_WORDS = {
    "delivery": "kind unknown",
    "trigger": "trigger unknown",
    "cycling": "cycling unknown",
    "mandatory": "trigger unknown",
    "passive": "undecided",
}
"""Why a column of words may be null."""


@dataclass(frozen=True)
class Setting:
    """What the table must know besides the breaths: rate, who, whose tube, what circuit."""

    rate_hz: float
    group: Group
    intentional_leak: bool
    oesophageal: bool
    tube: tuple[float, float] | None  # k1, k2 of the tube's pressure drop


class Builder:
    """Collects columns with their reasons, first reason first."""

    def __init__(self, n: int) -> None:
        self.n = n
        self.values: dict[str, npt.NDArray[np.float64]] = {}
        self.missing: list[tuple[str, str, Mask]] = []

    def put(self, key: str, values: Samples, reasons: Sequence[tuple[str, Mask]] = ()) -> None:
        """A column in its unit; null where a reason's mask is True (the first that is), or a value is missing."""
        values = np.array(values, np.float64)
        values[np.any([mask for _, mask in reasons], axis=0)] = np.nan
        self.explain(key, ~np.isfinite(values), reasons)
        self.values[key] = values

    def explain(self, key: str, missing: Mask, reasons: Sequence[tuple[str, Mask]]) -> None:
        """Why a column is null where ``missing``: the first reason whose mask is True, and the general one for none."""
        left = missing.copy()
        for code, mask in (*reasons, ("not borne", np.ones(self.n, bool))):
            hit = left & mask
            if hit.any():
                self.missing.append((key, code, hit))
            left &= ~mask

    def reasons(self) -> pl.Series:
        """The ``not_measured`` column."""
        dtype = BREATH_COLUMNS["not_measured"]
        if not self.missing:
            return pl.Series("not_measured", [[]] * self.n, dtype=dtype)
        parts = []
        for key, code, mask in self.missing:
            rows = np.flatnonzero(mask)
            parts.append(
                pl.DataFrame({"row": rows}).with_columns(
                    quantity=pl.lit(key), code=pl.lit(code), text=pl.lit(REASONS[code])
                )
            )
        told = (
            pl.concat(parts)
            .group_by("row", maintain_order=False)
            .agg(pl.struct("quantity", "code", "text").alias("not_measured"))
        )
        every = pl.DataFrame({"row": np.arange(self.n)}).join(told, on="row", how="left", maintain_order="left")
        return every["not_measured"].fill_null([]).cast(dtype)


@kernel
def tracheal_peaks(p: Samples, f: Samples, start: Indices, turn: Indices, k1: float, k2: float) -> Samples:
    """Highest tracheal pressure of each inflation, cmH2O: airway pressure less k1·f + k2·f|f|."""
    out = np.empty(len(start))
    for j in range(len(start)):
        highest = -np.inf
        for i in range(start[j], turn[j] + 1):
            highest = max(highest, p[i] - k1 * f[i] - k2 * f[i] * abs(f[i]))
        out[j] = highest
    return out


def breath_table(c: Mapping[str, npt.NDArray[np.float64]], p: Samples, f: Samples, about: Setting) -> pl.DataFrame:
    """The breath table from the line's columns and the recording's pressure and flow (cmH2O, L/s)."""
    if not c:
        return pl.DataFrame(schema=BREATH_COLUMNS)
    build = Builder(len(c["start"]))
    timing(build, c, about)
    volumes(build, c, about)
    pressures(build, c)
    mechanics(build, c, about)
    energy(build, c, about)
    efforts(build, c, p, f, about)
    return assembled(build, c)


def assembled(build: Builder, c: Mapping[str, npt.NDArray[np.float64]]) -> pl.DataFrame:
    """The columns in the table's order and types, with nulls for what is missing or not plausible to print."""
    words = {
        "delivery": (kinds.DELIVERIES, c["delivery"]),
        "trigger": (("machine", "patient"), c["trigger"]),
        "cycling": (("machine", "patient"), c["cycling"]),
    }
    frame: dict[str, pl.Series] = {"breath": pl.Series(np.arange(build.n))}
    for key, (names, codes) in words.items():
        index = pl.Series(np.where(codes < 0, len(names), codes).astype(np.uint32))
        frame[key] = pl.Series([*names, None], dtype=pl.String).gather(index)
    for key in ("mandatory", "passive"):
        frame[key] = pl.Series(c[key] == 1).set(pl.Series(c[key] < 0), None)
    alone = ("no breath before", c["joined"] == 0)
    first = {"trigger": [alone], "passive": [clipped(c)]}
    for key, code in UNKNOWN_WORDS.items():
        unknown = c[key] < 0
        build.explain(key, unknown, [*first.get(key, []), (code, unknown)])
    for key, values in build.values.items():
        frame[key] = pl.Series(values, nan_to_null=True)
    frame["not_measured"] = build.reasons()
    return pl.DataFrame({key: frame[key].cast(dtype).alias(key) for key, dtype in BREATH_COLUMNS.items()})


def timing(build: Builder, c: Mapping[str, npt.NDArray[np.float64]], about: Setting) -> None:
    """When, and how often."""
    start, turn, end = (c[name] / about.rate_hz for name in ("start", "turn", "end"))
    build.put("start_s", start)
    build.put("expiration_s", turn)
    build.put("end_s", end)
    build.put("inspiratory_time_s", turn - start)
    build.put("expiratory_time_s", end - turn, [cut_short(c)])
    build.put("rate_per_min", 60 / (end - start), [cut_short(c)])


def cut_short(c: Mapping[str, npt.NDArray[np.float64]]) -> tuple[str, Mask]:
    """Breaths whose end was not recorded: what counts to it can't be told."""
    return "cut short", c["whole"] == 0


def volumes(build: Builder, c: Mapping[str, npt.NDArray[np.float64]], about: Setting) -> None:
    """Volumes and flows, leak in and leak out."""
    leaky = c["leak_fraction"] > UNCERTAIN_LEAK
    cut = clipped(c, FLOW)
    build.put("vti_ml", 1000 * c["vti"], [cut])
    build.put("vte_ml", 1000 * c["vte"], [cut, cut_short(c)])
    build.put("vti_measured_ml", 1000 * c["vti_measured"], [cut])
    build.put("vte_measured_ml", 1000 * c["vte_measured"], [cut, cut_short(c), ("leak", leaky)])
    on_purpose = np.full(build.n, about.intentional_leak)
    leak = c["leak_fraction"]
    lost = [
        ("clipped", windowed(cut[1].astype(np.float64)) > 0),
        ("intentional leak", on_purpose),
        ("too few breaths", c["loss_shown"] == 0),
        ("no volume", ~np.isfinite(leak)),
    ]
    build.put("leak_fraction", leak, lost)
    build.put("peak_inspiratory_flow_l_min", 60 * c["peak_inspiratory_flow"], [cut])
    build.put("peak_expiratory_flow_l_min", 60 * c["peak_expiratory_flow"], [cut])
    ending = c["end_expiratory_flow"]
    build.put("end_expiratory_flow_l_min", 60 * ending, [("too short", ~np.isfinite(ending))])


def clipped(c: Mapping[str, npt.NDArray[np.float64]], channels: int = PRESSURE | FLOW) -> tuple[str, Mask]:
    """Where one of these channels stood at the end of its range, as a reason."""
    return "clipped", (c["clipped"].astype(np.int8) & channels) > 0


def doubts(c: Mapping[str, npt.NDArray[np.float64]]) -> list[tuple[str, Mask]]:
    """Why a measure of the passive lung may be missing."""
    return [clipped(c), ("effort", c["passive"] == 0), ("undecided", c["passive"] < 0)]


def trapping(c: Mapping[str, npt.NDArray[np.float64]]) -> tuple[str, Mask]:
    """Breaths of a lung whose parts hold back more than can be told without a hold."""
    return "parts trap unequally", c["total_peep_from"] == UNTOLD


def not_at_rest(c: Mapping[str, npt.NDArray[np.float64]]) -> tuple[str, Mask]:
    """Breaths before which nothing came to rest."""
    return "no rest before", c["total_peep_from"] == RESTLESS


def pressures(build: Builder, c: Mapping[str, npt.NDArray[np.float64]]) -> None:
    """Pressures at the airway, at rest and between."""
    build.put("peak_pressure_cmh2o", c["peak_pressure"], [clipped(c, PRESSURE)])
    build.put("mean_pressure_cmh2o", c["mean_pressure"], [clipped(c, PRESSURE), cut_short(c)])
    build.put("peep_cmh2o", c["peep"], [("too short", ~np.isfinite(c["peep"]))])
    unpaused = ~np.isfinite(c["plateau_pressure"])
    restless = [
        clipped(c),
        ("no pause", unpaused),
        ("effort at the pause", c["passive"] == 0),
        ("undecided", c["passive"] < 0),
    ]
    build.put("plateau_pressure_cmh2o", c["plateau_pressure"], restless)
    total = c["total_peep"]
    few = np.full(build.n, (c["passive"] == 1).sum() < FEWEST_BREATHS)
    lost = [
        clipped(c),
        ("too few breaths", np.isfinite(total) & few),
        ("no breath before", ~np.isfinite(total) & (c["joined"] == 0)),
        trapping(c),
        not_at_rest(c),
        ("no total PEEP", ~np.isfinite(total)),
    ]
    build.put("total_peep_cmh2o", total, lost)
    build.put("intrinsic_peep_cmh2o", total - c["peep"], lost)
    bare = [("no plateau", ~np.isfinite(build.values["plateau_pressure_cmh2o"]))]
    build.put("driving_pressure_cmh2o", build.values["plateau_pressure_cmh2o"] - total, [*bare, *lost])
    base = np.where(np.isfinite(c["set_peep"]), c["set_peep"], c["peep"])
    doubtful = ("set PEEP in doubt", np.isin(c["set_peep"], list(peep_departs(c["set_peep"], c["peep"]))))
    build.put("driving_pressure_set_peep_cmh2o", build.values["plateau_pressure_cmh2o"] - base, [*bare, doubtful])


def mechanics(build: Builder, c: Mapping[str, npt.NDArray[np.float64]], about: Setting) -> None:
    """What the passive lung is like."""
    passive = doubts(c)
    flow = REFERENCE_FLOW[about.group]
    hidden = ("elastance hidden", c["hidden"] == 1)
    lossy = ("loss in doubt", c["loss_in_doubt"] == 1)
    build.put("compliance_ml_cmh2o", 1000 / c["elastance"], [*passive, hidden, lossy])
    resistance = c["resistance"] + c["square"] * flow
    build.put("resistance_cmh2o_s_l", resistance, passive)
    build.put("expiratory_resistance_cmh2o_s_l", resistance + c["expiration"], passive)
    short = [*passive, ("too short", ~np.isfinite(c["time_constant"]))]
    build.put("expiratory_time_constant_s", c["time_constant"], short)
    dynamic = 1000 * c["vti"] / (c["peak_pressure"] - c["total_peep"])
    build.put("dynamic_compliance_ml_cmh2o", dynamic, [*passive, trapping(c), not_at_rest(c)])
    index, bent = c["stress_index"], c["constant_flow"] == 0
    build.put("stress_index", index, [*passive, ("flow not constant", bent), ("fit failed", ~np.isfinite(index))])


def energy(build: Builder, c: Mapping[str, npt.NDArray[np.float64]], about: Setting) -> None:
    """What the ventilator gives: the loop's integral, PEEP's share included."""
    passive = doubts(c)
    young = [("adults only", np.full(build.n, about.group != "adult"))]
    joules = JOULE * c["work"]
    build.put("mechanical_power_j_min", joules * build.values["rate_per_min"], [*young, cut_short(c), *passive])
    build.put("work_j_l", np.divide(joules, c["vti"], out=np.full(build.n, np.nan), where=c["vti"] > 0), passive)


def efforts(build: Builder, c: Mapping[str, npt.NDArray[np.float64]], p: Samples, f: Samples, about: Setting) -> None:
    """What the patient gives, and what arrives below the tube and across the lung."""
    unheard = np.full(build.n, not about.oesophageal)
    quiet = c["passive"] == 1
    unknown = ~np.isfinite(c["effort"]) & ~quiet
    build.put(
        "effort_cmh2o",
        np.where(quiet, 0.0, c["effort"]),
        [
            ("clipped", clipped(c)[1] & unknown),
            ("undecided", (c["passive"] < 0) & unknown),
            ("no lung known", unknown),
        ],
    )
    build.put("pressure_time_product_cmh2o_s", c["pressure_time"], [("no oesophageal signal", unheard)])
    driving = c["transpulmonary_driving"]
    build.put(
        "transpulmonary_driving_pressure_cmh2o", driving,
        [("no oesophageal signal", unheard), *doubts(c), ("no plateau", ~np.isfinite(driving))],
    )  # fmt: skip
    if about.tube is None:
        nothing = np.full(build.n, np.nan)
        build.put("tracheal_peak_pressure_cmh2o", nothing, [("no tube law", np.ones(build.n, bool))])
    else:
        peaks = tracheal_peaks(p, f, c["start"].astype(np.int64), c["turn"].astype(np.int64), *about.tube)
        build.put("tracheal_peak_pressure_cmh2o", peaks, [clipped(c)])


def key_statistics(table: pl.DataFrame) -> dict[str, dict[str, float | int | str]]:
    """Statistics of every numeric column but the times; columns without a value are left out.

    Effort is that of breaths with effort: zeros of passive breaths would hide it.
    """
    times = ("start_s", "expiration_s", "end_s")
    keys = [key for key, dtype in BREATH_COLUMNS.items() if dtype == pl.Float64 and key not in times]
    active = table.filter(~pl.col("passive"))
    columns = {key: (active if key == "effort_cmh2o" else table)[key] for key in keys}
    return {key: told for key, values in columns.items() if (told := statistics_of(values, key))}


def statistics_of(values: pl.Series, key: str) -> dict[str, float | int | str]:
    """Median, 5th and 95th percentile and number of values, with the quantity's unit; empty where there is none."""
    known = values.drop_nulls()
    if not len(known):
        return {}
    low, middle, high = (float(known.quantile(q, "linear") or 0.0) for q in (0.05, 0.5, 0.95))
    return {"median": middle, "p05": low, "p95": high, "n": len(known), "unit": quantity(key).unit}
