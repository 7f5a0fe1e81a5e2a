"""``tidebench findings``: what each kind of finding is, after whom, and what people look at next."""

from __future__ import annotations


def findings(kind: str | None = None, /) -> None:
    """List the kinds of findings, or explain one.

    Parameters
    ----------
    kind : str
        One kind, such as double-trigger.
    """
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from tidebench.caution import CAUTION
    from tidebench.findings import ABOUT, RULES
    from tidebench.findings.about import DECIDE

    console = Console(highlight=False)
    table = Table(box=None, show_header=False, pad_edge=False)
    if kind is None:
        for name, about in ABOUT.items():
            table.add_row(Text(name, style="bold"), Text(about.seen.partition(". ")[0].partition(": ")[0]))
        console.print(table)
        console.print("\nOne of them in full: tidebench findings KIND")
        return
    name = _known(kind)
    about = ABOUT[name]
    for label, words in (
        ("kind", name),
        ("definition", about.seen),
        ("source", about.source),
        ("often behind it", about.behind),
        ("looked at next", about.further),
        ("rule's version", str(RULES[name])),
    ):
        table.add_row(Text(label, style="bold"), Text(words))
    console.print(table)
    console.print(f"\n{DECIDE}\n\n{CAUTION}")


def _known(kind: str) -> str:
    """The kind that is meant.

    Raises
    ------
    OptionError
        There is none, or there are several.
    """
    import difflib

    from tidebench.errors import OptionError
    from tidebench.findings import ABOUT

    name = kind.lower().replace("_", "-").replace(" ", "-")
    holding = [known for known in ABOUT if name in known]
    if name in ABOUT or len(holding) == 1:
        return name if name in ABOUT else holding[0]
    near = holding or difflib.get_close_matches(name, ABOUT, n=3, cutoff=0.4)
    raise OptionError(
        f"no kind of finding is called {kind!r}",
        expected="a kind of `tidebench findings`",
        remedy=f"Nearest: {', '.join(near)}." if near else "",
    )
