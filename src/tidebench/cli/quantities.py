"""``tidebench quantities``: what every number is, in which unit, and after whom."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.table import Table

    from tidebench.quantities import Quantity


def quantities(name: str | None = None, /) -> None:
    """List the quantities, or say everything about one.

    Parameters
    ----------
    name : str
        Key of one quantity, such as stress_index, or a part that names it.
    """
    from rich.console import Console

    console = Console(highlight=False)
    if name is None:
        console.print(_overview())
        return
    for place, record in _meanings(_key(name)).items():
        console.print(_account(record, place))


def _key(name: str) -> str:
    """The one key that is, begins with or holds what was given; where it is not one, what was given.

    Raises
    ------
    OptionError
        Several keys hold it: which.
    """
    from tidebench.errors import OptionError
    from tidebench.quantities import QUANTITIES

    part = name.lower().replace(" ", "_").replace("-", "_")
    if part in QUANTITIES or not part:
        return part
    beginning = [key for key in QUANTITIES if key.startswith(part)]
    holding = [key for key in QUANTITIES if part in key]
    for found in (beginning, holding):
        if len(found) == 1:
            return found[0]
    if holding:
        raise OptionError(
            f"{name!r} is part of several keys", expected="one quantity", remedy=f"Choose from: {', '.join(holding)}."
        )
    return name


def _meanings(name: str) -> dict[str, Quantity]:
    """What a key means, by where it stands: measured, and in tables of a case where it means something else there."""
    from tidebench.quantities import TABLES, quantity

    measured = quantity(name)
    others = {table: records[name] for table, records in TABLES.items() if name in records}
    return {"": measured} | {f"[{table}]": record for table, record in others.items() if record != measured}


def _overview() -> Table:
    from rich.table import Table
    from rich.text import Text

    from tidebench.quantities import QUANTITIES

    table = Table("key", "name", "symbol", "unit", box=None, pad_edge=False)
    for record in QUANTITIES.values():
        table.add_row(*map(Text, (record.key, record.label, record.symbol, record.unit)))
    return table


def _account(record: Quantity, place: str) -> Table:
    from rich.table import Table
    from rich.text import Text

    low, high = (f"{bound:g}" for bound in record.plausible)
    rows = {
        "key": f"{record.key} {f'under {place} of a case' if place else ''}".strip(),
        "name": record.label,
        "symbol": record.symbol,
        "unit": record.unit or "none",
        "decimals shown": "none, in %" if record.percent else str(record.decimals),
        "plausible": f"{low} to {high} {record.unit}".strip(),
        "definition": record.definition,
        "source": record.source,
    }
    table = Table(box=None, show_header=False, pad_edge=False)
    for label, words in rows.items():
        table.add_row(Text(label, style="bold"), Text(words))
    table.add_row("")
    return table
