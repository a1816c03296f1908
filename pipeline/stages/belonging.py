"""Which frames don't belong where the table puts them, from what all overlaps say together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from pipeline.stages.adjustment import Adjustment
from pipeline.stages.matching import Link, Ties

_FEW_TIES = 3
_MOSTLY_WRONG = 0.7  # part of a frame's ties that are wrong before the frame itself is called so
_OUTVOTED = 3  # so many times more overlaps must differ than match
_LARGEST_GROUP = 0.25  # of the frames: a larger one is no stranger but lies beyond a slip

_ELSE = "wrong_place: it shows something else than the frames that should lie beside it"
_TWICE = (
    "wrong_place: the scan passes here twice, and these frames show other metal than the others"
)
_EITHER = "wrong_place: it or the frame beside it shows another place; nothing tells which of them"


def strangers(frames: int, links: Sequence[Link]) -> dict[int, str]:
    """Frames (0 … ``frames`` − 1) that show other things than the rest, with the reason.

    ``links`` are those between these frames, by these numbers. Links with ties join frames to
    groups. Where two groups differ the smaller one is strange, unless it differs only from
    strangers itself: so the fewest frames are named that explain all differences. Two equally small
    groups that differ are both left out, as one of them is wrong. Groups larger than a quarter of
    the scan, and the largest, are never named: what differs from them may lie beyond a slip; unless
    most of the smaller group stands between frames of the larger one, as when a scan was begun anew
    with other counts: of two as large as each other the one that begins later then goes. Over a
    ring's datum only single frames are told strange: a ring that doesn't close differs there too.
    """
    same = [(link.a, link.b) for link in links if len(link.ties)]
    differs = [(link.a, link.b) for link in links if link.differs]
    if not differs:
        return {}
    group = _groups(frames, same)
    size = np.bincount(group, minlength=frames)
    most = min(max(1, int(_LARGEST_GROUP * frames)), int(size.max()) - 1)
    against: dict[int, set[int]] = {}
    for a, b in differs:
        for one, other in ((int(group[a]), int(group[b])), (int(group[b]), int(group[a]))):
            if not _wraps(a, b, frames) or size[one] == 1:
                against.setdefault(one, set()).add(other)
    reasons: dict[int, str] = {}
    for number in sorted(against, key=lambda k: (-size[k], k)):
        larger = any(size[k] > size[number] for k in against[number] - set(reasons))
        if larger and size[number] <= most:
            reasons[number] = _ELSE
    among = _begun_anew(group, size, against, set(reasons))
    reasons |= dict.fromkeys(among, _TWICE)
    open_still = {k for k in set(against) - set(reasons) if size[k] <= most}
    for number in open_still:
        if any(size[k] == size[number] for k in (against[number] & open_still) - {number}):
            reasons[number] = _EITHER
    if not reasons:
        straight = [(a, b) for a, b in differs if not _wraps(a, b, frames)]
        return dict.fromkeys(_outvoted(frames, same, straight), _ELSE)
    return {k: reasons[int(group[k])] for k in range(frames) if int(group[k]) in reasons}


def _begun_anew(
    group: np.ndarray, size: np.ndarray, against: Mapping[int, set[int]], named: set[int]
) -> set[int]:
    """Groups of several frames that mostly stand between frames of a group that they differ from,
    and that isn't smaller."""
    found: set[int] = set()
    for number in sorted(set(against) - named, key=lambda k: (size[k], -k)):
        mine = np.flatnonzero(group == number)
        for other in against[number] - named - found:
            theirs = np.flatnonzero(group == other)
            between = (mine > theirs[0]) & (mine < theirs[-1])
            larger = (size[other], -other) > (size[number], -number)
            if larger and len(mine) > 1 and 2 * between.sum() > len(mine):
                found.add(number)
    return found


def _wraps(a: int, b: int, frames: int) -> bool:
    """Whether the two lie at the scan's two ends, so that only a ring's datum joins them."""
    return abs(b - a) > frames / 2


def _outvoted(
    frames: int, same: Iterable[tuple[int, int]], differs: Iterable[tuple[int, int]]
) -> list[int]:
    """The one frame, if any, that most clearly differs from its neighbours though it matches some
    of them (by chance, or because both hold the same gauge), so that it sits in their group."""
    votes = np.zeros((2, frames), dtype=np.int64)
    for row, pairs in enumerate((same, differs)):
        for pair in pairs:
            votes[row, list(pair)] += 1
    matching, differing = votes
    clear = (matching > 0) & (differing >= _OUTVOTED * matching)
    if not clear.any():
        return []
    return [int(np.argmax(np.where(clear, differing / np.maximum(matching, 1), -1.0)))]


def _groups(frames: int, same: Iterable[tuple[int, int]]) -> np.ndarray:
    """For every frame the lowest number of those that it hangs together with."""
    group = np.arange(frames)
    for a, b in same:
        low, high = sorted((int(group[a]), int(group[b])))
        group[group == high] = low
    return group


def contradicting(ties: Ties, solved: Adjustment) -> dict[int, str]:
    """Frames (by number) most of whose ties were called wrong: at most the worst one at a time,
    because a misplaced frame spoils its neighbours' ties too."""
    worst: tuple[float, int, str] | None = None
    for k in range(len(solved.position_mm)):
        mine = (ties.a == k) | (ties.b == k)
        total = int(mine.sum())
        past = (np.minimum(ties.a, ties.b) < k) & (np.maximum(ties.a, ties.b) > k) & ~solved.wraps
        if total == 0 and bool(past.any()):
            return {k: "wrong_place: the frames beside it match each other, not this one"}
        if total < _FEW_TIES:
            continue
        share = float(solved.rejected[mine].mean())
        if share > _MOSTLY_WRONG and (worst is None or share > worst[0]):
            reason = f"wrong_place: {share:.0%} of its {total} ties contradict the other frames"
            worst = (share, k, reason)
    return {} if worst is None else {worst[1]: worst[2]}


def unlinked(ties: Ties, frames: int, wraps: np.ndarray) -> tuple[int, ...]:
    """Frames (from the second on) that no tie joins, directly or past them, to any earlier one.

    Ties over a ring's datum (``wraps``) don't count: they join the two ends.
    """
    spans = np.zeros(frames + 1, dtype=np.int64)
    low, high = np.minimum(ties.a, ties.b)[~wraps], np.maximum(ties.a, ties.b)[~wraps]
    np.add.at(spans, low + 1, 1)
    np.add.at(spans, high + 1, -1)
    joined = np.cumsum(spans)
    return tuple(int(k) for k in range(1, frames) if joined[k] <= 0)
