"""An event log as a script of a few lines reads it: the csv module, a dictionary of what is on, nothing checked."""

from __future__ import annotations

import csv
from collections import Counter
from datetime import datetime
from pathlib import Path


def read(path: Path) -> tuple[Counter[str], float]:
    """Alarms by name, and seconds from on to off in all; rows newest first, headers known, one form of stamps."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = [
            (datetime.fromisoformat(row["Time"]), row["State"] == "on", row["Text"], row["Value"])
            for row in csv.DictReader(file)
            if row["Event"] == "Alarm"
        ]
    counts: Counter[str] = Counter()
    on: dict[str, datetime] = {}
    seconds = 0.0
    for at, begins, name, _ in sorted(set(rows)):
        if begins:
            counts[name] += 1
            on[name] = at
        elif name in on:
            seconds += (at - on.pop(name)).total_seconds()
    return counts, seconds
