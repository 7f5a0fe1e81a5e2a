"""Cards for sudden trouble, by what one sees, and the record of the check before use: pages to hand out.

On every card the patient comes first: off the ventilator and by hand if in doubt; then what holds and curves tell.
"""

from __future__ import annotations

from tidebench.care.cards.deck import PRE_USE, Card, Check, PreUse, card, pre_use
from tidebench.limits.policy import SIGNS

__all__ = ["PRE_USE", "SIGNS", "Card", "Check", "PreUse", "card", "pre_use"]
