"""Blood gases as pages show them: sentences and rows, tensions in one unit; terminal, report and handover alike."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from tidebench.care.gases import AcidBase, GasesPage, GasReading, Grade, Held, TrendRow, Value, Ventilation
from tidebench.quantities import quantity
from tidebench.tensions import MMHG_PER_KPA, TensionUnit, in_unit, policy_in
from tidebench.views.verdicts import KINDS
from tidebench.views.wording import clock, mode_words, sentence

DOUBTED = "asked about, and used for nothing"
MOST_STEPS = 8
"""Values of a trend that a line holds; all of them stand in --json."""


@dataclass(frozen=True, slots=True)
class GasNumber:
    """A number of a gas: what it is, its short form, its value in words; where it comes from if that is not plain, and
    what it was made of.
    """

    key: str
    label: str
    symbol: str
    text: str
    origin: str = ""
    made_of: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class GasSection:
    """One gas: a heading, what it was taken under, its numbers, and lines by subject. ``at_body`` is at the patient's
    temperature, ``untold`` says what could not be computed and why.
    """

    heading: str
    conditions: str
    numbers: tuple[GasNumber, ...]
    at_body: str
    acid_base: str
    acid_base_lines: tuple[str, ...]
    held: tuple[str, ...]
    grades: tuple[str, ...]
    untold: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TargetSection:
    """The ventilation for a PaCO2: heading, lead, lines, further sentences, and the command that rehearses it."""

    heading: str
    lead: str
    lines: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    command: str = ""


@dataclass(frozen=True, slots=True)
class GasesView:
    """All gases of a case."""

    title: str
    policy: str
    gases: tuple[GasSection, ...]
    trend: tuple[str, ...]
    changed: tuple[str, ...]
    target: TargetSection | None
    caution: str
    doubts: tuple[str, ...] = ()


def gases_view(page: GasesPage, unit: TensionUnit = "mmHg") -> GasesView:
    """What a page of gases shows, tensions in mmHg or kPa."""
    words = _Words(unit)
    return GasesView(
        page.title,
        policy_in(page.policy, unit),
        tuple(words.section(gas) for gas in page.gases),
        tuple(words.trend(page)),
        tuple(words.say(line) for line in page.changed),
        None if page.ventilation is None else words.target(page.ventilation),
        page.caution,
        tuple(words.say(line) for line in page.doubts),
    )


@dataclass(frozen=True)
class _Words:
    unit: TensionUnit

    def say(self, words: str) -> str:
        """A sentence with its tensions in the unit of the page."""
        return in_unit(words, self.unit)

    def tension(self, mmhg: float, decimals: int = 1) -> str:
        return f"{mmhg / MMHG_PER_KPA:.1f} kPa" if self.unit == "kPa" else f"{mmhg:.{decimals}f} mmHg"

    def text(self, key: str, value: float | None, *, unit: bool = True) -> str:
        record = quantity(key, "blood_gases")
        if value is not None and record.unit == "mmHg" and self.unit == "kPa":
            return self.tension(value) if unit else f"{value / MMHG_PER_KPA:.1f}"
        return record.text(value, unit=unit)

    def section(self, gas: GasReading) -> GasSection:
        when = gas.time or ("time not stated" if gas.at_s is None else f"at {clock(gas.at_s)}")
        acid_base, lines = self.acid_base(gas.acid_base)
        return GasSection(
            f"Gas {gas.number}, {gas.conditions.site or 'site not stated'}, {when}",
            self.conditions(gas),
            tuple(self.number(value, gas.doubted) for value in (*gas.stated, *gas.indices) if value.value is not None),
            self.at_body(gas.at_body_temperature),
            acid_base,
            lines,
            tuple(self.held(one) for one in gas.held),
            tuple(self.grade(grade) for grade in gas.grades),
            tuple(self.untold(gas.indices)),
            tuple(self.say(note) for note in gas.notes),
        )

    def number(self, value: Value, doubted: tuple[str, ...] = ()) -> GasNumber:
        record = quantity(value.key, "blood_gases")
        origin = value.made_of[0] if value.key == "hco3_mmol_l" and value.made_of else ""
        made_of = tuple(self.say(words) for words in value.made_of)
        text = self.text(value.key, value.value)
        origin = DOUBTED if value.key in doubted else origin
        return GasNumber(value.key, record.label, record.symbol, text, self.say(origin), made_of)

    def conditions(self, gas: GasReading) -> str:
        under = gas.conditions
        peep = "PEEP not known" if under.peep_cmh2o is None else f"PEEP {quantity('peep_cmh2o').text(under.peep_cmh2o)}"
        oxygen = "FiO2 not known" if under.fio2 is None else f"FiO2 {under.fio2:.2f}"
        air = f"air at {self.tension(under.barometric_mmhg, 0)} ({under.barometric_origin})"
        records = ((quantity(key, "settings"), value) for key, value in under.given)
        given = (f"{record.label} {record.text(value)}" for record, value in records)
        support = () if under.off_ventilator else (mode_words(under.mode), peep, *given)
        trial = (under.trial,) if under.trial else ()
        parts = (under.interface or "interface not stated", *support, *trial, oxygen, air)
        return f"Taken under: {', '.join(parts)}."

    def at_body(self, values: tuple[Value, ...]) -> str:
        if not values:
            return ""
        told = ", ".join(f"{quantity(v.key, 'blood_gases').symbol} {self.text(v.key, v.value)}" for v in values)
        return f"{values[0].made_of[0]}: {told}"

    def acid_base(self, read: AcidBase) -> tuple[str, tuple[str, ...]]:
        if read.primary is None:
            return self.say(f"Acid and base can't be read: {read.reason.rstrip('.?')}."), tuple(map(self.say, read.gap))
        fits = (f"fits {' and '.join(read.fits)}",) if read.fits else ()
        lines = (*(f"expected: {words}" for words in read.expected), *fits, *read.doubts, *read.gap)
        return self.say(f"Acid and base: {read.primary}."), tuple(self.say(line) for line in lines)

    def held(self, one: Held) -> str:
        record = quantity(one.key, "blood_gases")
        bound = self.say(f"{one.standing}: {one.bound}")
        return f"{record.symbol} {self.text(one.key, one.value)} is {bound} ({KINDS[one.kind]}; {one.source})"

    def grade(self, grade: Grade) -> str:
        if grade.severity is None:
            return self.say(f"{grade.definition}: can't be told. {sentence(grade.reason)}")
        lacking = f". To apply it, still needed: {'; '.join(grade.needed)}" if grade.needed else ""
        return self.say(f"{grade.definition}: {grade.severity}, by ") + self.index(grade) + self.say(lacking)

    def index(self, grade: Grade) -> str:
        """The index that decides a class, with further decimals where it rounds into another."""
        record = quantity(grade.key)
        if not grade.close or grade.value is None:
            return f"{record.symbol} {self.text(grade.key, grade.value)}"
        size, unit, decimals = grade.value, record.unit, record.decimals
        if unit == "mmHg" and self.unit == "kPa":
            size, unit, decimals = size / MMHG_PER_KPA, "kPa", 1
        return f"{record.symbol} {size:.{decimals + 2}f} {unit}".rstrip()

    def untold(self, indices: Iterable[Value]) -> Iterator[str]:
        reasons: dict[str, list[str]] = {}
        for value in indices:
            if value.value is None:
                reasons.setdefault(value.reason, []).append(quantity(value.key).symbol)
        yield from (self.say(f"{', '.join(keys)}: {reason}") for reason, keys in reasons.items())

    def trend(self, page: GasesPage) -> Iterator[str]:
        for row in page.trend:
            record = quantity(row.key, "blood_gases")
            steps = " → ".join(self.steps(row))
            unit = self.unit if record.unit == "mmHg" else "%" if record.percent else record.unit
            some = 1 < len(row.gases) < len(page.gases) <= MOST_STEPS
            which = f" (gases {', '.join(map(str, row.gases))})" if some else ""
            yield f"{record.symbol}: {steps} {unit}".rstrip() + which

    def steps(self, row: TrendRow) -> Iterator[str]:
        """The values in order; of many the first, how many are left out between, and the last."""
        texts = [self.text(row.key, value, unit=False) for value in row.values]
        left = len(texts) - MOST_STEPS
        if left <= 0:
            yield from texts
            return
        yield texts[0]
        yield f"({left} more)"
        yield from texts[1 - MOST_STEPS :]

    def target(self, told: Ventilation) -> TargetSection:
        heading = f"To bring PaCO2 to {self.tension(told.target_mmhg)}"
        if told.factor is None or told.paco2_mmhg is None:
            return TargetSection(heading, f"Can't be told: {told.reason}.")
        lead = f"From gas {told.gas}, PaCO2 {self.tension(told.paco2_mmhg)}: ventilation times {told.factor:.2f}."
        now, lines = {value.key: value for value in told.now}, []
        for value in told.then:
            symbol = quantity(value.key).symbol
            if value.value is None:
                lines.append(self.say(f"{symbol}: not computed; {value.reason}"))
                continue
            before = f"{self.text(value.key, now[value.key].value)} → " if value.key in now else ""
            lines.append(f"{symbol}: {before}{self.text(value.key, value.value)}")
        lines += [f"then {self.held(one)}" for one in told.held]
        lines += [self.say(f"in the way: {words}") for words in told.obstacles]
        return TargetSection(heading, lead, tuple(lines), tuple(self.say(words) for words in told.words), told.command)
