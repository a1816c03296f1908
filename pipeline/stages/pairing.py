"""Which frames are compared with which: few enough to hold, far-reaching enough to be stiff."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

_KEY_STEP = 0.25  # of a frame's length: how far apart the spaced-out frames are
_REACH = 0.88  # of a frame's length: overlaps below the rest are too small to compare


@dataclass(frozen=True, slots=True)
class Pair:
    """Frames ``a`` (earlier) and ``b``; ``wraps`` when b meets a over the datum of a ring."""

    a: int
    b: int
    wraps: bool


def choose_pairs(
    position_mm: Sequence[float], span_mm: float, circumference_mm: float | None, neighbours: int
) -> list[list[Pair]]:
    """For every frame the pairs in which it is b, nearest first.

    Each frame is compared with the ``neighbours`` before it and with spaced-out key frames, so
    that long chains don't drift; frames that reach over the datum of a ring (``circumference_mm``
    given) with the keys at its beginning. At most ``neighbours`` + 4 earlier frames and 4 from
    the beginning are ever needed at once, however dense the scan.
    """
    reach = _REACH * span_mm
    keys: list[int] = []
    result: list[list[Pair]] = []
    for b, here in enumerate(position_mm):
        near = set(range(max(b - neighbours, 0), b))
        spaced = {key for key in keys if here - position_mm[key] < reach}
        earlier = sorted((a for a in near | spaced if here - position_mm[a] < reach), reverse=True)
        pairs = [Pair(a, b, False) for a in earlier]
        if circumference_mm is not None:
            pairs += [
                Pair(a, b, True)
                for a in keys
                if position_mm[a] - position_mm[0] < reach
                and abs(position_mm[a] + circumference_mm - here) < reach
            ]
        result.append(pairs)
        if not keys or here - position_mm[keys[-1]] >= _KEY_STEP * span_mm:
            keys.append(b)
    return result


def last_needed(pairs: Sequence[Sequence[Pair]]) -> dict[int, int]:
    """For every frame the last frame that is compared with it (itself if none is)."""
    last = {b: b for b in range(len(pairs))}
    for group in pairs:
        for pair in group:
            last[pair.a] = max(last[pair.a], pair.b)
    return last
