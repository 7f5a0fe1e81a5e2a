"""What is said of a picture's axes: the models of ``axes.toml``, and its loading.

Places are pixels of the straightened picture (of the picture itself where nothing is straightened), counted from the
centre of the top left one: as a viewer shows them.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from itertools import combinations
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator, model_validator

from tidebench.case_errors import explain
from tidebench.entries import Within, refusal
from tidebench.errors import OptionError, PictureError
from tidebench.quantities import QUANTITIES
from tidebench.units import Unit, parse_unit

AXES_FILE = "axes.toml"
MOST_BYTES = 1 << 20
MOST_PANELS = 24
MOST_PIXELS = 24_000_000
ABOVE, SAME_CLOCK = 0.5, 0.05
"""Share of the narrower panel's width that lies below another before they stand one above the other, and the share by
which the pixels of a second may differ then: marks are not misread by more (this house's)."""
PER_CENT = "%"
"""In which a trend of a share may stand on a picture."""
CHANNELS = (
    "airway_pressure", "flow", "volume", "oesophageal_pressure", "gastric_pressure", "diaphragm_activity", "co2",
)  # fmt: skip

Pixel = Annotated[float, Within(-10, 20000, "pixels")]
Number = Annotated[float, Within(-1e6, 1e6)]
Point = tuple[Pixel, Pixel]


def one_or_more(value: Any) -> Any:
    """One table stands for a list of one."""
    return (value,) if isinstance(value, dict) else value


def floats(value: Any) -> Any:
    """Whole numbers as numbers, however deep they lie."""
    if isinstance(value, (list, tuple)):
        return tuple(floats(inner) for inner in value)
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


Marks = Annotated[tuple[tuple[Pixel, Number], tuple[Pixel, Number]], BeforeValidator(floats)]


class Panel(_Table):
    """A panel: where it lies, what it shows, and two marks of each axis.

    ``kind`` is ``"curve"`` over seconds, ``"loop"`` of one quantity over another, or ``"trend"`` over hours.
    ``values`` are two (row, value), ``times`` two (column, seconds); ``sweep_s`` are the seconds from edge to edge of a
    display that wraps round. ``across``, with its unit and marks, is what a loop shows from left to right.
    """

    quantity: str
    unit: str
    box: Annotated[tuple[Pixel, Pixel, Pixel, Pixel], BeforeValidator(floats)]
    values: Marks
    kind: Literal["curve", "loop", "trend"] = "curve"
    times: Marks | None = None
    sweep_s: Annotated[float, Within(0.5, 600, "s")] | None = None
    newest: Pixel | None = None
    across: str | None = None
    across_unit: str | None = None
    across_values: Marks | None = None
    colour: str | None = None

    @field_validator("box")
    @classmethod
    def _edges(cls, box: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
        left, top, right, bottom = box
        if right - left < 16 or bottom - top < 16:
            raise refusal(
                f"is {list(box)}", "[left, top, right, bottom], 16 pixels wide and tall at least, counted from the top"
            )
        return box

    @field_validator("values", "times", "across_values")
    @classmethod
    def _apart(cls, marks: Marks | None) -> Marks | None:
        if marks is not None and (abs(marks[0][0] - marks[1][0]) < 4 or marks[0][1] == marks[1][1]):
            raise refusal(f"are {[list(mark) for mark in marks]}", "two [pixel, value] that lie apart in both")
        return marks

    @field_validator("colour")
    @classmethod
    def _hex(cls, colour: str | None) -> str | None:
        if colour is not None and not re.fullmatch(r"#[0-9a-fA-F]{6}", colour):
            raise refusal(f"is {colour!r}", 'red, green and blue in hexadecimal, such as "#1f77b4"')
        return colour

    @model_validator(mode="after")
    def _whole(self) -> Self:
        _check_unit(self.quantity, self.unit, "unit", trend=self.kind == "trend")
        if self.kind == "loop":
            return self._whole_loop()
        if self.kind == "curve" and self.quantity not in CHANNELS:
            raise refusal(f"has quantity {self.quantity!r}", f"one of {', '.join(CHANNELS)}")
        if (self.times is None) == (self.sweep_s is None):
            raise refusal("has not one clock", "either times, two [column, seconds], or sweep_s")
        if self.times is not None and (self.times[0][0] < self.times[1][0]) != (self.times[0][1] < self.times[1][1]):
            raise refusal("has times that run from right to left", "seconds that grow to the right")
        if self.kind == "trend" and self.sweep_s is not None:
            raise refusal("is a trend with sweep_s", "times, two [column, seconds]")
        return self

    def _whole_loop(self) -> Self:
        if self.across is None or self.across_unit is None or self.across_values is None:
            raise refusal("is a loop without its other axis", "across, across_unit and across_values")
        _check_unit(self.across, self.across_unit, "across_unit", trend=False)
        if self.quantity not in CHANNELS or self.across not in CHANNELS:
            raise refusal(f"is a loop of {self.quantity!r} over {self.across!r}", f"two of {', '.join(CHANNELS)}")
        return self

    @property
    def px_s(self) -> float:
        """Pixels to a second."""
        if self.sweep_s is not None:
            return self.size[0] / self.sweep_s
        assert self.times is not None
        (left, first), (right, last) = self.times
        return (right - left) / (last - first)

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in pixels."""
        left, top, right, bottom = self.box
        return right - left, bottom - top


def _check_unit(quantity: str, unit: str, key: str, *, trend: bool) -> None:
    known = QUANTITIES.get(quantity)
    if known is None:
        raise refusal(f"has quantity {quantity!r}", "a quantity of `tidebench quantities`")
    if trend and (unit == known.unit or (known.percent and unit == PER_CENT)):
        return
    try:
        wanted, given = parse_unit(known.canonical or known.unit), parse_unit(unit)
    except OptionError as error:
        raise refusal(f"has {key} {unit!r}", known.unit, error.problem) from None
    if wanted.dimension != given.dimension:
        raise refusal(f"has {key} {unit!r} for {quantity}", f"a unit of {wanted.dimension}, such as {known.unit}")


class Axes(_Table):
    """An arrangement of panels: all of ``axes.toml``.

    ``corners`` are four points of the picture as taken that are a rectangle in truth, clockwise from the top left, or
    ``"find"``; ``size`` is that rectangle's width and height in the straightened picture. ``bend`` is the lens's
    (:class:`tidebench.pictures.straighten.Lens`), found with the corners unless given. ``reading_px`` is how far a mark
    may lie from where it was read, ``corners_px`` how well corners were. ``picture`` is the size of the picture on
    which the places were read, so that they can be moved with another size.
    """

    title: str = ""
    panels: Annotated[tuple[Panel, ...], BeforeValidator(one_or_more), Field(min_length=1, max_length=MOST_PANELS)] = (
        Field(alias="panel")
    )
    corners: Annotated[tuple[Point, Point, Point, Point], BeforeValidator(floats)] | Literal["find"] | None = None
    size: tuple[int, int] | None = None
    picture: tuple[int, int] | None = None
    bend: Annotated[float, Within(-0.3, 0.3)] | None = None
    reading_px: Annotated[float, Within(0.05, 20, "pixels")] = 0.5
    corners_px: Annotated[float, Within(0.05, 50, "pixels")] = 1.0

    @model_validator(mode="after")
    def _one_arrangement(self) -> Self:
        if (self.corners is None) != (self.size is None):
            raise refusal("has only one of corners and size", "both, or neither")
        if self.size is not None and not (min(self.size) >= 32 and self.size[0] * self.size[1] <= MOST_PIXELS):
            raise refusal(f"has size {list(self.size)}", "width and height, 32 pixels or more, 24 megapixels at most")
        curves = [panel.quantity for panel in self.panels if panel.kind == "curve"]
        twice = {name for name in curves if curves.count(name) > 1}
        if twice:
            raise refusal(f"has {', '.join(sorted(twice))} twice", "one curve of each quantity")
        self._check_clock()
        return self

    def _check_clock(self) -> None:
        """Curves one above the other have as many pixels to a second, as far as marks tell."""
        for one, other in combinations(self.curves, 2):
            shared = min(one.box[2], other.box[2]) - max(one.box[0], other.box[0])
            if shared < ABOVE * min(one.size[0], other.size[0]):
                continue
            if abs(one.px_s / other.px_s - 1) > SAME_CLOCK:
                seconds = [f"{panel.size[0] / panel.px_s:.3g} s in {panel.quantity}" for panel in (one, other)]
                raise refusal(
                    f"has panels one above the other whose clocks differ: {' and '.join(seconds)} from edge to edge",
                    "one clock for curves of one screen; of other curves make a picture of their own",
                )

    @property
    def curves(self) -> tuple[Panel, ...]:
        """Panels over seconds, in order."""
        return tuple(panel for panel in self.panels if panel.kind == "curve")


def unit_of(text: str) -> Unit:
    """A unit that :class:`Panel` has checked."""
    return parse_unit(text)


def load_axes(path: Path | str) -> Axes:
    """The arrangement that a file describes.

    Raises
    ------
    PictureError
        No such file, one that can't be read, larger than 1 MiB, not TOML, an unknown key, a value that can't be.
    """
    path = Path(path)
    return axes_from(toml_of(path), name=path.name)


def toml_of(path: Path, kind: str = AXES_FILE) -> dict[str, Any]:
    """Tables and keys of a file.

    Raises
    ------
    PictureError
        No such file, one that can't be read, larger than 1 MiB, or not TOML.
    """
    try:
        if not path.is_file():
            raise PictureError("there is no such file", where=str(path), expected=f"an {kind}")
        if path.stat().st_size > MOST_BYTES:
            raise PictureError("the file is larger than 1 MiB", where=path.name, expected=f"an {kind}")
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise PictureError(f"this can't be read ({error.strerror or error})", where=str(path)) from error
    except UnicodeDecodeError:
        raise PictureError("this is not text in UTF-8", where=path.name, expected="TOML") from None
    except tomllib.TOMLDecodeError as error:
        raise PictureError(f"this is not TOML: {str(error).rstrip('.')}", where=path.name) from None


def axes_from(said: Mapping[str, Any], *, name: str = AXES_FILE) -> Axes:
    """The arrangement that tables and keys describe.

    Raises
    ------
    PictureError
        As :func:`load_axes`.
    """
    try:
        return Axes.model_validate(said)
    except ValidationError as error:
        told = explain(error, said, Axes, name)
        raise PictureError(told.problem, where=told.where, expected=told.expected, remedy=told.remedy) from None
