"""Pages to hand out, put into a folder whole: a set-up sheet, cards."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from tidebench.care.cards import PRE_USE, card, pre_use
from tidebench.care.preparation import Sheet, as_json
from tidebench.limits import Policy
from tidebench.store import Identity, keep_other_results, new_result
from tidebench.tensions import TensionUnit, all_in


def write_sheet(sheet: Sheet, case_hash: str, out: Path, unit: TensionUnit = "mmHg") -> None:
    """``sheet.pdf`` and ``sheet.json`` in the folder ``out``, whole or not at all; ``unit`` is that of the PDF.

    Raises
    ------
    OutputError
        The folder can't be written, or holds something else.
    """
    from tidebench.report.handouts import sheet_pdf

    keep_other_results(out, "prepared", "set-up sheet")
    with new_result(out) as draft:
        draft.identity = Identity("", case_hash, {"prepared": True, "policy": sheet.policy_identity})
        (draft.folder / "sheet.pdf").write_bytes(sheet_pdf(all_in(sheet, unit)))
        told = json.dumps(as_json(sheet), ensure_ascii=False, indent=2, allow_nan=False)
        (draft.folder / "sheet.json").write_text(told + "\n", encoding="utf-8", newline="\n")


def write_cards(names: Iterable[str], out: Path, policy: Policy | None = None) -> None:
    """A page for each name in the folder ``out``, whole or not at all. Errors as :func:`write_sheet`."""
    from tidebench.report.handouts import card_pdf, pre_use_pdf

    keep_other_results(out, "cards")
    with new_result(out) as draft:
        draft.identity = Identity("", "", {"cards": True, "policy": policy.identity if policy else None})
        for name in names:
            page = pre_use_pdf(pre_use()) if name == PRE_USE else card_pdf(card(name, policy))
            (draft.folder / f"{name}.pdf").write_bytes(page)
