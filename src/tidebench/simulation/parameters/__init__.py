"""The library of invented patients, preterm to adult; see ``patients.toml``, where every value names its source."""

from __future__ import annotations

from typing import Any


def patient_tables(name: str) -> dict[str, dict[str, Any]]:
    """Tables of one patient of the library."""
    raise NotImplementedError(name)
