"""What events say of a trial: that it starts, that it ends. Only forms that are documented count.

Each is looked for in a clause of the text by itself. A clause that denies, plans, orders or asks says neither.
"""

from __future__ import annotations

import re

from tidebench.case import Event

_PIECE = r"t[- ]?(?:piece|tube)"
_TRIAL = r"(?:spontaneous )?breathing trial|sbt"
_NAME = rf"(?:{_PIECE}|{_TRIAL})(?: trial)?"
_MOVED = "changed|switched|moved|put|placed|transferred|went|gone|connected|converted"
_MODE = (
    r"(?:the )?(?:ventilator|ventilation|machine|(?:full |pressure |mandatory )?support|psv?|vc|pc|a/?c|simv|"
    r"cpap|bi-?level|(?:previous|earlier) settings)\b"
)
T_PIECE = re.compile(rf"\b{_PIECE}\b", re.IGNORECASE)
NAMED = re.compile(rf"\b{_NAME}\b", re.IGNORECASE)
ONLY_NAME = re.compile(rf"\s*{_NAME}\s*", re.IGNORECASE)
STARTS = re.compile(
    rf"^(?:a |the )?{_NAME}(?:(?: with)? (?:fio2\b|\d+(?:\.\d+)? ?(?:%|l/min)).*)?$"
    rf"|\b(?:starts?|started|starting|begins?|began|begun|commenced)(?: on| with)? (?:a |the )?{_NAME}\b"
    rf"|\b{_NAME}(?: is| was| has)? (?:starts?|started|begins?|began|begun|commenced|on|under way)\b"
    rf"|\b(?:{_MOVED})(?: over)? (?:to|on|onto) (?:a |the )?{_NAME}\b"
    rf"|(?<!was )(?<!been )\b(?:on|onto) (?:a |the )?{_NAME}\b",
    re.IGNORECASE,
)
OUTCOME = re.compile(
    r"\b(?:ends?|ended|stop|stopped|failed|fails|passed|succeeded|finished|completed)\b|\bover\b(?! \w)", re.IGNORECASE
)
RETURN = re.compile(
    rf"\bback (?:on|onto|to) {_MODE}|\bon {_MODE}.*\bagain\b|\brest(?:ed|ing) on {_MODE}|\breconnected\b|\bextubated\b",
    re.IGNORECASE,
)
UNREAL = re.compile(
    r"\b(?:no|not|never|without|plan\w*|order\w*|tomorrow|yesterday|later|tonight|next|will|to be|should|may|might|"
    r"could|consider\w*|discuss\w*|if|when|unless|ready|prepar\w*|cancel\w*|postpon\w*|defer\w*|refus\w*|declin\w*|"
    r"adapter|await\w*|previous day|for extubation)\b|\?",
    re.IGNORECASE,
)
CONDITION = re.compile(r"\b(?:if|when|unless|plan|planned)\b", re.IGNORECASE)
_APART = re.compile(r"[;,:\n]|\.(?!\d)| - | – ")


def starts(event: Event) -> bool:
    """True where an event says that a trial starts, or goes on."""
    if ends(event):
        return False
    clauses = _clauses(event)
    by_kind = bool(ONLY_NAME.fullmatch(event.kind))
    if by_kind and not (clauses and UNREAL.search(clauses[0])):
        return True
    said = clauses if by_kind else [event.kind, *clauses]
    return any(STARTS.search(clause) and not UNREAL.search(clause) for clause in said)


def ends(event: Event) -> bool:
    """True where an event says that a trial has ended, or that the ventilator gives breaths again."""
    before = ""
    for clause in [event.kind, *_clauses(event)]:
        told = RETURN.search(clause) or _outcome(event, clause)
        if told and not UNREAL.search(clause) and not CONDITION.search(before):
            return True
        before += f" {clause}"
    return False


def of_t_piece(event: Event) -> bool:
    """True where an event speaks of a T-piece."""
    return bool(T_PIECE.search(f"{event.kind} {event.text or ''}"))


def _outcome(event: Event, clause: str) -> bool:
    named = NAMED.search(event.kind) or NAMED.search(clause) or re.search(r"\btrial\b", clause, re.IGNORECASE)
    return bool(named and OUTCOME.search(clause))


def _clauses(event: Event) -> list[str]:
    return [part.strip() for part in _APART.split(event.text or "") if part.strip()]
