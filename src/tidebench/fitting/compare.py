"""Now against then: drawn patients set on what was recorded, with the doubt that no parameter holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tidebench.fitting.changed import bi_level
from tidebench.fitting.fit import Fit
from tidebench.fitting.limitation import NARROW
from tidebench.fitting.measured import KEYS
from tidebench.fitting.mechanics import EXPIRATION, INSPIRATION, LIMIT
from tidebench.fitting.predict import LEAST_REACHING, Prediction
from tidebench.fitting.records import Samples, interval
from tidebench.fitting.told import LEAK_DOUBT
from tidebench.fitting.unlived import unlived
from tidebench.limits import predicted_weight_kg, volume_weight_kg
from tidebench.mode import parse_mode
from tidebench.quantities import quantity

GAS_KEYS = ("paco2_mmhg", "ph", "pao2_mmhg", "sao2")
PER_KG = ("vt_per_pbw_ml_kg", "vt_per_weight_ml_kg")
TOLD = (*KEYS, *PER_KG, *GAS_KEYS)
"""Everything that a rehearsal tells, where the patient shows it."""
ONE_EACH = 0.1  # by which breaths may differ from efforts where each begins one (this house's choice)
BEYOND = 0.2  # of the recorded range that a prediction may leave it by before it counts as extrapolated
RESOLUTION = {
    "peak_pressure_cmh2o": 0.02, "plateau_pressure_cmh2o": 0.05, "total_peep_cmh2o": 0.05, "intrinsic_peep_cmh2o": 0.05,
    "mean_pressure_cmh2o": 0.05, "peep_cmh2o": 0.05, "driving_pressure_cmh2o": 0.1,
    "driving_pressure_set_peep_cmh2o": 0.1,
}  # fmt: skip
BY_ONE_COMPARTMENT = (
    "total_peep_cmh2o", "intrinsic_peep_cmh2o", "driving_pressure_cmh2o", "plateau_pressure_cmh2o",
)  # fmt: skip
"""What the breath table tells by one compartment: of an uneven lung the fit's own stand instead."""
RELATIVE_RESOLUTION, QUARTZ, WANDERING = 0.002, 0.00005, 0.03
"""What sensors and their noise leave open of any median: cmH2O by key, else relative; how far a clock's rate is off
(an ordinary quartz, fifty in a million), and how far a patient's own wanders from one stretch to the next (this house's
choice).
"""
POWER, EFFORT = "mechanical_power_j_min", "effort_cmh2o"
NEARER_PASSIVE = {
    "peak_pressure_cmh2o": 0.75, "plateau_pressure_cmh2o": 0.7, "total_peep_cmh2o": 0.7, "intrinsic_peep_cmh2o": 0.7,
}  # fmt: skip
NEARER_BREATHING = {"rate_per_min": 0.55, "total_peep_cmh2o": 0.75, "intrinsic_peep_cmh2o": 0.75}
POWER_MEASURED, POWER_BREATHING, GAS_BREATHING = 0.5, 0.75, 0.65
"""Shares of their distance from the estimate that draws then keep on one level, where intervals as they come hold more
of the open population's truths than they say (PaCO2's: 103 of two seeds): each draw's rate, for one, has the scatter of
the 45 s that are simulated of it, now and then."""
UNEVEN_FLOOR, UNEVEN_SHARE = 0.08, 0.1
"""Further doubt of trapped pressure, cmH2O and of the intrinsic PEEP, where one compartment does not describe the lung
or expiration is limited (open population of virtual patients)."""
CO2_FLOOR, CO2_SHARE = 0.004, 0.02
"""Doubt of PaCO2, relative, and of the logarithm of its change, beside that of dead space (open population)."""
MISSED, WORK = 0.5, ("mechanical_power_j_min", "work_j_l")
"""Share of what the model misses of the present that it may be wrong by then (open population of virtual patients);
work, a product of what is recorded, needs none."""
FACTORS = (
    "vti_ml", "vte_ml", "minute_volume_l_min", "peak_inspiratory_flow_l_min", "peak_expiratory_flow_l_min",
    "mechanical_power_j_min", "work_j_l", "rate_per_min",
)  # fmt: skip
NEVER_BELOW_ZERO = (
    *FACTORS, "intrinsic_peep_cmh2o", "end_expiratory_flow_l_min", "unanswered_efforts_percent", "effort_cmh2o",
)  # fmt: skip
RECOIL_CMH2O = 12.0  # of a breath, usual: PEEP that leaves what was seen by as much is all beyond it
WIDER = 2.0  # by which an interval grows when a prediction leaves the recorded range by as much as it spans
STACKED = 2.0
"""How far minute volume lies from median volume times rate, as a factor, where breaths are stacked on each other."""
MOST_BUFFERED = 1.5  # of the published slope: patients differ (this house's choice)
OXYGEN_FLOOR, OXYGEN_SHARE = 0.08, 0.3
"""Doubt of PaO2, relative, and of the logarithm of its change: shunt need not stay (this house's choice)."""


@dataclass(frozen=True)
class Compared:
    """Draws of each quantity now and then, shape (n,), and in words what goes beyond what was recorded."""

    now: Mapping[str, Samples]
    then: Mapping[str, Samples]
    beyond: tuple[str, ...]


def compared(fit: Fit, now: Prediction, then: Prediction, seed: int = 0) -> Compared:
    """Two predictions of the same drawn patients, as what is told of them.

    What the model is asked for is the change; where the present was measured, then is that and the change: as a factor
    for what can't be negative and starts at nothing (volumes, flows, power), as a difference for pressures and times.
    What the model misses of the present adds to the doubt; so do lungs that empty unevenly, dead space and shunt that
    are not known, and what goes beyond what was recorded.
    """
    rng = np.random.default_rng([seed, 11])
    held = Held(held_by(now.setting, fit), held_by(then.setting, fit) | held_by_efforts(fit, now, then))
    before, after = dict(now.quantities), dict(then.quantities)
    for key, value in fit.recorded.items():
        if (fit.mechanics.uneven or fit.trapped is not None) and key in BY_ONE_COMPARTMENT:
            continue
        if key in before and np.isfinite(before[key]).any() and np.isfinite(after[key]).any():
            before[key], after[key] = moved(fit, key, value, before[key], after[key], rng, held)
    for key, resolution in RESOLUTION.items():
        if key in before and key not in fit.recorded:
            own = resolution * noise(rng, len(before[key]))
            before[key], after[key] = before[key] + own, after[key] + own
    if (uneven(fit) and not fit.mechanics.uneven) or fit.drive is not None:
        emptied_otherwise(after, rng)
    beyond, wider = extrapolated(fit, after)
    groups = fit.draws(len(now.ventilation_l_min), seed)[0][:, LIMIT] > 0
    after = {key: values if key in held.then else widened(values, wider, groups) for key, values in after.items()}
    if not bi_level(then.setting):
        for key, share in (NEARER_PASSIVE if fit.drive is None else NEARER_BREATHING).items():
            after[key] = widened(after[key], share, groups)
    if parse_mode(then.setting["mode"]).mandatory is None:
        built = then.estimate.scenario.ventilator  # ends every inflation, whatever flow does
        after["inspiratory_time_s"] = np.clip(
            after["inspiratory_time_s"], built.shortest_inflation_s, built.longest_support_s
        )
    misread(fit, now, before, after)
    before, after = together(fit, now, before), together(fit, then, after)
    if not bi_level(then.setting):
        after[POWER] = widened(after[POWER], power_share(fit), groups)
    before, after = (
        with_gases(fit, before, before, now, rng, seed),
        with_gases(fit, before, after, then, rng, seed),
    )
    said = unlived(after)
    if fit.drive is None or not bi_level(then.setting):
        below = np.minimum(before["total_peep_cmh2o"] - before["peep_cmh2o"], 0.0)  # as it was recorded, if it was
        after["total_peep_cmh2o"] = np.maximum(after["total_peep_cmh2o"], after["peep_cmh2o"] + below)
    for side in (before, after):
        side.update(per_kg(fit, side))
        side.update({key: np.maximum(side[key], 0.0) for key in NEVER_BELOW_ZERO if key in side})
        side["unanswered_efforts_percent"] = np.minimum(side["unanswered_efforts_percent"], 100.0)
    return Compared(before, after, (*beyond, *said))


def per_kg(fit: Fit, side: Mapping[str, Samples]) -> dict[str, Samples]:
    """Expired volume by predicted weight of an adult, by actual weight of the young; empty where it isn't known."""
    patient = fit.window.review.case.patient
    weight = volume_weight_kg(patient)
    if weight is None:
        return {}
    key = PER_KG[0] if predicted_weight_kg(patient) is not None else PER_KG[1]
    return {key: side["vte_ml"] / weight}


@dataclass(frozen=True)
class Held:
    """Quantities that the ventilator holds whatever the lung does, now and then."""

    now: frozenset[str]
    then: frozenset[str]


def power_share(fit: Fit) -> float:
    """Share of their distance from the estimate that draws of power keep: all of it where the model tells it of one
    at rest, since the measured volume and rate have taken the doubt already.
    """
    if fit.drive is not None:
        return POWER_BREATHING
    return POWER_MEASURED if POWER in fit.recorded else 1.0


def held_by(setting: Mapping[str, Any], fit: Fit) -> frozenset[str]:
    """What a setting holds: volume and flow of volume control without a leak, pressure of pressure control and support,
    the inflation's time where it is mandatory, the rate where nobody breathes.
    """
    mode = parse_mode(setting["mode"])
    if bi_level(setting):
        return frozenset({"peak_pressure_cmh2o"}) if fit.drive is None else frozenset()
    out = {"inspiratory_time_s"} if mode.mandatory in ("VC", "PC", "vtPC") and mode.support is None else set()
    if mode.mandatory == "VC" and mode.support is None and not fit.leak:
        out |= {"vti_ml", "peak_inspiratory_flow_l_min"} | ({"vte_ml"} if fit.drive is None else set())
    if {mode.mandatory, mode.support} <= {"PC", "PS", None}:
        out.add("peak_pressure_cmh2o")
    if fit.drive is None and mode.mandatory is not None:
        out.add("rate_per_min")
    return frozenset(out)


def held_by_efforts(fit: Fit, now: Prediction, then: Prediction) -> frozenset[str]:
    """The rate, where each effort of the estimate begins one breath then and did not now: what the model has of breaths
    in pairs, or of efforts without a breath, does not go with it.
    """
    if fit.drive is None or bi_level(now.setting) or bi_level(then.setting):
        return frozenset()
    off = [abs(float(told.quantities["rate_per_min"][0]) / fit.drive.rate_per_min - 1.0) for told in (now, then)]
    return frozenset({"rate_per_min"}) if off[1] < ONE_EACH < off[0] else frozenset()


def together(fit: Fit, told: Prediction, side: Mapping[str, Samples]) -> dict[str, Samples]:
    """Quantities that follow from others, of the same drawn patients: minute volume is expired volume times rate, with
    what breaths that differ make of it; of a passive patient expiration is what inflation leaves of the breath. Power
    that was not measured is the model's work per volume, which a lung's doubt hardly moves, times the volume and the
    rate that were.

    Where breaths are stacked on each other the median breath says nothing of the sum: minute volume is its own, and
    expired volume what it leaves each breath.
    """
    out, raw = dict(side), told.quantities
    alone = raw["vte_ml"] * raw["rate_per_min"] / 1000
    differing = raw["minute_volume_l_min"] / np.where(alone > 0, alone, np.nan)
    product = side["vte_ml"] * side["rate_per_min"] / 1000 * differing
    if not bool((np.abs(np.log(differing)) < np.log(STACKED)).all()):
        out["vte_ml"] = 1000 * side["minute_volume_l_min"] / side["rate_per_min"]
    elif fit.rises is None:
        out["minute_volume_l_min"] = product
        if POWER not in fit.recorded:
            breathed = side["vti_ml"] * side["rate_per_min"] / (raw["vti_ml"] * raw["rate_per_min"])
            out[POWER] = raw[POWER] * breathed
    if fit.drive is None:
        out["expiratory_time_s"] = 60.0 / side["rate_per_min"] - side["inspiratory_time_s"]
    return out


def misread(fit: Fit, now: Prediction, *sides: dict[str, Samples]) -> None:
    """Put on a measured effort, now and then, what every effort of a drawn patient was read wrong by: its median is
    known much better than the lung and the muscle pressure that it was read with."""
    if fit.drive is not None and EFFORT in fit.recorded:
        off = now.quantities[EFFORT] - now.quantities[EFFORT][0]
        for side in sides:
            side[EFFORT] = side[EFFORT] + off


def noise(rng: np.random.Generator, n: int) -> Samples:
    """Standard normal draws, the estimate's left out."""
    own = rng.standard_normal(n)
    own[0] = 0.0
    return own


def moved(
    fit: Fit, key: str, value: float, before: Samples, after: Samples, rng: np.random.Generator, held: Held
) -> tuple[Samples, Samples]:
    """Draws of one recorded quantity, now and then.

    What the ventilator holds then, and did not now, is as it is simulated: what the model misses of the lung's own
    pressure does not go with it. What it holds then as now is off by the same: noise lifts the highest sample as much.
    """
    clock = key == "rate_per_min" and fit.drive is None
    if key in held.then and key not in held.now:
        own = RESOLUTION.get(key, RELATIVE_RESOLUTION * abs(float(after[0]))) * noise(rng, len(after))
        return value + fit.spreads[key] * noise(rng, len(before)), after + own
    resolution = timed(fit) if clock else WANDERING if key == "rate_per_min" else RELATIVE_RESOLUTION
    error = np.hypot(fit.spreads[key], RESOLUTION.get(key, resolution * abs(value)))
    if key in ("vti_ml", "vte_ml"):
        error = np.hypot(error, LEAK_DOUBT * fit.leaked_ml)
    factor = key in FACTORS and value > 0 and (before[np.isfinite(before)] > 0).all()
    then = value * after / before if factor else value + after - before
    missed = 0.0 if key in WORK or key in held.now & held.then else MISSED * (value - before[0])
    doubt = np.hypot(error, missed)
    own = noise(rng, len(before))
    return value + error * own, then + doubt * own


def timed(fit: Fit) -> float:
    """Relative standard error of a clock's rate: the quartz's, and that of a stretch whose first and last breath begin
    anywhere within a sample, each with a standard deviation of a sample over √12."""
    table = fit.breaths
    lasts = float(table["end_s"].max()) - float(table["start_s"].min())  # type: ignore[arg-type]
    return float(np.hypot(QUARTZ, np.sqrt(2 / 12) / float(fit.window.review.recording.rate_hz) / lasts))


def emptied_otherwise(after: dict[str, Samples], rng: np.random.Generator) -> None:
    """Doubt of trapped pressure in lungs that empty unevenly, or whose expiration may be limited by flow."""
    own, trapped = noise(rng, len(after["total_peep_cmh2o"])), max(0.0, float(after["intrinsic_peep_cmh2o"][0]))
    for key in ("total_peep_cmh2o", "intrinsic_peep_cmh2o"):
        after[key] = after[key] + (UNEVEN_FLOOR + UNEVEN_SHARE * trapped) * own


def uneven(fit: Fit) -> bool:
    """True where one compartment does not describe the lung, or gas leaves against much more resistance than it enters,
    so that expiration may be limited by flow.
    """
    review, theta = fit.window.review, fit.mechanics.theta
    narrow = theta[EXPIRATION] > NARROW * theta[INSPIRATION]
    return bool(fit.limitation or narrow or (review.mechanics["uneven"][fit.window.breaths] == 1).any())


def edges(draws: Samples) -> tuple[float, float, float]:
    """Estimate (the first draw) and 90 % interval; NaN for what is not known, and for the interval of a single draw.

    The interval holds the estimate, which need not be the middle of draws that lean to one side.
    """
    known = draws[np.isfinite(draws)]
    if not len(known):
        return (np.nan, np.nan, np.nan)
    first = float(draws[0]) if np.isfinite(draws[0]) else float(np.median(known))
    if len(draws) == 1:
        return first, np.nan, np.nan
    low, high = interval(known)
    return first, min(low, first), max(high, first)


def widened(draws: Samples, by: float, groups: npt.NDArray[np.bool_] | None = None) -> Samples:
    """Draws further from their middle, which is the estimate in its own group.

    Down by factors, so that what was positive stays so; up by differences, since a factor of a factor soon passes any
    lung.

    ``groups`` are kinds of lung, shape (n,): the way between two kinds is no doubt, and does not grow.
    """
    if by == 1.0 or not np.isfinite(draws[0]):
        return draws
    kinds = np.zeros(len(draws), bool) if groups is None else groups
    middle = np.full(len(draws), draws[0])
    other = kinds != kinds[0]
    if other.any():
        middle[other] = np.nanmedian(draws[other])
    if draws[0] > 0 and np.nanmin(draws) > 0:
        down, up = middle * (draws / middle) ** by, middle + by * (draws - middle)
        return np.asarray(np.where(draws < middle, down, up), np.float64)
    return np.asarray(middle + by * (draws - middle), np.float64)


def reaching(fit: Fit, side: Mapping[str, Samples], seed: int) -> Samples:
    """Alveolar ventilation of the same drawn patients, L/min."""
    rate, n = side["rate_per_min"], len(side["rate_per_min"])
    gas = fit.exchange.draw(np.random.default_rng([seed, 7]), n)
    volume = 1000 * side["minute_volume_l_min"] / rate
    return np.asarray(rate * np.maximum(volume - gas[:, 0], LEAST_REACHING * volume) * (1.0 - gas[:, 1]) / 1000)


def buffered(n: int, seed: int) -> Samples:
    """How much of what is buffered within hours counts: nothing of it in the estimate, up to half as much again in
    every other draw."""
    share = MOST_BUFFERED * np.random.default_rng([seed, 19]).random(n)
    share[0] = 0.0
    return share


def with_gases(
    fit: Fit, before: Mapping[str, Samples], quantities: Mapping[str, Samples], then: Prediction,
    rng: np.random.Generator, seed: int,
) -> dict[str, Samples]:  # fmt: skip
    """Quantities, and what blood gases would be beside them: of the same ventilation, draw by draw."""
    out, known = dict(quantities), fit.exchange
    paco2 = known.paco2(reaching(fit, before, seed), reaching(fit, quantities, seed))
    if paco2 is None or known.paco2_mmhg is None:
        return out
    n = len(paco2)
    paco2 = paco2 if fit.drive is None else widened(paco2, GAS_BREATHING)
    moves = abs(np.log(float(paco2[0]) / known.paco2_mmhg))
    doubt = CO2_FLOOR + CO2_SHARE * moves
    if known.capnogram is None and uneven(fit):
        doubt = np.hypot(doubt, known.alveolar_moves(moves))
    tension = np.clip(paco2 * np.exp(doubt * noise(rng, n)), *quantity("paco2_mmhg").plausible)
    out["paco2_mmhg"] = tension
    ph = known.ph(tension, buffered(n, seed))
    if ph is not None:
        out["ph"] = ph
    taken = known.draw(np.random.default_rng([seed, 7]), n)[:, 2]
    oxygen = known.oxygen(float(then.setting.get("fio2") or known.fio2 or 0.21), tension, taken)
    if oxygen is not None and known.pao2_mmhg is not None:
        doubt = OXYGEN_FLOOR + OXYGEN_SHARE * abs(np.log(float(oxygen[0]) / known.pao2_mmhg))
        out["pao2_mmhg"] = oxygen * np.exp(doubt * noise(rng, n))
        out["sao2"] = known.saturation(out["pao2_mmhg"], tension)
    return out


def extrapolated(fit: Fit, after: Mapping[str, Samples]) -> tuple[list[str], float]:
    """What, as it is told, leaves the recorded range of volume and pressure, in words, and by how much intervals widen.

    Where levels of PEEP have shown how recoil bends, pressure's range is theirs and not the stretch's.
    """
    levels, spans = fit.bend or fit.steps, []
    for key, below in (("vti_ml", True), ("peak_pressure_cmh2o", False)):
        known = fit.seen(key)
        if len(known) and (key == "vti_ml" or levels is None):
            spans.append((key, float(known.min()), float(known.max()), below))
    if levels is not None:
        spans.append(("plateau_pressure_cmh2o", *levels.seen, False))
        spans.append(("total_peep_cmh2o", *levels.seen, True))
    else:
        known = fit.seen("peep_cmh2o")
        spans += [("peep_cmh2o", float(known.min()), float(known.max()), True)] if len(known) else []
    said, most = [], 0.0
    for key, low, high, below in spans:
        value = float(after[key][0])
        span = RECOIL_CMH2O if key in ("peep_cmh2o", "total_peep_cmh2o") else max(high - low, 0.2 * high)
        off = max(value - high, low - value if below else 0.0, 0.0) / span
        if off > BEYOND:
            record = quantity(key)
            seen = f"{record.text(low, unit=False)} to {record.text(high)}"
            said.append(f"{record.label} would be {record.text(value)}; {seen} were recorded")
            if key != "peep_cmh2o":  # its doubt is that of elastance away from the levels seen
                most = max(most, off)
    return said, 1.0 + (WIDER - 1.0) * min(most, 2.0)
