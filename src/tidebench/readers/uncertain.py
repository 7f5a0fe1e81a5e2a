"""How far the samples of a recording may be off, as a file beside its signals says it.

A Parquet table with a ``time [s]`` column and a column of standard deviations per channel, in canonical units, with
``<channel> above`` and ``<channel> below`` for how far it may have gone beyond a sample; what concerns channels as a
whole stands in its metadata as JSON under ``uncertainty``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from tidebench.errors import SignalError
from tidebench.recording import Recording, Uncertainty

Samples = npt.NDArray[np.float64]

_TIME, _KEY = "time [s]", "uncertainty"
_SIDES = ("above", "below")
_Share = Mapping[str, float]


class _Shared(BaseModel):
    model_config = ConfigDict(extra="forbid")

    together_s: float = Field(gt=0, le=60)
    jitter_s: float = Field(default=0.0, ge=0, le=60)
    offset: _Share = Field(default_factory=dict)
    scale: _Share = Field(default_factory=dict)
    shift_s: _Share = Field(default_factory=dict)
    clock: float = Field(default=0.0, ge=0, le=1)
    notes: tuple[str, ...] = ()


def write_uncertainty(uncertainty: Uncertainty, rate_hz: float, path: Path) -> None:
    """The file of an uncertainty whose samples lie ``rate_hz`` apart from 0 s on."""
    n = len(next(iter(uncertainty.samples.values())))
    shared = _Shared(**{name: getattr(uncertainty, name) for name in _Shared.model_fields})
    columns = {_TIME: np.arange(n) / rate_hz, **uncertainty.samples}
    for side in _SIDES:
        columns |= {f"{name} {side}": far for name, far in getattr(uncertainty, side).items()}
    pl.DataFrame(columns).with_columns(pl.all().fill_nan(None)).write_parquet(
        path, metadata={_KEY: shared.model_dump_json()}
    )


def read_uncertainty(path: Path, recording: Recording) -> Uncertainty:
    """The uncertainty of a recording's samples.

    Raises
    ------
    SignalError
        No such file, or one that doesn't say this.
    """
    try:
        table = pl.read_parquet(path, glob=False)
        said: dict[str, Any] = json.loads(pl.read_parquet_metadata(path).get(_KEY, "null"))
        shared = _Shared.model_validate(said)
        time = table[_TIME].to_numpy()
        here = np.arange(len(recording)) / recording.rate_hz
        told = {
            name: np.interp(here, time, table[name].cast(pl.Float64).fill_null(float("nan")).to_numpy())
            for name in table.columns if name.partition(" ")[0] in recording
        }  # fmt: skip
    except (OSError, ValueError, ValidationError, pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        raise SignalError(
            f"the uncertainty of samples can't be read ({str(error).splitlines()[0][:100]})",
            where=path.name, expected="the file that `tidebench picture` wrote beside the signals",
        ) from None  # fmt: skip
    above, below = (
        {name: told[of] for name in recording.channels if (of := f"{name} {side}") in told} for side in _SIDES
    )
    samples = {name: sd for name, sd in told.items() if name in recording}
    return Uncertainty(samples, **shared.model_dump(), above=above, below=below)


def joined(parts: Sequence[Recording], places: Sequence[slice], rate_hz: float, length: int) -> Uncertainty | None:
    """Of several recordings on one clock: samples in their places, of the rest the largest; None where none says."""
    known = [part.uncertainty for part in parts if part.uncertainty is not None]
    if not known:
        return None
    samples, above, below = (
        {name: np.zeros(length) for one in known for name in getattr(one, key)} for key in ("samples", *_SIDES)
    )
    for part, place in zip(parts, places, strict=True):
        here, there = np.arange(place.stop - place.start) / rate_hz, np.arange(len(part)) / part.rate_hz
        for key, whole in (("samples", samples), ("above", above), ("below", below)):
            for name, told in (getattr(part.uncertainty, key) if part.uncertainty else {}).items():
                whole[name][place] = np.interp(here, there, told)
    offset, scale, shift_s = (
        {name: max(getattr(one, key).get(name, 0.0) for one in known) for name in samples}
        for key in ("offset", "scale", "shift_s")
    )
    together_s, jitter_s, clock = (
        max(getattr(one, key) for one in known) for key in ("together_s", "jitter_s", "clock")
    )
    return Uncertainty(samples, together_s, jitter_s, offset, scale, shift_s, clock, above=above, below=below)
