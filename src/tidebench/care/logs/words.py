"""The words of an event log: kinds, priorities, on and off. Trade words are known, a house's own come from its file.

No maker's words are held here. A file of words says what a house's log means by its own::

    [columns]
    "When" = "time"
    "What" = "text"

    [clock]
    format = "%d.%m.%Y %H:%M:%S"
    offset_s = 75

    [kinds]
    "Paw above" = "alarm on"
    "Paw above, gone" = "alarm off"

    [priorities]
    "!!!" = "high"

    [settings]
    "O2" = "fio2 [%]"

Words are compared without regard to case and blanks, and to signs where no two words differ in signs alone.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from tidebench.case_errors import explain
from tidebench.entries import Within, refusal, toml_text
from tidebench.errors import OptionError

Kind = Literal["alarm", "setting", "hold", "standby", "calibration", "message", "other"]
Priority = Literal["high", "medium", "low", "information"]
State = Literal["on", "off", "acknowledged"]
Role = Literal[
    "time",
    "date",
    "until",
    "duration",
    "bed",
    "kind",
    "priority",
    "state",
    "name",
    "text",
    "value",
    "before",
    "ignore",
]

KINDS: tuple[Kind, ...] = get_args(Kind)
PRIORITIES: tuple[Priority, ...] = get_args(Priority)
"""High, medium and low priority of an alarm condition, and the information signal, which is none (IEC 60601-1-8)."""
STATES: tuple[State, ...] = get_args(State)
ROLES: tuple[Role, ...] = get_args(Role)
MOST_BYTES = 1 << 20
PLACE = "file of words"

KIND_WORDS: dict[Kind, tuple[str, ...]] = {
    "setting": ("setting", "settings", "changed", "parameter"),
    "alarm": ("alarm", "alarms", "alert"),
    "hold": ("hold", "occlusion", "manoeuvre", "maneuver"),
    "standby": ("standby",),
    "calibration": ("calibration", "calibrated", "calibrate", "zeroing", "check", "test"),
    "message": ("message", "information", "info", "notice", "note"),
}
"""Words of the trade by which a kind of event is told; of a phrase with several, the kind that stands first here."""

STATE_WORDS: dict[State, tuple[str, ...]] = {
    "acknowledged": ("acknowledged", "acknowledge", "ack", "paused", "silenced"),
    "off": (
        *("off", "inactive", "end", "ends", "ended", "stop", "stopped", "cleared", "resolved", "reset", "gone"),
        *("false", "0", "no", "deactivated", "finished"),
    ),
    "on": (
        *("on", "active", "activated", "start", "starts", "started", "begin", "begins", "began", "raised", "onset"),
        *("true", "1", "yes", "occurred"),
    ),
}
PRIORITY_WORDS: dict[Priority, tuple[str, ...]] = {
    "high": ("high", "highpriority", "h"),
    "medium": ("medium", "mediumpriority", "med", "m"),
    "low": ("low", "lowpriority", "l"),
    "information": ("information", "informationsignal", "info", "i"),
}
BARE = frozenset({"0", "1", "yes", "no", "true", "false", "set", "gone"})
"""Words for on and off that stand in a column of their own only, since in a phrase they mean other things."""
FILLERS = frozenset({"event", "condition", "priority", "state", "signal", "inspiratory", "expiratory", "change"})
"""Words that name no event by themselves."""


def plain(word: str) -> str:
    """A word without case, blanks and signs between letters and digits."""
    return re.sub(r"[\W_]+", "", word.casefold()) or word.strip().casefold()


def tokens(words: str) -> list[str]:
    """The words of a phrase, lower case."""
    return re.findall(r"[^\W_]+", re.sub(r"\bstand[ -]by\b", "standby", words.casefold()))


Finder = Callable[[str], str | None]
"""Finds what a word means; None where nobody knows it."""


def finder(own: Mapping[str, str], trade: Mapping[Any, tuple[str, ...]] | None = None) -> Finder:
    """Finds a house's own words first, as written but for case and blanks, then without their signs, then the trade's.

    Without signs a word is found only where no other of the house's has the same letters and another meaning:
    ``ALM+`` and ``ALM-`` stay two.
    """
    exact = {_squeezed(word): meaning for word, meaning in own.items()}
    loose: dict[str, set[str]] = {}
    for word, meaning in own.items():
        loose.setdefault(plain(word), set()).add(meaning)
    known = {plain(word): meaning for meaning, words in (trade or {}).items() for word in words}
    known |= {word: next(iter(meanings)) for word, meanings in loose.items() if len(meanings) == 1}
    return lambda word: exact.get(_squeezed(word)) or known.get(plain(word))


def _squeezed(word: str) -> str:
    return " ".join(word.split()).casefold()


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Clock(_Table):
    """How times are written, and how far the log's clock is off."""

    format: str = ""
    offset_s: Annotated[float, Within(-1e9, 1e9, "s")] = 0.0


class Words(_Table):
    """What a house's log means by its words.

    Attributes
    ----------
    columns : mapping of str to str
        Header to role, with a unit where a role has one: ``"time [ms]"``, ``"duration [s]"``.
    clock : Clock
        ``format`` as strptime has it; ``offset_s`` is added to every time.
    kinds : mapping of str to str
        Word of the kind, or else of the text, to a kind, with on or off where it says so: ``"alarm off"``.
    priorities, states, names, modes : mapping of str to str
        Names make one of several spellings; modes are codes in the style of ISO 19223.
    settings : mapping of str to str
        Name of a setting to a settings key, with a unit where it is another: ``"fio2 [%]"``.
    settings_text : str
        A regular expression with the groups ``name`` and ``value``, and ``before`` where it is told, for logs that
        write a change of settings as a phrase.
    capacity_rows : int or None
        How many rows a log of fixed length keeps.
    """

    columns: dict[str, str] = Field(default_factory=dict)
    clock: Clock = Clock()
    kinds: dict[str, str] = Field(default_factory=dict)
    priorities: dict[str, Priority] = Field(default_factory=dict)
    states: dict[str, State] = Field(default_factory=dict)
    names: dict[str, str] = Field(default_factory=dict)
    settings: dict[str, str] = Field(default_factory=dict)
    modes: dict[str, str] = Field(default_factory=dict)
    settings_text: str = ""
    capacity_rows: Annotated[int | None, Field(ge=1, strict=True)] = None

    @field_validator("kinds")
    @classmethod
    def _known_kinds(cls, kinds: dict[str, str]) -> dict[str, str]:
        for word, meaning in kinds.items():
            kind, _, state = meaning.partition(" ")
            if kind not in KINDS or state not in ("", *STATES):
                raise refusal(f"says {meaning!r} of {word!r}", f"one of {', '.join(KINDS)}, with on or off behind it")
        return kinds

    @field_validator("columns")
    @classmethod
    def _known_roles(cls, columns: dict[str, str]) -> dict[str, str]:
        for header, meaning in columns.items():
            if role_of(meaning)[0] not in ROLES:
                raise refusal(f"says {meaning!r} of {header!r}", f"one of {', '.join(ROLES)}")
        return columns

    @model_validator(mode="after")
    def _groups(self) -> Self:
        if not self.settings_text:
            return self
        try:
            groups = re.compile(self.settings_text).groupindex
        except re.error as error:
            raise refusal(
                f"has a settings_text that is no regular expression ({error})", "one in single quotes"
            ) from None
        if not {"name", "value"} <= groups.keys():
            raise refusal("has a settings_text without the groups name and value", "(?P<name>...) and (?P<value>...)")
        return self

    @cached_property
    def kind_of(self) -> Finder:
        """What the house says of a word of kind, such as ``"alarm off"``."""
        return finder(self.kinds)

    @cached_property
    def name_of(self) -> Finder:
        """The house's one name for several spellings."""
        return finder(self.names)

    def with_columns(self, told: Mapping[str, str]) -> Self:
        """The same with further columns, which stand instead of those of the file.

        Raises
        ------
        OptionError
            A role that there is none of.
        """
        for header, meaning in told.items():
            if role_of(meaning)[0] not in ROLES:
                raise OptionError(
                    f"{meaning!r} is no role of a column", where=f"--column {header}", expected=", ".join(ROLES)
                )
        return self.model_copy(update={"columns": {**self.columns, **told}})


def role_of(meaning: str) -> tuple[str, str]:
    """Role and unit of ``"time [ms]"``; the unit is empty where none is said."""
    role, _, unit = meaning.strip().partition("[")
    return role.strip().casefold(), unit.rstrip("] ").strip()


def load_words(path: Path | str) -> Words:
    """The words that a file says.

    Raises
    ------
    OptionError
        No such file, not TOML, larger than 1 MiB, an unknown key, a word that can't be.
    """
    file = Path(path)
    said = _toml(file)
    try:
        return Words.model_validate(said)
    except ValidationError as error:
        told = explain(error, said, Words, file.name)
        raise OptionError(told.problem, where=told.where, expected=told.expected, remedy=told.remedy) from None


def _toml(file: Path) -> dict[str, Any]:
    if not file.is_file():
        raise OptionError("there is no such file", where=str(file), expected=f"a {PLACE}, in TOML")
    try:
        if file.stat().st_size > MOST_BYTES:
            raise OptionError("the file is larger than 1 MiB", where=file.name, expected=f"a {PLACE}")
        return tomllib.loads(toml_text(file.read_bytes()))
    except OSError as error:
        raise OptionError(f"this can't be read ({error.strerror or error})", where=str(file)) from error
    except tomllib.TOMLDecodeError as error:
        raise OptionError(f"not TOML: {error}", where=file.name) from None
