"""A progress bar for long work: on standard error, and only before somebody's eyes."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bar(*, shown: bool = True) -> Iterator[Callable[[str, float], None]]:
    """Yield ``tell(stage, fraction)``: which stage is at work, and how much of it is done, from 0 to 1."""
    if not (shown and sys.stderr.isatty()):
        yield lambda _stage, _fraction: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bars:
        stages = {}

        def tell(stage: str, fraction: float) -> None:
            if stage not in stages:
                stages[stage] = bars.add_task(stage, total=1.0)
            bars.update(stages[stage], completed=fraction)

        yield tell
