"""Where oxygenation stands in published definitions of ARDS, and what each still needs. Nothing is assumed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from tidebench.care.gases.indices import CORRECTED_BELOW_MMHG, HIGH_FLOW, TUBES
from tidebench.care.gases.moment import Moment
from tidebench.care.gases.records import SAID, Grade, Value
from tidebench.limits import population
from tidebench.quantities import quantity

FACE_MASK = "mask"
MASKS = (FACE_MASK, "nasal mask", "helmet")
LEAST_PEEP_CMH2O = 5.0
LEAST_HIGH_FLOW_L_MIN = 30.0
ALWAYS = ("imaging", "timing", "cause")

BERLIN, BERLIN_SOURCE = "ARDS, Berlin 2012", "ARDS Definition, JAMA 2012;307:2526"
GLOBAL, GLOBAL_SOURCE = "ARDS, global 2023", "Am J Respir Crit Care Med 2024;209:37 (secondary)"
PALICC, PALICC_SOURCE = "paediatric ARDS, PALICC 2015", "Pediatr Crit Care Med 2015;16:428"
MONTREUX, MONTREUX_SOURCE = "neonatal ARDS, Montreux 2017", "Lancet Respir Med 2017;5:657 (from memory)"
TERM_WEEKS = 37.0
PERINATAL = (
    "lung disease of birth is excluded from the definition, and in a newborn nobody has said that it is not that "
    "(--said not-perinatal)"
)
NEWBORN = (
    "the definition made for newborns; not applied here, since it asks for what no gas shows: no respiratory distress "
    "syndrome of prematurity, no transient tachypnoea, no malformation; imaging, onset within a week, oedema that the "
    "heart does not explain. Then it goes by the oxygenation index"
)
PALICC_2, PALICC_2_SOURCE = "paediatric ARDS, PALICC-2 2023", "Pediatr Crit Care Med 2023;24:143 (secondary)"

Bands = tuple[tuple[str, float], ...]
PF_BANDS: Bands = (("severe", 100.0), ("moderate", 200.0), ("mild", 300.0))
SF_BANDS: Bands = (("severe", 148.0), ("moderate", 235.0), ("mild", 315.0))
"""Up to and with the limit; above the last the criterion is not met."""
OI_BANDS: Bands = (("severe", 16.0), ("moderate", 8.0), ("mild", 4.0))
OSI_BANDS: Bands = (("severe", 12.3), ("moderate", 7.5), ("mild", 5.0))
OI_BANDS_2: Bands = (("severe", 16.0), ("mild-moderate", 4.0))
OSI_BANDS_2: Bands = (("severe", 12.0), ("mild-moderate", 5.0))
"""From the limit on; below the last the criterion is not met."""
NOT_MET = "criterion of oxygenation not met"


def up_to(value: float, bands: Bands) -> str:
    """The band of a ratio that falls as oxygenation gets worse."""
    return next((word for word, limit in bands if value <= limit), NOT_MET)


def at_least(value: float, bands: Bands) -> str:
    """The band of an index that rises as oxygenation gets worse."""
    return next((word for word, limit in bands if value >= limit), NOT_MET)


@dataclass(frozen=True)
class _Definition:
    moment: Moment
    indices: Mapping[str, Value]
    name: str
    source: str
    also: tuple[str, ...] = ()

    @property
    def needed(self) -> tuple[str, ...]:
        said = self.moment.typed.said
        return tuple(SAID[word] for word in (*ALWAYS, *self.also) if word not in said)

    def no(self, reason: str) -> Grade:
        return Grade(self.name, self.source, None, reason=reason, needed=self.needed)

    def by(self, choices: tuple[tuple[str, Callable[[float, Bands], str], Bands], ...]) -> Grade:
        """By the first index that has a value."""
        for key, band, bands in choices:
            value = self.indices[key].value
            if value is not None:
                severity = band(value, bands)
                close = band(round(value, quantity(key).decimals), bands) != severity
                needed = () if severity == NOT_MET else self.needed
                return Grade(self.name, self.source, severity, key, value, close, needed=needed)
        reasons = dict.fromkeys(f"{quantity(key).symbol}: {self.indices[key].reason}" for key, _, _ in choices)
        return self.no("; ".join(reasons))

    def support_lacks(self, asked: float = LEAST_PEEP_CMH2O) -> str:
        """Why PEEP or CPAP does not meet what is asked; empty where it does."""
        peep = self.moment.peep
        if self.moment.on_t_piece:
            return "the gas was taken on a T-piece, without PEEP or CPAP"
        if peep.value is None:
            return f"needs PEEP or CPAP: {peep.origin}"
        return f"PEEP or CPAP {peep.value:g} is below the {asked:g} cmH2O asked for" if peep.value < asked else ""


def all_grades(moment: Moment, indices: tuple[Value, ...]) -> tuple[Grade, ...]:
    """Grades of the definitions for the patient's age."""
    told, by_key = population(moment.case.patient), {value.key: value for value in indices}
    if told.group is None:
        reason = "no age is given, so no definition is chosen"
        return (Grade("ARDS", "", None, reason=reason),)
    if told.group == "adult":
        return (
            _berlin(_Definition(moment, by_key, BERLIN, BERLIN_SOURCE)),
            _global(_Definition(moment, by_key, GLOBAL, GLOBAL_SOURCE)),
        )
    young = ("not-perinatal",) if told.group == "newborn" or _born_early(moment) else ()
    first = _Definition(moment, by_key, PALICC, PALICC_SOURCE, young)
    second = _Definition(moment, by_key, PALICC_2, PALICC_2_SOURCE, ("four-hours", *young))
    if told.group == "newborn" and "not-perinatal" not in moment.typed.said:
        own = Grade(MONTREUX, MONTREUX_SOURCE, None, reason=NEWBORN)
        return first.no(PERINATAL), second.no(PERINATAL), own
    return _palicc(first), _palicc_2(second)


def _born_early(moment: Moment) -> bool:
    weeks = moment.case.patient.gestational_age_weeks
    return weeks is not None and weeks < TERM_WEEKS


def _pf_key(definition: _Definition) -> str:
    """P/F, corrected where the air is thin."""
    pressure = definition.moment.pressure.value
    return "pf_sea_level_mmhg" if pressure is not None and pressure < CORRECTED_BELOW_MMHG else "pf_ratio_mmhg"


def _berlin(definition: _Definition) -> Grade:
    interface = definition.moment.case.airway.interface
    if interface is None:
        return definition.no("the interface is not stated")
    if interface not in (*TUBES, *MASKS):
        return definition.no(f"needs PEEP or CPAP of at least 5 cmH2O; the interface is {interface}")
    if lacking := definition.support_lacks():
        return definition.no(lacking)
    grade = definition.by(((_pf_key(definition), up_to, PF_BANDS),))
    if interface in MASKS and grade.severity in ("moderate", "severe"):
        found = f"{quantity(grade.key).symbol} {quantity(grade.key).text(grade.value)}"
        return definition.no(f"{found}: without a tube this definition has the mild class only (from memory)")
    return grade


def _global(definition: _Definition) -> Grade:
    moment = definition.moment
    interface = moment.case.airway.interface
    if interface is None:
        return definition.no("the interface is not stated")
    thin = _pf_key(definition) == "pf_sea_level_mmhg"
    if interface in TUBES:
        if lacking := definition.support_lacks():
            return definition.no(f"{lacking} (from memory)")
        return definition.by(_ratios(definition, PF_BANDS, SF_BANDS, thin))
    if interface == HIGH_FLOW:
        flow = moment.typed.high_flow_l_min
        if flow is None:
            return definition.no("needs the flow of the cannula (--high-flow)")
        if flow < LEAST_HIGH_FLOW_L_MIN:
            return definition.no(f"flow {flow:g} is below the 30 L/min asked for")
    elif interface in MASKS:
        if lacking := definition.support_lacks():
            return definition.no(lacking)
    else:
        return definition.no(f"the interface is {interface}")
    one = "not intubated (without classes)"
    return definition.by(_ratios(definition, ((one, 300.0),), ((one, 315.0),), thin))


def _ratios(
    definition: _Definition, pf: Bands, sf: Bands, thin: bool
) -> tuple[tuple[str, Callable[[float, Bands], str], Bands], ...]:
    """P/F, else S/F; in thin air P/F alone, since its correction is not published for S/F as far as was seen."""
    first = (_pf_key(definition), up_to, pf)
    return (first,) if thin else (first, ("sf_ratio", up_to, sf))


def _palicc(definition: _Definition) -> Grade:
    interface = definition.moment.case.airway.interface
    if interface in TUBES:
        return definition.by(
            (("oxygenation_index", at_least, OI_BANDS), ("oxygen_saturation_index", at_least, OSI_BANDS))
        )
    one: Bands = (("without a tube (without classes)", 300.0),)
    return _by_mask(definition, one, (("without a tube (without classes)", 264.0),))


def _palicc_2(definition: _Definition) -> Grade:
    interface = definition.moment.case.airway.interface
    if interface in TUBES:
        return definition.by(
            (("oxygenation_index", at_least, OI_BANDS_2), ("oxygen_saturation_index", at_least, OSI_BANDS_2))
        )
    pf: Bands = (
        ("severe, without a tube (from memory)", 100.0),
        ("mild-moderate, without a tube (from memory)", 300.0),
    )
    sf: Bands = (
        ("severe, without a tube (from memory)", 150.0),
        ("mild-moderate, without a tube (from memory)", 250.0),
    )
    return _by_mask(definition, pf, sf)


def _by_mask(definition: _Definition, pf: Bands, sf: Bands) -> Grade:
    interface = definition.moment.case.airway.interface
    if interface is None:
        return definition.no("the interface is not stated")
    if interface != FACE_MASK:
        return definition.no(
            f"needs a tube, or a face mask with CPAP of at least 5 cmH2O; the interface is {interface}"
        )
    if lacking := definition.support_lacks():
        return definition.no(lacking)
    return definition.by((("pf_ratio_mmhg", up_to, pf), ("sf_ratio", up_to, sf)))
