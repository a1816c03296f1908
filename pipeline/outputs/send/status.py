"""What has become of the queue, weld by weld, for people and for programs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from pipeline.outputs.send.admission import Admission
from pipeline.outputs.send.entry import Commitment, Entry, State

SCHEMA = "girthstrip.send_status/1"
_OPEN = (State.WAITING, State.SENDING, State.DOUBTFUL)
_NEEDS_SOMEBODY = (State.REFUSED, State.HELD)
_HINT_MUTE = (
    "hint        to be told whether it keeps what it got, have our AE title, this machine and "
    'commitment_port entered at the peer; or set commitment = "never" for it'
)
_FILES_SHOWN = 5
_WELDS_SHOWN = 20


@dataclass(frozen=True, slots=True)
class WeldStatus:
    """One weld at one peer: its entries in the order they were queued."""

    weld: str
    peer: str
    entries: tuple[Entry, ...]

    def count(self, *states: State) -> int:
        """How many of its files are in one of the states."""
        return sum(one.state in states for one in self.entries)

    @property
    def delivered(self) -> bool:
        """Whether everything of it has arrived, but for what was dropped."""
        return self.count(State.DELIVERED, State.DROPPED) == len(self.entries)

    def as_dict(self) -> Mapping[str, Any]:
        """For programs; times with their zone."""
        return {
            "weld": self.weld,
            "peer": self.peer,
            "delivered": self.delivered,
            "states": dict(sorted(Counter(str(one.state) for one in self.entries).items())),
            "files": [
                {
                    "path": str(one.path),
                    "sha256": one.sha256,
                    "sop_instance": one.sop_instance,
                    "state": str(one.state),
                    "sent_times": one.sent,
                    "confirmed_by": one.confirmed,
                    "commitment": str(one.commitment) or "not asked",
                    "told": one.told,
                    "queued_at": _moment(one.queued_at),
                    "changed_at": _moment(one.changed_at),
                }
                for one in self.entries
            ],
        }

    def text(self) -> str:
        """A line, and lines for what needs somebody."""
        dropped = self.count(State.DROPPED)
        total = len(self.entries) - dropped
        words = [f"{self.count(State.DELIVERED)} of {total} delivered"]
        kept = sum(one.commitment is Commitment.COMMITTED for one in self.entries)
        words += [f"{kept} committed"] if kept else []
        mute = sum(_mute(one) for one in self.entries)
        words += [f"{mute} with no answer whether the peer keeps it"] if mute else []
        words += [f"{dropped} dropped"] if dropped else []
        opened = self.count(*_OPEN)
        words += [f"{opened} waiting"] if opened else []
        lines = [f"{self.weld} to {self.peer}: {', '.join(words)}"]
        odd = [one for one in self.entries if one.state in _NEEDS_SOMEBODY]
        odd += [one for one in self.entries if one.state in _OPEN and one.told]
        lines += [f"  {one.state}: {one.path}: {one.told}" for one in odd[:_FILES_SHOWN]]
        if len(odd) > _FILES_SHOWN:
            lines.append(f"  and {len(odd) - _FILES_SHOWN} more")
        return "\n".join(lines)


def queued_text(peer: str, became: Mapping[Admission, int]) -> str:
    """What became of files that were to be queued, for people."""
    new, replaces = became.get(Admission.NEW, 0), became.get(Admission.REPLACES, 0)
    words = [f"{new + replaces} queued for {peer}"]
    words[0] += f", {replaces} of them in place of what hadn't arrived" if replaces else ""
    known = became.get(Admission.KNOWN, 0)
    words += [f"{known} stood there already, not sent twice"] if known else []
    repacked = became.get(Admission.REPACKED, 0)
    if repacked:
        words.append(
            f"{repacked} stood there already as the same image with its pixels packed otherwise, "
            "not sent twice"
        )
    return "; ".join(words)


def by_weld(entries: Sequence[Entry]) -> tuple[WeldStatus, ...]:
    """The entries gathered by weld and peer, in the order that their first was queued."""
    groups: dict[tuple[str, str], list[Entry]] = {}
    for one in entries:
        groups.setdefault((one.weld, one.peer), []).append(one)
    return tuple(WeldStatus(weld, peer, tuple(found)) for (weld, peer), found in groups.items())


def status_record(welds: Sequence[WeldStatus], troubles: Sequence[str] = ()) -> Mapping[str, Any]:
    """All welds for programs, with sums."""
    states = Counter(str(one.state) for weld in welds for one in weld.entries)
    return {
        "schema": SCHEMA,
        "all_delivered": all(weld.delivered for weld in welds),
        "files": sum(states.values()),
        "states": dict(sorted(states.items())),
        "peers_in_trouble": list(troubles),
        "welds": [weld.as_dict() for weld in welds],
    }


def status_text(welds: Sequence[WeldStatus], troubles: Sequence[str] = ()) -> str:
    """All welds for people; those that are done only as a sum."""
    done = [weld for weld in welds if weld.delivered]
    rest = [weld for weld in welds if not weld.delivered]
    odd_first = sorted(rest, key=lambda weld: weld.count(*_NEEDS_SOMEBODY) == 0)
    lines = [weld.text() for weld in odd_first[:_WELDS_SHOWN]]
    if len(rest) > _WELDS_SHOWN:
        lines.append(f"and {len(rest) - _WELDS_SHOWN} welds more that aren't delivered yet")
    if len(done) <= _FILES_SHOWN:
        lines = [weld.text() for weld in done] + lines
    else:
        lines.insert(0, f"{len(done)} welds delivered in full")
    lines += [f"trouble     {trouble}" for trouble in troubles]
    if any(_mute(one) for weld in welds for one in weld.entries):
        lines.append(_HINT_MUTE)
    if any(one.state in _NEEDS_SOMEBODY for weld in rest for one in weld.entries):
        lines.append(
            "what is refused or held needs somebody: girthstrip send again WELD --to PEER sends it "
            "again, girthstrip send drop WELD --to PEER gives it up"
        )
    elif rest:
        lines.append("what waits is kept; girthstrip send run goes on with it")
    return "\n".join(lines) or "the queue is empty"


def _mute(entry: Entry) -> bool:
    return entry.state is State.DELIVERED and entry.commitment is Commitment.NO_ANSWER


def _moment(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="seconds")
