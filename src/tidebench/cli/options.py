"""Kinds of options that several commands share."""

from __future__ import annotations

from typing import Annotated, Literal

from cyclopts import Parameter

Switch = Annotated[bool, Parameter(negative="", show_default=False)]
Words = Annotated[tuple[str, ...], Parameter(negative="", show_default=False)]
Numbers = Annotated[tuple[float, ...], Parameter(negative="", show_default=False)]
From = Annotated[float | None, Parameter(name="--from")]
Number = float | None
Unit = Literal["mmHg", "kPa"]


def print_json(told: object) -> None:
    """Plain data as JSON, and nothing else."""
    import json

    print(json.dumps(told, ensure_ascii=False, indent=2, allow_nan=False))
