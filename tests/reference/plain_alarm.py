"""A plain twin of the replayed alarm and of the rules on crowding: loops over breaths and pairs, nothing clever."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

Span = tuple[float, float]


@dataclass(frozen=True)
class Piece:
    """A value and the stretch during which it holds; ``joined`` where it follows the one before without a break."""

    value: float | None
    from_s: float
    until_s: float
    joined: bool


def soundings(pieces: Sequence[Piece], limit: float, side: str, delay_s: float) -> list[Span]:
    """When an alarm sounds: followed piece by piece, as a ventilator would."""
    found: list[Span] = []
    since: float | None = None
    ended = 0.0
    for piece in pieces:
        if since is not None and not piece.joined:
            found += [(since + delay_s, ended)] if ended - since > delay_s else []
            since = None
        beyond = piece.value is not None and (piece.value > limit if side == "high" else piece.value < limit)
        if beyond:
            since = piece.from_s if since is None else since
            ended = piece.until_s
        elif since is not None:
            found += [(since + delay_s, ended)] if ended - since > delay_s else []
            since = None
    if since is not None and ended - since > delay_s:
        found.append((since + delay_s, ended))
    return found


def missed(sounds: Sequence[Span], events: Sequence[Span], grace_s: float) -> int:
    """Events that no sounding meets, from their begin to the end of grace."""
    return sum(not any(a < end + grace_s and b > begin for a, b in sounds) for begin, end in events)


def floods(at: Sequence[float], window_s: float = 600.0, begins: int = 10, ends: int = 5) -> list[tuple[float, float]]:
    """Begin and end of floods, by counting at every instant at which a count can change."""
    instants = sorted({*at, *(one + window_s for one in at)})
    found: list[tuple[float, float]] = []
    started: float | None = None
    until = float("-inf")
    for now in instants:
        inside = [one for one in at if one <= now < one + window_s]
        if started is None and len(inside) >= begins:
            started = max(inside[0], until)
        if started is not None and len(inside) < ends:
            found.append((started, now))
            until, started = now, None
    return found


def union_s(spans: Sequence[Span]) -> float:
    """Seconds in at least one of the spans."""
    total, reached = 0.0, float("-inf")
    for begin, end in sorted(spans):
        total += max(0.0, end - max(begin, reached))
        reached = max(reached, end)
    return total
