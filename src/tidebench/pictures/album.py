"""Several pictures of one stay: the models of ``album.toml``, and its loading."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from tidebench.case import Stamp
from tidebench.case_errors import explain
from tidebench.errors import PictureError
from tidebench.pictures.agreement import Mend
from tidebench.pictures.axes import Point, floats, one_or_more, toml_of
from tidebench.pictures.corrections import MOST_CORRECTIONS, Correction

ALBUM_FILE = "album.toml"
MOST_PICTURES = 200


class Shot(BaseModel):
    """A picture: its file, its axes, when it was taken, and numbers noted from it.

    Without ``axes`` it is a picture of numbers alone, and its ``observed`` are what it gives. ``at`` goes before the
    stamp in the file. ``corners`` go before those of the axes. ``corrections`` are what a
    person mended of its curves, ``mend`` which channel is scaled where flow summed up and volume disagree.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", validate_by_name=True)

    file: str
    axes: str | None = None
    page: Annotated[int, Field(ge=1, le=10000)] = 1
    at: Stamp | None = None
    corners: Annotated[tuple[Point, Point, Point, Point], BeforeValidator(floats)] | None = None
    observed: Mapping[str, float | str] = Field(default_factory=dict)
    mend: Mend | None = None
    corrections: Annotated[
        tuple[Correction, ...], BeforeValidator(one_or_more), Field(alias="correction", max_length=MOST_CORRECTIONS)
    ] = ()


class Album(BaseModel):
    """All of ``album.toml``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    pictures: Annotated[
        tuple[Shot, ...], BeforeValidator(one_or_more), Field(alias="picture", min_length=1, max_length=MOST_PICTURES)
    ]


def load_album(path: Path | str) -> Album:
    """The pictures that a file lists; their paths count from its folder.

    Raises
    ------
    PictureError
        No such file, not TOML, an unknown key, a value that can't be.
    """
    path = Path(path)
    return album_from(toml_of(path, ALBUM_FILE), name=path.name)


def album_from(said: Mapping[str, Any], *, name: str = ALBUM_FILE) -> Album:
    """The pictures that tables and keys list.

    Raises
    ------
    PictureError
        As :func:`load_album`.
    """
    try:
        return Album.model_validate(said)
    except ValidationError as error:
        told = explain(error, said, Album, name)
        raise PictureError(told.problem, where=told.where, expected=told.expected, remedy=told.remedy) from None
