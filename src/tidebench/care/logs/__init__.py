"""Event logs: what they cover, what their alarms come to, what was going on, and limits replayed over measured breaths.

Every number is for weighing by those who may set alarms. Nothing here silences one, or says that one should be.
"""

from __future__ import annotations

from tidebench.care.logs.alarms import alarms_of
from tidebench.care.logs.burden import Burden, burden
from tidebench.care.logs.coverage import Coverage, coverage
from tidebench.care.logs.crowding import Crowding, crowding
from tidebench.care.logs.log import Log, read_log
from tidebench.care.logs.rebuilt import Rebuilt, rebuilt
from tidebench.care.logs.replay import Replay, replay, series
from tidebench.care.logs.room import Question, Reviewed, Told, tell
from tidebench.care.logs.tradeoff import Tradeoff, tradeoffs
from tidebench.care.logs.watched import Asked, asked_of
from tidebench.care.logs.words import Words, load_words

__all__ = [
    "Asked",
    "Burden",
    "Coverage",
    "Crowding",
    "Log",
    "Question",
    "Rebuilt",
    "Replay",
    "Reviewed",
    "Told",
    "Tradeoff",
    "Words",
    "alarms_of",
    "asked_of",
    "burden",
    "coverage",
    "crowding",
    "load_words",
    "read_log",
    "rebuilt",
    "replay",
    "series",
    "tell",
    "tradeoffs",
]
