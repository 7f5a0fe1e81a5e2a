"""Words of the terminal as a printed page says them: without its options, which nobody can give to a page."""

from __future__ import annotations

import re
from typing import Any

TYPED = (
    (re.compile(r"\s*\(--[^)]*\)"), ""),
    (re.compile(r": --unit kPa, if it was typed so"), ", if it was typed so"),
    (re.compile(r"--said vital_capacity_ml=NUMBER"), "vital capacity is not measured"),
    (re.compile(r":? ?--said \w+=yes or no"), ""),
)
"""How the terminal asks for what is missing, and what a page says instead."""


def printed(node: Any) -> Any:
    """Words, or data that hold them, without options of the command line."""
    if isinstance(node, str):
        for pattern, instead in TYPED:
            node = pattern.sub(instead, node)
        return node
    if isinstance(node, dict):
        return {key: printed(inner) for key, inner in node.items()}
    return [printed(inner) for inner in node] if isinstance(node, (list, tuple)) else node
