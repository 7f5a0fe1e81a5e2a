"""What a condition of the lungs changes about the start, and why."""

from __future__ import annotations

from typing import NamedTuple

from tidebench.care.preparation.sheet import Line, Section, Subject, span
from tidebench.care.preparation.ventilation import Chooser
from tidebench.limits import Kind, Lungs
from tidebench.limits.practice import ITEMS
from tidebench.quantities import COMMON_PRACTICE

HOUSE: Kind = "house policy"
_TRIAL = "ARDS Network, N Engl J Med 2000;342:1301"
_PALICC = "PALICC-2, Pediatr Crit Care Med 2023;24:143 (from memory)"
_BRAIN = "Robba, Intensive Care Med 2020;46:2397, consensus (from memory)"
_LEATHERMAN = "Leatherman 1996 (secondary source)"
_RDS = "European consensus on respiratory distress syndrome 2022 (from memory)"
_KLINGENBERG = "Klingenberg, J Perinatol 2011;31:575"
_MASK = "BTS/ICS guideline, Thorax 2016;71:ii1 (from memory)"
_CARTEAUX = "Carteaux, Crit Care Med 2016;44:282 (from memory)"


class Change(NamedTuple):
    """What changes, why, and after whom; where it repeats numbers of an item of practice, a house's own stand there."""

    key: str
    what: str
    change: str
    why: str
    kind: str = "common practice"
    source: str = COMMON_PRACTICE
    item: str = ""
    own: str = "{}"


BY_TUBE: dict[Lungs, tuple[Change, ...]] = {
    "healthy lungs": (
        Change("volume", "volume", "moderate, by the weight for volumes",
               "Healthy lungs are hurt by large volumes as well."),
        Change("oxygen", "oxygen", "down early", "Pure oxygen for long collapses poorly ventilated lung."),
    ),
    "ARDS": (
        Change("volume", "volume", "toward 6 mL/kg, down to 4 where the plateau stays above its limit",
               "The part of the lung that still takes gas is small, and small volumes let fewer patients die.",
               "trial target", _TRIAL, "tidal_volume_ml_kg"),
        Change("peep", "PEEP", "by a table with FiO2, then by what the lung answers",
               "It holds open what a breath has opened; too much of it overstretches the rest.",
               "trial target", _TRIAL),
        Change("rate", "rate", "higher, up to 35 /min while expiration ends", "It makes up for the small volume.",
               "trial target", _TRIAL, "rate_per_min", "{} while expiration ends"),
        Change("carbon_dioxide", "carbon dioxide", "may rise, pH kept in its range",
               "Higher PaCO2 is less harmful than a high plateau, unless intracranial pressure is raised.",
               "trial target", _TRIAL),
        Change("hold", "first hold", "within the first minutes, passive, 0.5 s",
               "Plateau and driving pressure decide what the volume may be.", "trial target", _TRIAL),
    ),
    "obstructive": (
        Change("rate", "rate and I:E", "low rate, short inspiration, long expiration",
               "Slow emptying leaves gas behind: each breath then starts on the rest of the last."),
        Change("pressure", "peak pressure", "may be high; the plateau is what is kept in its limit",
               "The peak is spent in narrow airways, the plateau in the lung."),
        Change("hold", "expiratory hold", "early and after each change",
               "It shows trapped gas; with airways that close it shows too little of it.", "association", _LEATHERMAN),
        Change("peep", "PEEP", "low in a passive patient; below intrinsic PEEP where the patient triggers",
               "It eases the trigger, and adds to the pressure where nothing limits flow."),
        Change("circulation", "if blood pressure falls", "let the chest empty: off the circuit, for 20 to 30 s",
               "Trapped gas keeps blood from coming back. If it doesn't help, look for a pneumothorax."),
        Change("carbon_dioxide", "carbon dioxide", "may rise, toward the patient's usual PaCO2",
               "Forcing it down traps gas; in chronic retention a normal PaCO2 leaves the patient alkalotic."),
    ),
    "neuromuscular": (
        Change("help", "support", "full at first, with rest at night",
               "Weak muscles tire; the lungs are not the cause."),
        Change("trigger", "trigger", "sensitive, with a backup rate",
               "Weak efforts are missed, and breathing may stop in sleep."),
        Change("secretions", "secretions", "help with cough is planned from the start",
               "A weak cough fills the airways: most failures come from there."),
        Change("pressure", "pressures", "low, since the lungs are soft", "High ones would only overstretch.",
               "consensus", _MASK),
        Change("drugs", "drugs", "no depolarising muscle relaxant without asking",
               "In many muscle and nerve diseases it lets potassium rise."),
    ),
    "raised intracranial pressure": (
        Change("carbon_dioxide", "carbon dioxide", "PaCO2 kept where it is aimed at, EtCO2 watched in every breath",
               "High CO2 swells the brain, low CO2 starves it. Permissive hypercapnia doesn't go with it.",
               "consensus", _BRAIN),
        Change("oxygen", "oxygen", "PaO2 80 to 120 mmHg", "Low oxygen adds a second injury.", "consensus", _BRAIN,
               "pao2_mmhg", "PaO2 {}"),
        Change("peep", "PEEP", "as the lungs need it, changed while pressures are watched",
               "It hinders venous return from the head where it takes blood pressure away.", "consensus", _BRAIN),
        Change("handling", "suction and cough", "prepared for, short", "Each cough raises intracranial pressure."),
        Change("position", "position", "head up and in line, tube ties not tight around the neck",
               "Veins of the neck drain the brain."),
    ),
    "preterm RDS": (
        Change("volume", "volume", "4 to 5 mL/kg, below 0.7 kg 5 to 6, volume-targeted",
               "Compliance changes within minutes of surfactant: a "
               "fixed pressure would then overstretch.", "consensus", _KLINGENBERG, "tidal_volume_ml_kg",
               "{}, volume-targeted"),
        Change("peep", "PEEP", "5 to 8 cmH2O", "Without surfactant small lungs collapse in each expiration.",
               "consensus", _RDS, "peep_cmh2o"),
        Change("oxygen", "oxygen", "SpO2 0.90 to 0.94, never from pure oxygen",
               "Too much harms eyes and lungs, too little costs lives.", "consensus", _RDS, "spo2",
               "SpO2 {}, never from pure oxygen"),
        Change("time", "times", "short inspiration, fast rate", "Stiff lungs fill and empty fast."),
        Change("carbon_dioxide", "carbon dioxide", "no fast falls, not below 35 mmHg",
               "Low CO2 and its swings go with bleeding and injury of the brain."),
        Change("dead_space", "dead space", "the smallest sensor and mount; no heat and moisture exchanger",
               "A millilitre is a quarter of a small infant's breath."),
    ),
}  # fmt: skip

_CHILD_ARDS = (
    Change("volume", "volume", "6 to 8 mL/kg, less where pressures would be too high",
           "By the lower of actual and reference weight.", "consensus", _PALICC, "tidal_volume_ml_kg"),
    Change("peep", "PEEP", "not below the lower PEEP table", "Children given less fared worse.", "consensus", _PALICC),
    Change("pressure", "plateau", "within 28 cmH2O, 32 with a stiff chest wall", "As a bound, not an aim.",
           "consensus", _PALICC),
    Change("carbon_dioxide", "carbon dioxide", "may rise while pH stays at 7.20 or above",
           "Unless intracranial or pulmonary arterial pressure is raised.", "consensus", _PALICC),
)  # fmt: skip


_SEEN_EARLY = Change(
    "judged", "first hour", "rate, effort, oxygen and gas looked at; when a tube is taken is agreed on before",
    "Tubes that came late went with more deaths.",
)  # fmt: skip
_CO2_BY_MASK = Change(
    "carbon_dioxide", "carbon dioxide", "a rise is a sign of failure, not one to be accepted",
    "By mask it means that the patient tires, or that the leak takes the support away.",
)  # fmt: skip
BY_MASK: dict[Lungs, tuple[Change, ...]] = {
    "healthy lungs": tuple(change for change in BY_TUBE["healthy lungs"] if change.key == "oxygen"),
    "ARDS": (
        Change("volume", "volume", "seen, not set: expired volume above 9.5 mL/kg of predicted weight is a warning",
               "In patients with P/F up to 200 mmHg it went with failure; with a leak or in a helmet it can't be read.",
               "association", _CARTEAUX),
        Change("oxygen", "oxygen", "a need that doesn't fall within hours is a reason for a tube",
               "Without a tube neither volume nor pressure in the lung is known."),
        _CO2_BY_MASK,
        _SEEN_EARLY,
    ),
    "obstructive": (
        Change("rate", "rate and I:E", "low backup rate, short inspiration, long expiration",
               "Slow emptying leaves gas behind: each breath then starts on the rest of the last."),
        Change("peep", "PEEP", "below intrinsic PEEP", "It eases the trigger, and adds to the pressure where nothing "
               "limits flow."),
        Change("circulation", "if blood pressure falls", "take support away and let the chest empty",
               "Trapped gas keeps blood from coming back. If it doesn't help, look for a pneumothorax."),
        Change("carbon_dioxide", "carbon dioxide",
               "pH and rate better within 1 to 4 h, toward the patient's usual PaCO2",
               "Where they are not, the trial fails. In chronic retention a normal PaCO2 is none to aim at.",
               "consensus", _MASK),
    ),
    "neuromuscular": tuple(change for change in BY_TUBE["neuromuscular"] if change.key != "drugs"),
    "raised intracranial pressure": (
        Change("carbon_dioxide", "carbon dioxide", "PaCO2 kept where it is aimed at, by gases",
               "High CO2 swells the brain, low CO2 starves it; EtCO2 by mask reads too low.", "consensus", _BRAIN),
        *(one for one in BY_TUBE["raised intracranial pressure"] if one.key in ("oxygen", "peep")),
        Change("handling", "cough and straining", "eased", "Each cough raises intracranial pressure."),
        Change("position", "position", "head up and in line, straps not tight around the neck",
               "Veins of the neck drain the brain."),
    ),
    "preterm RDS": (
        Change("peep", "PEEP", "6 to 8 cmH2O from birth", "Without surfactant small lungs collapse in each expiration.",
               "consensus", _RDS, "mask_peep_cmh2o", "{} from birth"),
        *(one for one in BY_TUBE["preterm RDS"] if one.key in ("oxygen", "carbon_dioxide")),
        Change("leak", "leak", "mouth closed, prongs that fill the nostril without pressing it white",
               "What leaks out is pressure that the lungs don't get."),
    ),
}  # fmt: skip
"""Without a tube: no volume is set, no hold is done, and a plateau is not known."""
_CHILD_ARDS_BY_MASK = (
    Change("oxygen", "oxygen", "a need that doesn't fall within hours is a reason for a tube",
           "Within 0 to 6 h a child who gets no better is looked at again, and intubated where need be.", "consensus",
           _PALICC),
    _CO2_BY_MASK,
    _SEEN_EARLY,
)  # fmt: skip


def changes_of(subject: Subject) -> tuple[Change, ...]:
    """What the condition changes, by tube or without one."""
    if (subject.group, subject.lungs) == ("child", "ARDS"):
        return _CHILD_ARDS_BY_MASK if subject.mask else _CHILD_ARDS
    return (BY_MASK if subject.mask else BY_TUBE)[subject.lungs]


def condition_section(subject: Subject) -> Section:
    """What the condition changes, line by line."""
    lines = tuple(_line(change, subject) for change in changes_of(subject))
    title = "What healthy lungs ask for" if subject.lungs == "healthy lungs" else f"What changes: {subject.lungs}"
    return Section("condition", title, lines)


def _line(change: Change, subject: Subject) -> Line:
    """A change as a line, with a house's own numbers where it has any."""
    own = Chooser(subject).get(change.item) if change.item else None
    if own is None or own.kind != HOUSE:
        why = subject.by_interface(change.why)
        return Line(change.key, change.what, change.change, why=why, kind=change.kind, source=change.source)
    words = change.own.format(span(own.low, own.high, 2, ITEMS[own.item].unit))
    return Line(change.key, change.what, words, why=own.text, kind=own.kind, source=own.source)
