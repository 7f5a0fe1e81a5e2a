"""All blood gases of a case, read in order of time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from tidebench.care.gases.acid_base import read_acid_base
from tidebench.care.gases.grades import all_grades
from tidebench.care.gases.held import held_against
from tidebench.care.gases.indices import HIGH_FLOW, all_indices, saturation
from tidebench.care.gases.moment import Moment, in_order, known_of, moment_of, ordered
from tidebench.care.gases.records import SAID, Conditions, GasesPage, GasReading, Typed, Value
from tidebench.care.gases.target import checked, ventilation_for
from tidebench.care.gases.trend import changed, trend
from tidebench.case import Case
from tidebench.caution import CAUTION
from tidebench.doubts import doubts
from tidebench.entries import Within
from tidebench.errors import CaseError, OptionError
from tidebench.formulas.capnography import expected_dead_space_ml
from tidebench.formulas.gas_exchange import at_body_temperature
from tidebench.formulas.oxygenation import expected_difference_mmhg
from tidebench.formulas.tube import TUBES
from tidebench.limits import (
    Condition,
    Limit,
    Policy,
    conditions_of,
    limits_of_case,
    on_oxygen,
    policy_statement,
    population,
)
from tidebench.quantities import quantity

if TYPE_CHECKING:
    import polars as pl

STATED = ("ph", "paco2_mmhg", "pao2_mmhg", "hco3_mmol_l", "sao2", "haemoglobin_g_dl")
ROX_TEXT = (
    "ROX of at least 4.88 at 2, 6 and 12 h of high flow went with less intubation in pneumonia (Roca 2019); how long "
    "it has been going is not in the case, so it is not judged."
)
VR_TEXT = "The ventilatory ratio takes CO2 production as usual: fever, feeding and restlessness raise it too."
VR_LEAK_TEXT = (
    "The ventilatory ratio was found in patients with a tube: without one minute volume is in doubt, by gas that leaks "
    "out."
)
BOHR_TEXT = (
    "Bohr's dead space, airway dead space and alveolar slope are those of the breaths within 5 min, at their volume "
    "and PEEP. Enghoff's, by PaCO2, holds shunt and alveoli without blood too."
)
SHUNT_TEXT = "Below FiO2 1.0, venous admixture holds alveoli with little ventilation too."
SATURATION_TEXT = "No SaO2 is stated: oxygen content, delivery and shunt use a saturation {}."
MOST_CO2_ML_MIN = 500.0
CO2_TEXT = (
    "CO2 elimination above 500 mL/min is more than an adult at rest makes: 200 mL/min, 300 to 400 in critical illness "
    "(from memory): check minute volume and mixed expired PCO2, or the patient was not in a steady state."
)
DELIVERED = {"oxygen_content_ml_dl", "oxygen_delivery_ml_min", "shunt_fraction"}
NOTED = ("spo2", "etco2_mmhg")
TYPED: dict[str, tuple[str, Within]] = {
    "barometric_mmhg": ("--barometric", Within(250.0, 850.0, "mmHg", {"kPa": 7.50062})),
    "altitude_m": ("--altitude", Within(-500.0, 8000.0, "m")),
    "temperature_c": ("--temperature", Within(20.0, 43.0, "°C")),
    "high_flow_l_min": ("--high-flow", Within(0.5, 100.0, "L/min")),
    "mixed_expired_pco2_mmhg": ("--expired-pco2", Within(0.0, 150.0, "mmHg", {"kPa": 7.50062})),
    "cardiac_output_l_min": ("--cardiac-output", Within(0.05, 30.0, "L/min", {"mL/min": 0.001})),
    "mixed_venous_saturation": ("--mixed-venous", Within(0.05, 0.99, "as a fraction", {"per cent": 0.01})),
    "sodium_mmol_l": ("--sodium", Within(90.0, 200.0, "mmol/L")),
    "chloride_mmol_l": ("--chloride", Within(50.0, 160.0, "mmol/L")),
    "albumin_g_dl": ("--albumin", Within(0.5, 7.0, "g/dL", {"g/L": 0.1})),
}
"""Numbers that a person adds: what the command line calls each, and what it can be."""
ROOM_AIR = 0.21


def read_gases(
    case: Case,
    *,
    typed: Typed | None = None,
    target_paco2_mmhg: float | None = None,
    breaths: pl.DataFrame | None = None,
    name: str = "CASE",
    policy: Policy | None = None,
    conditions: Iterable[Condition] = (),
) -> GasesPage:
    """Read every blood gas of a case.

    Parameters
    ----------
    case : Case
        With at least one blood gas.
    typed : Typed or None
        What a person adds.
    target_paco2_mmhg : float or None
        A PaCO2 to bring the last arterial gas to, 15 to 150 mmHg.
    breaths : DataFrame or None
        The breath table of a review of this case, for numbers that were not noted.
    name : str
        What the case is called in the command that rehearses a target.
    policy : Policy or None
        A house's limits, against which numbers are held instead of published ones.
    conditions : iterable of str
        What a person has said of the patient, such as ``"ARDS"``: limits that presuppose it then hold. The case's own
        ``condition`` is among them where a limit knows it.

    Raises
    ------
    CaseError
        The case has no blood gas.
    OptionError
        A typed number can't be one.
    """
    if not case.blood_gases:
        raise CaseError(
            "this case has no blood gases",
            where="[[blood_gases]]",
            remedy="Add a table with ph, paco2_mmhg, pao2_mmhg.",
        )
    target = None if target_paco2_mmhg is None else checked(target_paco2_mmhg)
    typed = _checked(typed or Typed(), len(case.blood_gases))
    said = tuple(dict.fromkeys((*conditions, *conditions_of(case.patient, case.condition))))
    limits = limits_of_case(case, policy=policy, conditions=conditions)
    gases = in_order(case)
    chosen = typed.gas or len(gases)
    known_of_case = known_of(case)
    moments = [
        moment_of(case, gas, _for(typed, n == chosen), breaths, known_of_case) for n, gas in enumerate(gases, start=1)
    ]
    read = [(moment, _read(n, moment, limits)) for n, moment in enumerate(moments, start=1)]
    known = tuple(gas for _, gas in read)
    return GasesPage(
        case.title,
        known,
        trend(known) if ordered(case) else (),
        changed(known) if ordered(case) else (),
        None if target is None else ventilation_for(target, read, name, limits, policy),
        "" if policy is None else policy_statement(policy, case.patient, conditions=said, among=(*STATED, *NOTED)),
        CAUTION,
        tuple(doubts(case)),
    )


def _checked(typed: Typed, count: int) -> Typed:
    if typed.gas is not None and not 1 <= typed.gas <= count:
        raise OptionError(f"there is no gas {typed.gas}", where="--gas", expected=f"1 to {count}, in order of time")
    if typed.barometric_mmhg is not None and typed.altitude_m is not None:
        raise OptionError("both are given", where="--barometric and --altitude", expected="one of them")
    unknown = sorted(typed.said - SAID.keys())
    if unknown:
        raise OptionError(
            f"{unknown[0]!r} is nothing that a definition asks for", where="--said", expected=", ".join(SAID)
        )
    for field, (option, bounds) in TYPED.items():
        value = getattr(typed, field)
        if value is None or bounds.low <= value <= bounds.high:
            continue
        slip = bounds.slip(value)
        raise OptionError(
            f"{value:g} can't be used", where=option,
            expected=f"{bounds.low:g} to {bounds.high:g} {bounds.unit}".rstrip(),
            remedy="" if slip is None else f"Was that in {slip[0]}? Then write {slip[1]:.4g}.",
        )  # fmt: skip
    return typed


def _for(typed: Typed, chosen: bool) -> Typed:
    """What was typed for one gas is not the others'."""
    if chosen:
        return typed
    return replace(
        typed,
        temperature_c=None,
        cardiac_output_l_min=None,
        mixed_expired_pco2_mmhg=None,
        mixed_venous_saturation=None,
        sodium_mmol_l=None,
        chloride_mmol_l=None,
        albumin_g_dl=None,
    )


def _read(number: int, moment: Moment, limits: Iterable[Limit]) -> GasReading:
    gas, indices = moment.gas, all_indices(moment)
    stated = tuple(Value(key, value) for key in STATED if (value := getattr(gas, key)) is not None)
    if gas.hco3_mmol_l is None and (computed := moment.bicarbonate).value is not None:
        stated = (*stated, Value("hco3_mmol_l", round(computed.value, 4), made_of=(computed.origin,)))
    return GasReading(
        number,
        moment.at_s,
        None if gas.time is None else gas.time.isoformat(sep=" ", timespec="minutes"),
        _conditions(moment),
        stated,
        indices,
        _warmed(moment),
        read_acid_base(moment, indices),
        all_grades(moment, indices),
        _notes(moment, indices),
        held_against((on_oxygen(limit, moment.fio2.value) for limit in limits), _judged(moment, stated)),
        tuple(value.key for value in stated if moment.against(value.key)),
    )


def _judged(moment: Moment, stated: tuple[Value, ...]) -> dict[str, float]:
    """What limits are held against: numbers of arterial blood, and those noted beside it that tell of gases."""
    by_key = {value.key: value.value for value in stated} if moment.gas.site == "arterial" else {}
    arterial = {key: value for key, value in by_key.items() if not moment.against(key)}
    noted = {key: moment.noted(key).value for key in NOTED}
    return {key: value for key, value in {**noted, **arterial}.items() if value is not None}


def _conditions(moment: Moment) -> Conditions:
    setting, pressure = moment.setting, moment.pressure
    return Conditions(
        moment.gas.site,
        moment.fio2.value,
        moment.peep.value,
        None if setting is None else setting.mode,
        moment.case.airway.interface,
        round(pressure.value or 760.0, 1),
        pressure.origin,
        moment.trial,
        moment.on_t_piece,
        moment.given,
        moment.breathed,
    )


def _warmed(moment: Moment) -> tuple[Value, ...]:
    """The gas at the patient's temperature; empty where none was typed, or a tension is missing."""
    ph, paco2, pao2 = (moment.arterial(key).value for key in ("ph", "paco2_mmhg", "pao2_mmhg"))
    warm = moment.typed.temperature_c
    if warm is None or ph is None or paco2 is None or pao2 is None:
        return ()
    values = at_body_temperature(ph, paco2, pao2, warm)
    return tuple(
        Value(key, round(value, 4), made_of=(f"at {warm:g} °C",))
        for key, value in zip(("ph", "paco2_mmhg", "pao2_mmhg"), values, strict=True)
    )


def _notes(moment: Moment, indices: tuple[Value, ...]) -> tuple[str, ...]:
    """What a reader must know of the values that are there."""
    has = {value.key for value in indices if value.value is not None}
    notes = []
    if moment.case.airway.interface == HIGH_FLOW and "rox_index" in has:
        notes.append(ROX_TEXT)
    if "ventilatory_ratio" in has:
        notes.append(VR_TEXT)
        if moment.case.airway.interface not in (None, *TUBES):
            notes.append(VR_LEAK_TEXT)
    if "bohr_dead_space_fraction" in has:
        notes += [BOHR_TEXT, *_usual_dead_space(moment)]
    made = next((value.value for value in indices if value.key == "co2_elimination_ml_min"), None)
    if made is not None and made > MOST_CO2_ML_MIN and population(moment.case.patient).group == "adult":
        notes.append(CO2_TEXT)
    if "shunt_fraction" in has and moment.fio2.value != 1.0:
        notes.append(SHUNT_TEXT)
    if "aa_difference_mmhg" in has and (usual := _usual_difference(moment)):
        notes.append(usual)
    if moment.typed.temperature_c is not None:
        notes.append("Indices, reading and classes use the gas as measured, at 37 °C.")
    if has & DELIVERED and moment.arterial("sao2").value is None:
        notes.append(SATURATION_TEXT.format(saturation(moment).origin))
    return tuple(notes)


def _usual_dead_space(moment: Moment) -> list[str]:
    """The airway dead space of a healthy person of that height."""
    height = moment.case.patient.height_cm
    if height is None or not 100.0 <= height <= 200.0:
        return []
    usual = quantity("airway_dead_space_ml").text(float(expected_dead_space_ml(height)))
    return [
        f"Airway dead space of a healthy person of that height, without a tube: {usual} (Hart 1963, secondary). A tube "
        "leaves out about half of it; filter and mount add theirs."
    ]


def _usual_difference(moment: Moment) -> str:
    """The A-a difference of a healthy adult, on room air only."""
    age = moment.case.patient.age_years
    if age is None or moment.fio2.value != ROOM_AIR or population(moment.case.patient).group != "adult" or age > 110:
        return ""
    usual = float(expected_difference_mmhg(age))
    return (
        f"A-a difference of a healthy person of that age on room air: {usual:.0f} mmHg (Mellemgaard 1966, from memory) "
        f"or {age / 4 + 4:.0f} mmHg (teaching)."
    )
