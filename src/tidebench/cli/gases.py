"""``tidebench gases``: the blood gases of a case, read."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

if TYPE_CHECKING:
    import polars as pl
    from rich.console import Console

    from tidebench.care.gases import AcidBase, GasesPage, GasReading, Grade, TrendRow, Value, Ventilation

Switch = Annotated[bool, Parameter(negative="", show_default=False)]
Repeated = Annotated[tuple[str, ...], Parameter(negative="", show_default=False)]
Number = float | None
Unit = Literal["mmHg", "kPa"]
MMHG_PER_KPA = 7.50062
IN_MMHG = re.compile(r"(?:(\d+(?:\.\d+)?) to )?(\d+(?:\.\d+)?) mmHg")


def gases(
    case: Path,
    /,
    *,
    target_paco2: Number = None,
    review: Path | None = None,
    unit: Unit = "mmHg",
    gas: int | None = None,
    barometric: Number = None,
    altitude: Number = None,
    temperature: Number = None,
    high_flow: Number = None,
    expired_pco2: Number = None,
    cardiac_output: Number = None,
    mixed_venous: Number = None,
    sodium: Number = None,
    chloride: Number = None,
    albumin: Number = None,
    said: Repeated = (),
    json: Switch = False,
) -> None:
    """Read the blood gases of a case: acid and base, oxygen, ventilation, ARDS by published definitions, trend.

    Parameters
    ----------
    case : Path
        The case folder, or its case.toml.
    target_paco2 : float
        A PaCO2 to bring the last arterial gas to: the ventilation that it would take.
    review : Path
        The result of a review of this case, for pressures and volumes that were not noted.
    unit : str
        Of gas tensions in options and in print; --json keeps mmHg.
    gas : int
        Which gas, in order of time, the numbers below belong to; the last unless said.
    barometric : float
        Pressure of the air.
    altitude : float
        Metres above the sea, instead of it.
    temperature : float
        The patient's, °C: the gas at that temperature is shown beside.
    high_flow : float
        Flow of a high-flow cannula, L/min.
    expired_pco2 : float
        PCO2 of mixed expired gas, for dead space and CO2 elimination.
    cardiac_output : float
        L/min, for oxygen delivery.
    mixed_venous : float
        Mixed venous saturation as a fraction, for shunt.
    sodium : float
        mmol/L, for the anion gap.
    chloride : float
        mmol/L.
    albumin : float
        g/dL.
    said : str
        What a definition needs and you know: imaging, timing, cause, four-hours, not-perinatal. May be given again.
    json : bool
        Print the reading as JSON and nothing else.
    """
    from tidebench.care.gases import Typed, read_gases
    from tidebench.case import load_case

    size = MMHG_PER_KPA if unit == "kPa" else 1.0
    typed = Typed(
        gas=gas,
        barometric_mmhg=_mmhg(barometric, size),
        altitude_m=altitude,
        temperature_c=temperature,
        cardiac_output_l_min=cardiac_output,
        mixed_expired_pco2_mmhg=_mmhg(expired_pco2, size),
        mixed_venous_saturation=mixed_venous,
        sodium_mmol_l=sodium,
        chloride_mmol_l=chloride,
        albumin_g_dl=albumin,
        high_flow_l_min=high_flow,
        said=frozenset(said),
    )
    told = load_case(case)
    page = read_gases(
        told,
        typed=typed,
        target_paco2_mmhg=_mmhg(target_paco2, size),
        breaths=None if review is None else _breaths(review, told.case_hash),
        name=str(case),
    )
    if json:
        import json as notation
        from dataclasses import asdict

        print(notation.dumps(asdict(page), ensure_ascii=False, indent=2, allow_nan=False))
        return
    from rich.console import Console

    _Printer(Console(highlight=False), unit).page(page)


def _mmhg(value: Number, size: float) -> Number:
    return None if value is None else value * size


def _in_kpa(found: re.Match[str]) -> str:
    ends = [f"{float(end) / MMHG_PER_KPA:.1f}" for end in found.groups() if end]
    return f"{' to '.join(ends)} kPa"


def _breaths(folder: Path, case_hash: str) -> pl.DataFrame:
    """The breath table of a result of this very case.

    Raises
    ------
    InputError
        There is no result, it holds no breaths, or it is another case's.
    """
    import polars as pl

    from tidebench.errors import OptionError
    from tidebench.store import read_result

    result = read_result(folder)
    if "breaths.parquet" not in result.files:
        raise OptionError("this result holds no breaths", where=str(folder), expected="the result of tidebench review")
    if result.manifest.get("case_hash") != case_hash:
        raise OptionError(
            "this is a review of another case, or of this one before it was changed",
            where=str(folder),
            remedy="Review the case again.",
        )
    return pl.read_parquet(folder / "breaths.parquet")


class _Printer:
    """A page in the terminal, at 80 columns, tensions in one unit."""

    def __init__(self, console: Console, unit: Unit) -> None:
        self.console, self.unit = console, unit

    def page(self, page: GasesPage) -> None:
        """Gas by gas, then trend, target and caution."""
        if page.title:
            self._say(page.title, "bold")
        for gas in page.gases:
            self._gas(gas)
        self._trend(page.trend, page.changed)
        if page.ventilation is not None:
            self._ventilation(page.ventilation)
        self.console.print()
        self._say(page.caution, "italic")

    def _gas(self, gas: GasReading) -> None:
        from tidebench.views.wording import clock

        when = gas.time or ("time not stated" if gas.at_s is None else f"at {clock(gas.at_s)}")
        self._heading(f"Gas {gas.number}, {gas.conditions.site or 'site not stated'}, {when}")
        self._conditions(gas)
        self._values((*gas.stated, *(value for value in gas.indices if value.value is not None)))
        if gas.at_body_temperature:
            warm = ", ".join(f"{self._label(value)} {self._text(value)}" for value in gas.at_body_temperature)
            self._lines([f"{gas.at_body_temperature[0].made_of[0]}: {warm}"])
        self._acid_base(gas.acid_base)
        self._grades(gas.grades)
        self._untold(gas.indices)
        self._lines(gas.notes)

    def _conditions(self, gas: GasReading) -> None:
        from tidebench.quantities import quantity
        from tidebench.views.wording import mode_words

        under = gas.conditions
        peep = "PEEP not known" if under.peep_cmh2o is None else f"PEEP {quantity('peep_cmh2o').text(under.peep_cmh2o)}"
        oxygen = "FiO2 not known" if under.fio2 is None else f"FiO2 {under.fio2:.2f}"
        air = self._tension(under.barometric_mmhg, 0)
        interface = under.interface or "interface not stated"
        words = (interface, mode_words(under.mode), peep, oxygen, f"air at {air} ({under.barometric_origin})")
        self._say(f"Taken under: {', '.join(words)}.")

    def _values(self, values: Iterable[Value]) -> None:
        from rich.table import Table
        from rich.text import Text

        table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
        for value in values:
            origin = "" if value.key != "hco3_mmol_l" or not value.made_of else value.made_of[0]
            table.add_row(Text(self._label(value)), Text(self._text(value), style="bold"), Text(origin))
        self.console.print(table)

    def _acid_base(self, read: AcidBase) -> None:
        self.console.print()
        if read.primary is None:
            self._say(f"Acid and base can't be read: {read.reason}.")
            return
        self._say(f"Acid and base: {read.primary}.", "bold")
        fits = f"fits {' and '.join(read.fits)}" if read.fits else ""
        self._lines([*(f"expected: {words}" for words in read.expected), *([fits] if fits else []), *read.doubts])

    def _grades(self, grades: Iterable[Grade]) -> None:
        self.console.print()
        for grade in grades:
            if grade.severity is None:
                self._lines([f"{grade.definition}: can't be told. {grade.reason}"])
                continue
            lacking = f". To apply it, still needed: {'; '.join(grade.needed)}" if grade.needed else ""
            self._lines([f"{grade.definition}: {grade.severity}, by {grade.by}{lacking}"])

    def _untold(self, indices: Iterable[Value]) -> None:
        reasons: dict[str, list[str]] = {}
        for value in indices:
            if value.value is None:
                reasons.setdefault(value.reason, []).append(self._symbol(value))
        if reasons:
            self.console.print()
            self._say("Not computed")
        self._lines(f"{', '.join(keys)}: {reason}" for reason, keys in reasons.items())

    def _trend(self, rows: tuple[TrendRow, ...], changed: tuple[str, ...]) -> None:
        from tidebench.quantities import quantity

        if not rows:
            return
        self._heading("Over the arterial gases")
        for row in rows:
            record = quantity(row.key)
            steps = " → ".join(self._bare(row.key, value) for value in row.values)
            self._lines([f"{record.symbol}: {steps} {self._unit(record.unit)}".rstrip()])
        self._lines(changed)

    def _ventilation(self, told: Ventilation) -> None:
        self._heading(f"To bring PaCO2 to {self._tension(told.target_mmhg)}")
        if told.factor is None or told.paco2_mmhg is None:
            self._say(f"Can't be told: {told.reason}.")
            return
        self._say(f"From gas {told.gas}, PaCO2 {self._tension(told.paco2_mmhg)}: ventilation times {told.factor:.2f}.")
        now = {value.key: value for value in told.now}
        for value in told.then:
            if value.value is None:
                self._lines([f"{self._symbol(value)}: not computed; {value.reason}"])
                continue
            before = f"{self._text(now[value.key])} → " if value.key in now else ""
            self._lines([f"{self._symbol(value)}: {before}{self._text(value)}"])
        self.console.print()
        for words in told.words:
            self._say(words)

    def _label(self, value: Value) -> str:
        from tidebench.quantities import quantity

        record = quantity(value.key)
        return record.label if record.label == record.symbol else f"{record.label} ({record.symbol})"

    def _symbol(self, value: Value) -> str:
        from tidebench.quantities import quantity

        return quantity(value.key).symbol

    def _text(self, value: Value) -> str:
        from tidebench.quantities import quantity

        if value.value is None or self._unit(quantity(value.key).unit) == "kPa":
            return "–" if value.value is None else self._tension(value.value)
        return quantity(value.key).text(value.value)

    def _bare(self, key: str, value: float) -> str:
        from tidebench.quantities import quantity

        if self._unit(quantity(key).unit) == "kPa":
            return f"{value / MMHG_PER_KPA:.1f}"
        return quantity(key).text(value, unit=False)

    def _unit(self, unit: str) -> str:
        return self.unit if unit == "mmHg" else unit

    def _tension(self, mmhg: float, decimals: int = 1) -> str:
        return f"{mmhg / MMHG_PER_KPA:.1f} kPa" if self.unit == "kPa" else f"{mmhg:.{decimals}f} mmHg"

    def _heading(self, words: str) -> None:
        self.console.print()
        self._say(words, "bold underline")

    def _say(self, words: str, style: str = "") -> None:
        from rich.text import Text

        self.console.print(Text(self._words(words), style=style))

    def _lines(self, lines: Iterable[str]) -> None:
        """Lines that hang under their mark where they wrap."""
        from rich.table import Table
        from rich.text import Text

        for line in lines:
            grid = Table.grid(padding=0)
            grid.add_column(width=2)
            grid.add_column()
            grid.add_row(Text("- "), Text(self._words(line)))
            self.console.print(grid)

    def _words(self, words: str) -> str:
        """A sentence with its tensions in the unit of the page."""
        return IN_MMHG.sub(_in_kpa, words) if self.unit == "kPa" else words
