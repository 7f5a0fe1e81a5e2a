"""What every reader hands on: columns as they stand in the file, and what they hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from tidebench.readers.headers import Column


@dataclass(frozen=True)
class Table:
    """Columns of a file, in the file's own units.

    Attributes
    ----------
    frame : polars.DataFrame
        A column per quantity, named by it: ``Float64``, null or NaN where a cell is empty. ``time`` may be
        ``Datetime``.
    columns : mapping of str to Column
        Where each quantity stood, and its unit.
    source : str
        File name.
    warnings : tuple of str
        What the reader noticed.
    """

    frame: pl.DataFrame
    columns: Mapping[str, Column]
    source: str
    warnings: tuple[str, ...] = ()
