"""The library of invented patients, preterm to adult: every value with its range and source, in ``patients.toml``."""

from __future__ import annotations

import difflib
import numbers
import tomllib
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from tidebench.errors import CaseError

FILE = Path(__file__).with_name("patients.toml")
MOST_DRAWS = 100_000


class Sourced(NamedTuple):
    """One value of a patient: where it stands, what it is, between which bounds it is drawn, and who says so."""

    key: str
    value: Any
    low: float | None
    high: float | None
    source: str


@cache
def _library() -> dict[str, Any]:
    return tomllib.loads(FILE.read_text(encoding="utf-8"))


def patient_names() -> tuple[str, ...]:
    """Names of the patients, smallest first."""
    return tuple(name for name in _library() if name != "sources")


def title_of(name: str) -> str:
    """Who a patient is, in a line."""
    return str(_patient(name)["title"])


def patient_tables(name: str, where: str = "who") -> dict[str, Any]:
    """Tables of one patient as a scenario takes them, suggested ``settings`` included; ``where`` the name was said.

    Raises
    ------
    CaseError
        No patient has this name.
    """
    return _tables(name, lambda entry: entry["value"], where)


def sources(name: str) -> tuple[Sourced, ...]:
    """Every value of a patient, with its range (None for words) and its source spelt out.

    Raises
    ------
    CaseError
        No patient has this name.
    """
    return tuple(_sourced(_patient(name), ""))


def sample(name: str, seed: int | Sequence[int]) -> dict[str, Any]:
    """Tables of one patient, each number drawn evenly from its range; the same seed draws the same patient.

    Raises
    ------
    CaseError
        No patient has this name.
    """
    rng = np.random.default_rng(seed)

    def draw(entry: dict[str, Any]) -> Any:
        return float(f"{rng.uniform(entry['low'], entry['high']):.6g}") if "low" in entry else entry["value"]

    return _tables(name, draw)


def sample_population(n: int, seed: int, names: Sequence[str] | None = None) -> list[tuple[str, dict[str, Any]]]:
    """A population: ``n`` patients by name and tables, of ``names`` (all, unless said) in turn.

    Each patient depends on ``seed`` and its place alone, so that a larger population begins with the smaller one.

    Raises
    ------
    CaseError
        No patient has one of the names, there would be none or more than 100 000, or the seed is no whole number, 0 or
        more.
    """
    if not (isinstance(n, numbers.Integral) and 1 <= n <= MOST_DRAWS):
        raise CaseError(f"a population of {n!r}", where="sample_population", expected=f"1 to {MOST_DRAWS}")
    if not (isinstance(seed, numbers.Integral) and seed >= 0):
        raise CaseError(f"seed is {seed!r}", where="sample_population", expected="a whole number, 0 or more")
    if isinstance(names, str) or (names is not None and not names):
        raise CaseError(f"names is {names!r}", where="sample_population", expected='a list of names, such as ["copd"]')
    chosen = patient_names() if names is None else tuple(names)
    return [(name, sample(name, (seed, k))) for k, name in zip(range(n), chosen * (n // len(chosen) + 1), strict=False)]


def _patient(name: str, where: str = "who") -> dict[str, Any]:
    if name in patient_names():
        found: dict[str, Any] = _library()[name]
        return found
    near = difflib.get_close_matches(name.lower(), patient_names(), n=3, cutoff=0.3)
    raise CaseError(
        f"the library has no patient {name!r}", where=where, expected="a name of `tidebench patients`",
        remedy=f"Nearest: {', '.join(near)}." if near else f"Known: {', '.join(patient_names())}.",
    )  # fmt: skip


def _tables(name: str, pick: Callable[[dict[str, Any]], Any], where: str = "who") -> dict[str, Any]:
    return {key: _plain(table, pick) for key, table in _patient(name, where).items() if key != "title"}


def _plain(node: Any, pick: Callable[[dict[str, Any]], Any]) -> Any:
    """A table without ranges and sources."""
    if isinstance(node, list):
        return [_plain(inner, pick) for inner in node]
    if "source" in node:
        return pick(node)
    return {key: _plain(inner, pick) for key, inner in node.items()}


def _sourced(node: Any, place: str) -> Iterator[Sourced]:
    inner = enumerate(node) if isinstance(node, list) else node.items()
    if isinstance(node, dict) and "source" in node:
        yield Sourced(place, node["value"], node.get("low"), node.get("high"), _library()["sources"][node["source"]])
        return
    for key, value in inner:
        if isinstance(value, (dict, list)):
            where = f"{place}[{key}]" if isinstance(key, int) else f"{place}.{key}".lstrip(".")
            yield from _sourced(value, where)
