"""A handover from a case on disk to a page on disk: reviewed where it has a recording, put whole."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from tidebench.case import load_case
from tidebench.errors import OptionError
from tidebench.findings import RULES
from tidebench.results import policy_for
from tidebench.review import Progress, review
from tidebench.store import Identity, keep_other_results, new_result
from tidebench.tensions import TensionUnit, all_in
from tidebench.views.handover import HandoverPage, Proposal, handover_page
from tidebench.views.plain import plain

LONGEST, LONGEST_NAME, MOST = 140, 50, 5
"""Letters of a typed line and of who decides, and lines of a kind: what one page holds."""


class HandedOver(NamedTuple):
    """A page with gas tensions in mmHg, as for machines, and as it is printed."""

    page: HandoverPage
    printed: HandoverPage


def handover_case(
    path: Path | str,
    out: Path | str | None = None,
    *,
    proposals: Iterable[Proposal] = (),
    questions: Iterable[str] = (),
    policy: Path | str | None = None,
    progress: Progress | None = None,
    unit: TensionUnit = "mmHg",
) -> HandedOver:
    """The handover page of a case; with ``out``, put into that folder as ``handover.pdf``, ``.txt`` and ``.json``.

    ``unit`` is that of gas tensions on paper and in print; JSON keeps mmHg.

    Raises
    ------
    InputError
        The case, its recording, the policy, a typed line or the place can't be used.
    """
    proposed, asked = tuple(proposals), tuple(questions)
    checked_lines("--propose", [one.what for one in proposed])
    checked_lines("--propose", [one.who for one in proposed], LONGEST_NAME)
    checked_lines("--ask", asked)
    case = load_case(Path(path))
    house = policy_for(case, policy)
    if out is not None:
        keep_other_results(Path(out), "handed_over", "handover")
    reviewed = review(case, policy=house, progress=progress) if case.recordings else None
    page = handover_page(case, reviewed, policy=house, proposals=proposed, questions=asked)
    printed = page
    if unit != "mmHg":
        anew = handover_page(case, reviewed, policy=house, proposals=proposed, questions=asked, unit=unit)
        printed = all_in(anew, unit)
    if out is None:
        return HandedOver(page, printed)
    with new_result(Path(out)) as draft:
        options = {"handed_over": True, "policy": house.identity if house else None}
        recording_id = "" if reviewed is None else str(reviewed.summary["recording_id"])
        draft.identity = Identity(recording_id, case.case_hash, options, RULES)
        write_files(page, printed, draft.folder)
    return HandedOver(page, printed)


def proposal_from(words: str) -> Proposal:
    """``WHAT=WHO`` as a proposal; without ``=``, who decides stays a blank to fill in.

    Raises
    ------
    OptionError
        Nothing is proposed.
    """
    what, _, who = (part.strip() for part in words.rpartition("=")) if "=" in words else (words.strip(), "", "")
    if not what:
        raise OptionError(f"{words!r} proposes nothing", where="--propose", expected='"WHAT=WHO DECIDES"')
    return Proposal(what, who)


def checked_lines(where: str, lines: Iterable[str], longest: int = LONGEST) -> None:
    """Refuse lines that a page can't hold.

    Raises
    ------
    OptionError
        Too many, a long one, or one that can't be printed.
    """
    told = tuple(lines)
    if len(told) > MOST:
        raise OptionError(f"{len(told)} lines", where=where, expected=f"at most {MOST}: it is one page")
    for line in told:
        if len(line) > longest or not all(char.isprintable() for char in line):
            raise OptionError(
                f"{line[:40]!r} can't stand on the page", where=where, expected=f"one line of at most {longest} letters"
            )


def write_files(page: HandoverPage, printed: HandoverPage, folder: Path) -> None:
    """The page as PDF and as plain text, as it is printed, and for machines."""
    from tidebench.report.handover import handover_pdf, handover_text

    (folder / "handover.pdf").write_bytes(handover_pdf(printed))
    (folder / "handover.txt").write_text(handover_text(printed), encoding="utf-8", newline="\n")
    told = json.dumps(plain(page), ensure_ascii=False, indent=2, allow_nan=False)
    (folder / "handover.json").write_text(told + "\n", encoding="utf-8", newline="\n")
