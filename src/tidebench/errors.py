"""What can go wrong, drawn at the top.

::

    TidebenchError
    ├── SimulationError      a simulation can't go on: when, and why
    └── InputError           something from outside can't be used as it is
        ├── CaseError        case.toml: a key, a value, a file it names
        ├── SignalError      a file of signals: a header, a line, a clock, a magnitude
        ├── LogError         an event log: a column, a time, a word, a size
        ├── PictureError     a picture or its axes: a format, a size, a panel, a curve that isn't there
        ├── OptionError      an option of a command or an argument of a function
        └── OutputError      the place where a result should go

The message is for the person: where it happened, what was found, what was allowed, what to do.
The attributes are for the program.
"""

from __future__ import annotations

from typing import Any


class TidebenchError(Exception):
    """The root: catch this to catch everything that the library raises on purpose."""

    def __reduce__(self) -> tuple[Any, ...]:
        """Message and attributes, for the way back from another process."""
        return Exception.__new__, (type(self), *self.args), self.__dict__


class SimulationError(TidebenchError):
    """A simulation can't go on.

    Parameters
    ----------
    problem : str
        Why, in plain words, without a full stop at the end.
    where : str
        The scenario and the time.
    """

    def __init__(self, problem: str, *, where: str) -> None:
        self.problem, self.where = problem, where
        super().__init__(f"{where}: {problem}.")


class InputError(TidebenchError):
    """Something from outside can't be used as it is.

    Parameters
    ----------
    problem : str
        What was found, in plain words, without a full stop at the end.
    where : str
        The file, with line, column, key or parameter where known: ``case.toml: [patient] height_cm``.
    expected : str
        What is allowed, if that is not plain from the problem.
    remedy : str
        What to do next.
    """

    def __init__(self, problem: str, *, where: str = "", expected: str = "", remedy: str = "") -> None:
        self.problem, self.where, self.expected, self.remedy = problem, where, expected, remedy
        head = f"{where}: {problem}" if where else problem
        tail = [f"Expected: {expected}." if expected else "", remedy]
        super().__init__(" ".join([f"{head}.", *(part for part in tail if part)]))


class CaseError(InputError):
    """The case description can't be used."""


class SignalError(InputError):
    """A file of signals can't be used."""


class LogError(InputError):
    """An event log can't be used."""


class PictureError(InputError):
    """A picture of waveforms, or what is said of its axes, can't be used."""


class OptionError(InputError):
    """An option or argument can't be used."""


class OutputError(InputError):
    """A result can't be put where it was asked to go."""
