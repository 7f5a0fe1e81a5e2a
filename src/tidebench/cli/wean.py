"""``tidebench wean``: readiness, the breathing trial, effort, and how long weaning took, as published criteria."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from tidebench.cli.options import From, Numbers, Switch, Unit, Words, print_json
from tidebench.cli.progress import progress_bar

if TYPE_CHECKING:
    from tidebench.care.weaning import Asked, Weaning
    from tidebench.review import Progress


def wean(
    case: Path,
    /,
    *,
    from_: From = None,
    to: float | None = None,
    said: Words = (),
    trials: int | None = None,
    failed: int | None = None,
    days: float | None = None,
    ended: str | None = None,
    leak_inspired: float | None = None,
    leak_expired: Numbers = (),
    policy: Path | None = None,
    out: Path | None = None,
    unit: Unit = "mmHg",
    json: Switch = False,
) -> None:
    """Lay published weaning criteria beside what a case holds; people decide.

    Parameters
    ----------
    case : Path
        The case folder, or its case.toml; a recording is not needed.
    from_ : float
        Where the breathing trial begins, s; found by settings and events unless said.
    to : float
        Where it ends, s.
    said : str
        What only a person can tell, such as cough=yes or vital_capacity_ml=900; may be given again.
    trials : int
        Breathing trials in all, this one included.
    failed : int
        How many of them failed.
    days : float
        Days from the first trial until weaning ended, or until now.
    ended : str
        Whether weaning has ended, off the ventilator for good: yes or no.
    leak_inspired : float
        Inspired volume with the cuff deflated, mL.
    leak_expired : float
        An expired volume with the cuff deflated, mL; six are usual.
    policy : Path
        A house's limits, used instead of published ones for effort; a policy.toml in the case folder unless named.
    out : Path
        A .txt file for the page.
    unit : str
        Of gas tensions in print; --json keeps mmHg.
    json : bool
        Print the page as JSON and nothing else.
    """
    from tidebench.care.weaning import Asked, History, as_json, page_text, write_page
    from tidebench.care.weaning.said import said_from, yes_or_no
    from tidebench.errors import OptionError
    from tidebench.tensions import all_in

    if leak_expired and leak_inspired is None:
        raise OptionError("the inspired volume is missing", where="--leak-inspired", expected="mL, cuff deflated")
    over = None if ended is None else yes_or_no(ended, "--ended")
    asked = Asked(from_, to, said_from(said), History(trials, failed, days, over), leak_inspired, leak_expired)
    with progress_bar(shown=not json) as tell:
        told = _told(case, asked, policy, tell)
    printed = all_in(told, unit)
    if out is not None:
        write_page(printed, out)
    if json:
        print_json(as_json(told))
        return
    print(page_text(printed), end="")
    if out is not None:
        print(f"\nPage: {out.resolve()}")


def _told(path: Path, asked: Asked, policy: Path | None, tell: Progress) -> Weaning:
    """The case, reviewed where it has a recording."""
    from tidebench.care.weaning import wean as told_of
    from tidebench.case import load_case
    from tidebench.results import policy_for
    from tidebench.review import review

    case = load_case(path)
    house = policy_for(case, policy)
    reviewed = review(case, policy=house, progress=tell) if case.recordings else None
    return told_of(case, reviewed, asked, policy=house)
