"""Arrangements that a user keeps: an ``axes.toml`` each, in a folder beside the cases; none is shipped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit

from tidebench.errors import OptionError, PictureError
from tidebench.pictures.axes import Axes, axes_from, load_axes

ARRANGEMENTS = "arrangements"
ASIDE = ".taken-away"
MOST = 200
SHAPE = 0.01
"""Share by which the shapes of two pictures may differ before an arrangement of one doesn't fit the other."""

Size = tuple[int, int]


@dataclass(frozen=True)
class Arrangement:
    """A kept arrangement: its name, its axes, and how it lies on a picture of a given size."""

    name: str
    axes: Axes
    fits: str
    """``"same"``, ``"scaled"``, or why it doesn't fit."""


def arrangements(folder: Path, size: Size | None = None) -> tuple[Arrangement, ...]:
    """What is kept beside the cases, laid on a picture of ``size`` where one is named; those that can't be read not."""
    place = folder / ARRANGEMENTS
    if not place.is_dir():
        return ()
    found = []
    for path in sorted(place.glob("*.toml"))[:MOST]:
        try:
            axes = load_axes(path)
        except PictureError:
            continue
        found.append(laid_on(path.stem, axes, size))
    return tuple(found)


def laid_on(name: str, axes: Axes, size: Size | None) -> Arrangement:
    """An arrangement on a picture of another size: every place moved with it."""
    if size is None or axes.size is not None or axes.picture is None or axes.picture == size:
        return Arrangement(name, axes, "same")
    (wide, tall), (width, height) = axes.picture, size
    across, down = width / wide, height / tall
    if abs(across / down - 1) > SHAPE:
        return Arrangement(name, axes, f"it is of a picture of {wide} by {tall} pixels, which has another shape")
    return Arrangement(name, scaled(axes, across, down, size), "scaled")


def scaled(axes: Axes, across: float, down: float, size: Size) -> Axes:
    """Axes of a picture that is so many times as wide and as tall; pixels are counted from their centres."""

    def x(column: float) -> float:
        return round((column + 0.5) * across - 0.5, 2)

    def y(row: float) -> float:
        return round((row + 0.5) * down - 0.5, 2)

    panels = []
    for panel in axes.panels:
        left, top, right, bottom = panel.box
        changes: dict[str, Any] = {
            "box": (x(left), y(top), x(right), y(bottom)),
            "values": tuple((y(at), value) for at, value in panel.values),
        }  # fmt: skip
        for key in ("times", "across_values"):
            marks = getattr(panel, key)
            if marks is not None:
                changes[key] = tuple((x(at), value) for at, value in marks)
        if panel.newest is not None:
            changes["newest"] = x(panel.newest)
        panels.append(panel.model_copy(update=changes))
    return axes.model_copy(update={"panels": tuple(panels), "picture": size})


def keep(folder: Path, name: str, said: Mapping[str, Any]) -> Path:
    """Write an arrangement, over an earlier one of that name.

    Raises
    ------
    PictureError
        It is none.
    OptionError
        There are too many.
    """
    axes = axes_from(said, name=name)
    place = folder / ARRANGEMENTS
    place.mkdir(exist_ok=True)
    path = place / f"{name}.toml"
    if not path.exists() and sum(1 for _ in place.glob("*.toml")) >= MOST:
        raise OptionError(f"{MOST} arrangements are kept already", where=name, remedy="Drop one that is not used.")
    path.write_text(axes_text(axes), encoding="utf-8", newline="\n")
    return path


def axes_text(axes: Axes) -> str:
    """An arrangement as ``axes.toml``."""
    return tomlkit.dumps(axes.model_dump(mode="json", by_alias=True, exclude_none=True, exclude_defaults=True))


def find(folder: Path, name: str) -> Path:
    """The file of a kept arrangement.

    Raises
    ------
    OptionError
        There is none of that name.
    """
    path = folder / ARRANGEMENTS / f"{name}.toml"
    if not path.is_file():
        raise OptionError(f"there is no arrangement {name!r}", where=ARRANGEMENTS)
    return path


def drop(folder: Path, name: str) -> None:
    """Take an arrangement away; it waits aside until another of its name is taken away."""
    path = find(folder, name)
    aside = path.parent / ASIDE
    aside.mkdir(exist_ok=True)
    path.replace(aside / path.name)


def put_back(folder: Path, name: str) -> None:
    """Put an arrangement back that was taken away.

    Raises
    ------
    OptionError
        None waits, or another has its name since.
    """
    place = folder / ARRANGEMENTS
    waiting = place / ASIDE / f"{name}.toml"
    if not waiting.is_file() or (place / waiting.name).exists():
        raise OptionError(f"there is no arrangement {name!r} to put back", where=ARRANGEMENTS)
    waiting.replace(place / waiting.name)
