"""The line over a recording of any length: cut into overlapping stretches, measured, joined.

::

    samples   0         L                    2L                   3L
    stretch 0 |=========|~~~~|
    stretch 1      |~~~~|====================|~~~~|
    stretch 2                           |~~~~|====================|~~~~|

Each stretch is ``LENGTH_S`` long and sees ``MARGIN_S`` more on both sides. Two neighbours are joined at a breath on
whose start both agree, nearest to their border. What a stretch says depends on its own samples alone, so a recording
that arrives in pieces gives the same result as the whole, and a day needs no more memory than its samples.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from tidebench.case import Setting
from tidebench.formulas.tube import TubeLaw
from tidebench.measures.efforts import Efforts, efforts_of
from tidebench.measures.plans import plan_for
from tidebench.measures.stretch import Column, measure

Samples = npt.NDArray[np.float64]

LENGTH_S = 900.0
MARGIN_S = 45.0


@dataclass(frozen=True)
class Piece:
    """What one stretch found: breath columns and efforts, sample indices counted from the recording's first."""

    columns: dict[str, Column]
    efforts: Efforts
    heart_hz: float | None
    terms: tuple[str, ...]
    one_compartment: bool

    def __len__(self) -> int:
        return len(self.columns["start"])


@dataclass(frozen=True)
class State:
    """Where the line stands: samples not yet let go, how many went before them, what is measured and not yet joined."""

    rate_hz: float
    settings: tuple[Setting, ...]
    tube: TubeLaw | None = None
    apart: int = 1
    channels: dict[str, Samples] = field(default_factory=dict)
    gone: int = 0
    stretch: int = 0
    waiting: Piece | None = None

    @property
    def length(self) -> int:
        """Samples of a stretch without its margins."""
        return round(LENGTH_S * self.rate_hz)

    @property
    def margin(self) -> int:
        """Samples of a margin."""
        return round(MARGIN_S * self.rate_hz)


def work(state: State, first: int, last: int) -> Piece | None:
    """Measure the samples from ``first`` to ``last`` of the recording; None where there is no breath."""
    part = {name: samples[first - state.gone : last - state.gone] for name, samples in state.channels.items()}
    found = measure(
        part["airway_pressure"],
        part["flow"],
        state.rate_hz,
        lambda start: plan_for(state.settings, (start + first) / state.rate_hz),
        state.tube,
        state.apart,
    )
    if found is None:
        return None
    efforts = efforts_of(found, part.get("oesophageal_pressure"))
    columns = {**found.columns, **efforts.columns}
    for name in ("start", "turn", "end", "pause", "occluded", "released"):
        columns[name] = columns[name] + first
    lungs = found.explained.lungs
    return Piece(
        columns,
        efforts.shifted(first),
        found.explained.heart_hz,
        lungs[0].terms if lungs else (),
        not found.columns["uneven"].any(),
    )


def seam(left: Piece, right: Piece, border: int) -> int:
    """The sample at which the right piece takes over: the start nearest the border on which both agree."""
    agreed = np.intersect1d(left.columns["start"], right.columns["start"])
    return int(agreed[np.argmin(np.abs(agreed - border))]) if len(agreed) else border


def kept(piece: Piece, first: int, last: int) -> Piece:
    """The part of a piece that starts from ``first`` and before ``last``."""
    start = piece.columns["start"]
    inside = (start >= first) & (start < last)
    return replace(
        piece,
        columns={name: column[inside] for name, column in piece.columns.items()},
        efforts=piece.efforts.kept(first, last),
    )


EVERYTHING = np.iinfo(np.int64).max


def join(state: State, piece: Piece | None, border: int) -> tuple[list[Piece], State]:
    """Join a new piece to the one that waits; what is settled comes out."""
    waiting = state.waiting
    if piece is None:
        return ([waiting] if waiting else []), replace(state, waiting=None)
    if waiting is None:
        return [], replace(state, waiting=kept(piece, border, EVERYTHING))
    at = seam(waiting, piece, border)
    return [kept(waiting, 0, at)], replace(state, waiting=kept(piece, at, EVERYTHING))


def advance(chunk: dict[str, Samples], state: State) -> tuple[list[Piece], State]:
    """Take in a chunk of channels; return the pieces that it settles and the state to go on with.

    A stretch is measured once half a further one has arrived, so that the last of a recording is never a short one.
    """
    channels = {
        name: np.concatenate([state.channels[name], samples]) if name in state.channels else samples
        for name, samples in chunk.items()
    }
    state = replace(state, channels=channels)
    settled: list[Piece] = []
    total = state.gone + len(channels["flow"])
    while total >= (state.stretch + 1) * state.length + state.length // 2 + state.margin:
        pieces, state = step(state, (state.stretch + 1) * state.length + state.margin)
        settled += pieces
    return settled, state


def step(state: State, last: int) -> tuple[list[Piece], State]:
    """Measure the next stretch, which ends at ``last`` with its margin; let go of the samples it was last to need."""
    border = state.stretch * state.length
    piece = work(state, max(state.gone, border - state.margin), last)
    pieces, state = join(state, piece, border if state.stretch else 0)
    needed = max(0, (state.stretch + 1) * state.length - state.margin)
    channels = {name: samples[needed - state.gone :] for name, samples in state.channels.items()}
    return pieces, replace(state, stretch=state.stretch + 1, channels=channels, gone=needed)


def finish(state: State) -> list[Piece]:
    """Measure what is left at the end of a recording."""
    if not state.channels or not len(state.channels["flow"]):
        return [state.waiting] if state.waiting else []
    pieces, state = step(replace(state), state.gone + len(state.channels["flow"]))
    return [*pieces, *([state.waiting] if state.waiting else [])]


def stretches(total: int, state: State) -> Iterator[tuple[int, int, int]]:
    """Border, first and last sample of every stretch of a recording of ``total`` samples."""
    k = 0
    while total >= (k + 1) * state.length + state.length // 2 + state.margin:
        yield k * state.length, max(0, k * state.length - state.margin), (k + 1) * state.length + state.margin
        k += 1
    yield k * state.length, max(0, k * state.length - state.margin), total


def run(
    channels: dict[str, Samples],
    rate_hz: float,
    settings: Sequence[Setting],
    progress: Callable[[float], None] | None,
    tube: TubeLaw | None = None,
    apart: int = 1,
) -> list[Piece]:
    """The whole line over a recording in memory, its stretches on all cores; the same pieces as chunk by chunk."""
    import os
    from concurrent.futures import ThreadPoolExecutor

    state = State(rate_hz, tuple(settings), tube, apart, channels)
    cuts = list(stretches(len(channels["flow"]), state))
    settled: list[Piece] = []
    with ThreadPoolExecutor(min(len(cuts), os.cpu_count() or 1)) as pool:
        worked = pool.map(partial(work, state), [cut[1] for cut in cuts], [cut[2] for cut in cuts])
        for done, ((border, _, _), piece) in enumerate(zip(cuts, worked, strict=True)):
            pieces, state = join(state, piece, border)
            settled += pieces
            if progress:
                progress((done + 1) / len(cuts))
    return [*settled, *([state.waiting] if state.waiting else [])]


def concatenated(pieces: Sequence[Piece]) -> dict[str, Column]:
    """The columns of all pieces, one after the other; empty where there is no breath."""
    names = pieces[0].columns if pieces else {}
    return {name: np.concatenate([piece.columns[name] for piece in pieces]) for name in names}
