"""Work for tests: slow, or at fault."""

from __future__ import annotations

import time
from collections.abc import Callable


def sleep(seconds: float, tell: Callable[[str, float], None]) -> float:
    """Sleep, and say so half-way."""
    tell("sleeping", 0.5)
    time.sleep(seconds)
    return seconds


def fault(words: str, tell: Callable[[str, float], None]) -> None:
    """Fail with words that nobody should read."""
    tell("failing", 0.1)
    raise RuntimeError(words)
