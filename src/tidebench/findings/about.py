"""What a kind of finding is, in words: for the command line, the page of the documentation and the report."""

from __future__ import annotations

from dataclasses import dataclass

PRACTICE = "common practice, no source"
DECIDE = (
    "What usually lies behind a finding and what people look at next are common practice, no source. Decisions stay "
    "with licensed clinicians and local protocols."
)


@dataclass(frozen=True, slots=True)
class About:
    """One kind of finding.

    Attributes
    ----------
    seen : str
        Its definition: what was seen, with the limits of the rule.
    source : str
        After whom, or that it is this house's.
    behind : str
        What usually lies behind it (common practice).
    further : str
        What people look at next (common practice).
    """

    seen: str
    source: str
    behind: str
    further: str
