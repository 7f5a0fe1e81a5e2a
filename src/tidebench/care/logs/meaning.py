"""What a row of a log is: its kind, its name, on or off. Told once for each phrase, not for each row."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TypeVar

import polars as pl

from tidebench.care.logs.words import (
    BARE,
    FILLERS,
    KIND_WORDS,
    KINDS,
    PRIORITIES,
    PRIORITY_WORDS,
    STATE_WORDS,
    STATES,
    Finder,
    Kind,
    State,
    Words,
    finder,
    plain,
    tokens,
)
from tidebench.errors import LogError

Word = TypeVar("Word", bound=str)

MOST_PHRASES = 50_000
"""Different phrases that are looked at; a log with more has texts that are never the same."""
LONGEST = 80
"""Letters of a name; what is longer is a text."""
NUMBER = r"\b\d+(?:[.,]\d+)?\b"
SHOWN = 8
BLANK = "…"
"""What stands for a number within a name: the same alarm at 41 and at 43 cmH2O has one name."""

_KIND_OF: dict[str, Kind] = {word: kind for kind in reversed(KIND_WORDS) for word in KIND_WORDS[kind]}
_STATE_OF: dict[str, State] = {word: state for state, words in STATE_WORDS.items() for word in words}
_GENERIC = FILLERS | _KIND_OF.keys() | _STATE_OF.keys()


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a phrase means; ``kind`` is None where no word tells it."""

    kind: Kind | None
    state: State | None
    name: str


def meaning_of(kind: str, name: str, text: str, words: Words) -> Meaning:
    """What the cells of a row say together.

    Parameters
    ----------
    kind, name, text : str
        The cells, empty where there are none; numbers in them stand as :data:`BLANK`.
    words : Words
        A house's own words come first, those of the trade after them.
    """
    told = next((meant for cell in (kind, name, text) if cell and (meant := words.kind_of(cell))), "")
    own_kind, _, own_state = told.partition(" ")
    generic = not kind or words.kind_of(kind) is not None or set(tokens(kind)) <= _GENERIC
    called = name or (text if generic and _speaks(text) else kind or text)
    bare, state = _without_state(called)
    if kind and generic:
        state = state or _state_in(kind)
    found = _known(own_kind, KINDS) or _kind_in(kind) or _kind_in(name or text)
    named = words.name_of(bare) or bare or found or called
    return Meaning(
        found, _known(own_state, STATES) or state, named if len(named) <= LONGEST else f"{named[:LONGEST]}{BLANK}"
    )


def _speaks(cell: str) -> bool:
    return any(letter.isalpha() for letter in cell)


def _known(word: str, known: tuple[Word, ...]) -> Word | None:
    return next((one for one in known if one == word), None)


def _kind_in(phrase: str) -> Kind | None:
    found = {_KIND_OF[word] for word in tokens(phrase) if word in _KIND_OF}
    return next((kind for kind in KIND_WORDS if kind in found), None)


def _state_in(phrase: str) -> State | None:
    return next((_STATE_OF[word] for word in reversed(tokens(phrase)) if word in _STATE_OF and word not in BARE), None)


def _without_state(phrase: str) -> tuple[str, State | None]:
    """A phrase without the word for on or off at its end: ``Apnoea alarm ended`` is ``Apnoea alarm``, off."""
    said = tokens(phrase)
    if not said or said[-1] not in _STATE_OF or said[-1] in BARE:
        return phrase.strip(), None
    left = re.sub(rf"[\W_]*\b{re.escape(said[-1])}\b[\W_]*$", "", phrase, flags=re.IGNORECASE)
    return left.strip(), _STATE_OF[said[-1]]


def with_meaning(phrases: pl.DataFrame, words: Words, where: str) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Phrases with what they mean.

    Parameters
    ----------
    phrases : DataFrame
        Each combination of cells once: text columns ``kind``, ``name``, ``text``, ``priority``, ``state``.
    words : Words
    where : str
        The file, for messages.

    Returns
    -------
    phrases : DataFrame
        With ``meant_kind`` (null where no word tells it), ``meant_state`` and ``meant_name`` beside.
    notes : tuple of str

    Raises
    ------
    LogError
        Hardly any row is like another.
    """
    notes: tuple[str, ...] = ()
    keys = ["_kind", "_name", "_text"]
    plainly = phrases.with_columns(pl.col(key[1:]).str.replace_all(NUMBER, BLANK).alias(key) for key in keys)
    different = plainly.select(keys).unique()
    if different.height > MOST_PHRASES:
        notes = (f"The text is different in {different.height} events, so they are named without it.",)
        plainly = plainly.with_columns(pl.lit(None, pl.String).alias("_text"))
        different = plainly.select(keys).unique()
    if different.height > MOST_PHRASES:
        raise LogError(
            f"{different.height} events have no name in common",
            where=where,
            expected=f"at most {MOST_PHRASES} different names",
            remedy='Say which column names the event: --column "their header=name".',
        )
    found = [meaning_of(kind or "", name or "", text or "", words) for kind, name, text in different.rows()]
    meant = different.with_columns(
        pl.Series("meant_kind", [one.kind for one in found], pl.String),
        pl.Series("meant_state", [one.state for one in found], pl.String),
        pl.Series("meant_name", _one_spelling([one.name for one in found]), pl.String),
    )
    return plainly.join(meant, on=keys, how="left", nulls_equal=True).drop(keys), notes


def classified(phrases: pl.DataFrame, words: Words, *, alarms_only: bool) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Phrases with kind, priority and state in the words of this package; notes name words that nobody knows."""
    priority, strange_priorities = _translated(phrases["priority"], finder(words.priorities, PRIORITY_WORDS))
    state, strange_states = _translated(phrases["state"], finder(words.states, STATE_WORDS))
    graded = priority.is_in(PRIORITIES[:3]).fill_null(value=False) | alarms_only
    unsaid = pl.when(graded).then(pl.lit("alarm")).otherwise(pl.lit("other"))
    found = phrases.with_columns(
        priority.alias("meant_priority"),
        pl.coalesce(state, "meant_state").alias("meant_state"),
        pl.coalesce("meant_kind", unsaid).alias("meant_kind"),
    )
    quiet = (pl.col("meant_kind") == "alarm") & (pl.col("meant_priority") == "information")
    found = found.with_columns(pl.when(quiet).then(pl.lit("message")).otherwise("meant_kind").alias("meant_kind"))
    unknown = found.filter(pl.col("meant_kind") == "other")["meant_name"].unique().sort().to_list()
    notes = [
        _strange(strange_priorities, "priority", "[priorities]"),
        _strange(strange_states, "on or off", "[states]"),
        _strange(unknown, "kind of event", "[kinds]"),
    ]
    return found, tuple(note for note in notes if note)


def _translated(cells: pl.Series, find: Finder) -> tuple[pl.Series, list[str]]:
    """Words in this package's own, null where nobody knows them; and those."""
    different = cells.drop_nulls().unique().sort()
    meant = pl.Series([find(word) for word in different], dtype=pl.String)
    found = cells.replace_strict(different, meant, default=None, return_dtype=pl.String)
    return found, different.filter(meant.is_null()).to_list()


def _strange(words: list[str], what: str, table: str) -> str:
    if not words:
        return ""
    told = ", ".join(repr(word[:40]) for word in words[:SHOWN])
    more = f" and {len(words) - SHOWN} more" if len(words) > SHOWN else ""
    return f"No {what} is known for {told}{more}: say it in {table} of a file of words."


def _one_spelling(names: list[str]) -> list[str]:
    """Names that differ in case, blanks and signs alone, in one of their spellings."""
    first: dict[str, str] = {}
    for name in sorted(names):
        first.setdefault(plain(name), name)
    return [first[plain(name)] for name in names]
