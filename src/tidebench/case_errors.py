"""From pydantic's errors to one message for a person."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ValidationError

from tidebench.errors import CaseError


def explain(error: ValidationError, said: dict[str, Any], model: type[BaseModel], name: str) -> CaseError:
    """One error for the first problem, and how many more there are."""
    first, *others = error.errors(include_url=False)
    loc = ".".join(str(part) for part in first["loc"])
    more = f"({len(others)} more.)" if others else ""
    context = first.get("ctx", {})
    return CaseError(first["msg"], where=f"{name}: {loc}", expected=context.get("expected", ""), remedy=more)
