"""Every index of one gas: its value, or the reason why there is none."""

from __future__ import annotations

from collections.abc import Callable

from tidebench.care.gases.moment import Moment
from tidebench.care.gases.records import Fact, Value
from tidebench.errors import OptionError
from tidebench.formulas import acid_base, gas_exchange, indices, oxygenation
from tidebench.quantities import quantity

HIGH_FLOW = "high-flow cannula"
TUBES = ("endotracheal tube", "tracheostomy tube")
BEYOND_ALVEOLAR = "PaO2 above the alveolar one: FiO2, site, barometric pressure or the numbers are not of one moment"
FROM_CAPNOGRAM = (
    "bohr_dead_space_fraction",
    "airway_dead_space_ml",
    "alveolar_pco2_mmhg",
    "alveolar_slope_mmhg_l",
)
"""What only the curve of carbon dioxide over expired volume tells."""
CORRECTED_BELOW_MMHG = oxygenation.barometric_pressure_mmhg(oxygenation.CORRECTED_ABOVE_M)
"""Barometric pressure at 1000 m of the standard atmosphere."""


def all_indices(moment: Moment) -> tuple[Value, ...]:
    """Indices in the order in which they are read: acid and base, oxygen, ventilation, delivery."""
    return (*_acid_base(moment), *_oxygen(moment), *_ventilation(moment), *_delivery(moment))


def value_of(key: str, formula: Callable[..., float], *facts: Fact, place: int = 4) -> Value:
    """A formula of facts; without one of them, or outside the formula's domain, the reason."""
    missing = dict.fromkeys(fact.origin for fact in facts if fact.value is None)
    if missing:
        return Value(key, None, "; ".join(missing))
    made_of = tuple(f"{fact.name} {_number(fact.value)} ({fact.origin})" for fact in facts)
    try:
        value = float(formula(*(fact.value for fact in facts)))
    except OptionError as error:
        return Value(key, None, str(error).rstrip("."), made_of)
    if key and (beyond := _beyond(key, value)):
        return Value(key, None, beyond, made_of)
    return Value(key, round(value, place), "", made_of)


def _beyond(key: str, value: float) -> str:
    """Why a computed value can't be; empty where it can."""
    record = quantity(key)
    low, high = record.plausible
    if low <= value <= high:
        return ""
    return f"it would be {value:.4g} {record.unit}".rstrip() + f", beyond {record.bounds(low, high)}: check its numbers"


def as_fact(value: Value, name: str) -> Fact:
    """An index as a fact of another."""
    return Fact(name, value.value, value.reason or "computed")


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.4g}"


def _acid_base(moment: Moment) -> tuple[Value, ...]:
    bicarbonate = moment.bicarbonate
    sodium = moment.of_typed("sodium_mmol_l", "sodium", "--sodium")
    chloride = moment.of_typed("chloride_mmol_l", "chloride", "--chloride")
    gap = value_of("anion_gap_mmol_l", acid_base.anion_gap_mmol_l, sodium, chloride, bicarbonate)
    return (
        value_of("base_excess_mmol_l", acid_base.base_excess_mmol_l, moment.arterial("ph"), bicarbonate),
        gap,
        value_of(
            "corrected_anion_gap_mmol_l",
            acid_base.albumin_corrected_gap_mmol_l,
            as_fact(gap, "anion gap"),
            moment.of_typed("albumin_g_dl", "albumin", "--albumin"),
        ),
    )


def alveolar(moment: Moment) -> Value:
    """Alveolar oxygen pressure by the full equation."""
    return value_of(
        "alveolar_po2_mmhg",
        gas_exchange.alveolar_po2_mmhg,
        moment.fio2,
        moment.arterial("paco2_mmhg"),
        moment.pressure,
    )


def _oxygen(moment: Moment) -> tuple[Value, ...]:
    pao2, paco2, fio2, spo2 = (
        moment.arterial("pao2_mmhg"),
        moment.arterial("paco2_mmhg"),
        moment.fio2,
        moment.noted("spo2"),
    )
    pressure, site = moment.noted("mean_pressure_cmh2o"), "arterial"
    above = alveolar(moment)
    if above.value is not None and pao2.value is not None and pao2.value > above.value:
        pao2 = Fact(pao2.name, None, BEYOND_ALVEOLAR)
    alveoli = as_fact(above, "PAO2")
    short = value_of("", oxygenation.simplified_alveolar_po2_mmhg, fio2, paco2, moment.pressure)
    pf = value_of("pf_ratio_mmhg", lambda po2, share: indices.pf_ratio_mmhg(po2, share, site), pao2, fio2)
    return (
        pf,
        _at_sea_level(moment, pf),
        value_of("sf_ratio", oxygenation.sf_ratio, _followed(spo2), fio2),
        value_of(
            "oxygenation_index",
            lambda mean, share, po2: indices.oxygenation_index(mean, share, po2, site),
            pressure,
            fio2,
            pao2,
        ),
        value_of("oxygen_saturation_index", indices.oxygen_saturation_index, pressure, fio2, _followed(spo2)),
        above,
        _difference("aa_difference_mmhg", alveoli, pao2),
        _difference("aa_simplified_mmhg", as_fact(short, "PAO2, simplified"), pao2),
        value_of("arterial_alveolar_ratio", oxygenation.arterial_alveolar_ratio, pao2, alveoli),
        _rox(moment, spo2),
    )


def _followed(spo2: Fact) -> Fact:
    """SpO2 where it still follows oxygen pressure."""
    if spo2.value is None or spo2.value <= indices.HIGHEST_SPO2:
        return spo2
    above = f"SpO2 {100 * spo2.value:.0f} % is above 97 %, where it no longer follows oxygen pressure"
    return Fact(spo2.name, None, above)


def _at_sea_level(moment: Moment, pf: Value) -> Value:
    key, pressure = "pf_sea_level_mmhg", moment.pressure
    if pressure.value is not None and pressure.value >= CORRECTED_BELOW_MMHG:
        return Value(key, None, f"for altitudes above 1000 m (below {CORRECTED_BELOW_MMHG:.0f} mmHg)")
    return value_of(key, oxygenation.pf_at_sea_level_mmhg, as_fact(pf, "P/F"), pressure)


def _difference(key: str, alveoli: Fact, pao2: Fact) -> Value:
    found = value_of(key, lambda above, below: above - below, alveoli, pao2)
    if found.value is not None and found.value < 0.0:
        return Value(key, None, BEYOND_ALVEOLAR, found.made_of)
    return found


def _rox(moment: Moment, spo2: Fact) -> Value:
    interface = moment.case.airway.interface
    if interface != HIGH_FLOW:
        return Value("rox_index", None, f"only under high-flow oxygen; the interface is {interface or 'not stated'}")
    return value_of("rox_index", oxygenation.rox_index, spo2, moment.fio2, moment.noted("rate_per_min"))


def dead_space(moment: Moment) -> Value:
    """Enghoff's dead space over tidal volume."""
    arterial = moment.arterial("paco2_mmhg")
    return value_of("dead_space_fraction", gas_exchange.dead_space_fraction, arterial, moment.expired)


def _ventilation(moment: Moment) -> tuple[Value, ...]:
    paco2, minute, fraction = moment.arterial("paco2_mmhg"), moment.minute_volume, dead_space(moment)
    return (
        value_of("ventilatory_ratio", indices.ventilatory_ratio, minute, paco2, moment.weight),
        fraction,
        *(value_of(key, float, moment.measured(key)) for key in FROM_CAPNOGRAM),
        _elimination(moment),
        value_of(
            "alveolar_ventilation_l_min",
            lambda volume, dead: volume * (1.0 - dead),
            minute,
            as_fact(fraction, "VD/VT"),
        ),
        value_of(
            "arterial_end_tidal_difference_mmhg", lambda blood, gas: blood - gas, paco2, moment.noted("etco2_mmhg")
        ),
    )


def _elimination(moment: Moment) -> Value:
    """CO2 elimination of recorded breaths, unless PECO2 was typed; else by minute volume and PECO2."""
    key, seen = "co2_elimination_ml_min", moment.measured("co2_elimination_ml_min")
    if seen.value is not None and moment.typed.mixed_expired_pco2_mmhg is None:
        return value_of(key, float, seen)
    return value_of(key, gas_exchange.co2_elimination_ml_min, moment.minute_volume, moment.expired)


def saturation(moment: Moment) -> Fact:
    """Arterial saturation: measured in the sample, else by the pulse oximeter, else from PaO2 and pH."""
    measured, pulse = moment.arterial("sao2"), moment.noted("spo2")
    pao2, ph = moment.arterial("pao2_mmhg"), moment.arterial("ph")
    if measured.value is not None or pao2.value is None or ph.value is None:
        return measured
    if pulse.value is not None:
        return Fact(measured.name, pulse.value, f"by the pulse oximeter, {pulse.origin}")
    value = float(gas_exchange.oxygen_saturation(pao2.value, ph.value))
    return Fact(measured.name, value, "from PaO2 and pH by Severinghaus")


def _delivery(moment: Moment) -> tuple[Value, ...]:
    haemoglobin = moment.arterial("haemoglobin_g_dl")
    content = value_of(
        "oxygen_content_ml_dl",
        oxygenation.measured_content_ml_dl,
        saturation(moment),
        moment.arterial("pao2_mmhg"),
        haemoglobin,
    )
    output = moment.of_typed("cardiac_output_l_min", "cardiac output", "--cardiac-output")
    return (
        content,
        value_of("oxygen_delivery_ml_min", oxygenation.oxygen_delivery_ml_min, output, as_fact(content, "CaO2")),
        _shunt(moment, content, haemoglobin),
    )


def _shunt(moment: Moment, content: Value, haemoglobin: Fact) -> Value:
    mixed = moment.of_typed("mixed_venous_saturation", "mixed venous saturation", "--mixed-venous")
    above = as_fact(alveolar(moment), "PAO2")
    return value_of("shunt_fraction", _admixture, above, as_fact(content, "CaO2"), mixed, haemoglobin)


def _admixture(alveolar_mmhg: float, arterial: float, mixed: float, haemoglobin: float) -> float:
    """Shunt, with end-capillary blood at alveolar tension and venous tension from its saturation."""
    saturated = float(gas_exchange.oxygen_saturation(alveolar_mmhg))
    capillary = oxygenation.measured_content_ml_dl(saturated, alveolar_mmhg, haemoglobin)
    tension = float(oxygenation.oxygen_tension_mmhg(mixed))
    return oxygenation.venous_admixture(
        capillary, arterial, oxygenation.measured_content_ml_dl(mixed, tension, haemoglobin)
    )
