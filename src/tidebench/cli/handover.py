"""``tidebench handover``: one page for the next shift or the next visit."""

from __future__ import annotations

from pathlib import Path

from tidebench.cli.options import Switch, Unit, Words, print_json
from tidebench.cli.progress import progress_bar


def handover(
    case: Path,
    /,
    *,
    out: Path | None = None,
    propose: Words = (),
    ask: Words = (),
    policy: Path | None = None,
    unit: Unit = "mmHg",
    json: Switch = False,
) -> None:
    """Put a case on one page: situation, background, assessment, open questions, what is proposed and who decides.

    Parameters
    ----------
    case : Path
        The case folder, or its case.toml; a recording is not needed.
    out : Path
        Where the page goes as PDF and plain text: a new folder, or an earlier handover, which is replaced.
    propose : str
        What is proposed and who decides, such as "breathing trial in the morning=ward round"; may be given again.
    ask : str
        An open question; may be given again.
    policy : Path
        A house's limits, used instead of published ones; a policy.toml in the case folder unless another is named.
    unit : str
        Of gas tensions in print; --json keeps mmHg.
    json : bool
        Print the page as JSON and nothing else.
    """
    from tidebench.handover import handover_case, proposal_from

    proposals = [proposal_from(words) for words in propose]
    with progress_bar(shown=not json) as tell:
        told = handover_case(case, out, proposals=proposals, questions=ask, policy=policy, progress=tell, unit=unit)
    if json:
        from tidebench.views.plain import plain

        print_json(plain(told.page))
        return
    from tidebench.report.handover import handover_text

    print(handover_text(told.printed), end="")
    if out is not None:
        print(f"\nPage: {out.resolve() / 'handover.pdf'}")
