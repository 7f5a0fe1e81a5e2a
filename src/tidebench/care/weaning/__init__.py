"""Weaning: readiness, the breathing trial as recorded, effort, and how long it took. Criteria are told; people decide.

Everything works from typed numbers alone; a review of a recording adds what signals show.
"""

from __future__ import annotations

from tidebench.care.weaning.classes import Classes, History, classify
from tidebench.care.weaning.cuff import CuffLeak, cuff_leak
from tidebench.care.weaning.item import Item
from tidebench.care.weaning.page import as_json, page_text, write_page
from tidebench.care.weaning.room import Asked, Weaning, wean
from tidebench.care.weaning.said import Said
from tidebench.care.weaning.trial import Trial

__all__ = [
    "Asked",
    "Classes",
    "CuffLeak",
    "History",
    "Item",
    "Said",
    "Trial",
    "Weaning",
    "as_json",
    "classify",
    "cuff_leak",
    "page_text",
    "wean",
    "write_page",
]
