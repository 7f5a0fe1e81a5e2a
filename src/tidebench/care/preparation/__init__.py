"""Preparation: a set-up sheet from what is known of a patient, before anything is connected.

Every line has its rule, its kind and its source; what can't be told has the reason. What is impossible or contradicts
itself is refused. Nothing here is a prescription: people decide, by the ventilator's manual and local protocols.
"""

from __future__ import annotations

from tidebench.care.preparation.page import as_json
from tidebench.care.preparation.request import Request, load_request, request_from
from tidebench.care.preparation.room import Sheet, prepare
from tidebench.care.preparation.sheet import Line, Section, Subject, Table

__all__ = [
    "Line",
    "Request",
    "Section",
    "Sheet",
    "Subject",
    "Table",
    "as_json",
    "load_request",
    "prepare",
    "request_from",
]
