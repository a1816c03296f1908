"""Working through the queue until everything has arrived or a person must look.

A file is delivered once the peer has said so. What ended unclearly (the connection broke between
the data and the answer, or we were cut off) is first looked for at the peer, by C-FIND, else by
storage commitment; only what the peer doesn't have is sent again. A peer that answers neither gets
the same file under the same SOP instance UID again: by the rules of DICOM a UID names one instance
for all time (PS3.5 clause 9), so the peer holds it once however often it comes. Who wants to decide
that himself sets ``unclear = "hold"``.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Any

from pipeline.config.peers import Peer, SendJob
from pipeline.outputs.send.commitment import MOST_AT_ONCE, Asker, HungUp, commitment_service
from pipeline.outputs.send.connection import MOST_PAIRS, Away, accepted_pairs, association
from pipeline.outputs.send.entry import Commitment, Entry, State
from pipeline.outputs.send.obstacle import changed, not_taken
from pipeline.outputs.send.presence import find_service, has_it
from pipeline.outputs.send.queue import Queue
from pipeline.outputs.send.store import Ending, send_file
from pipeline.outputs.send.trouble import Trouble, address

Progress = Callable[[str, int, int], None]
Waiting = Callable[[str], None]
_BATCH = 200
_NAP_S = 0.2


@dataclass
class _Way:
    """How it goes with one peer."""

    peer: Peer
    pause_s: float
    not_before: float = 0.0
    last_good: float = field(default_factory=time.monotonic)
    trouble: Trouble | None = None
    given_up: bool = False
    asked: bool = False  # for commitment, since the last file arrived
    mute: bool = False  # hung up when asked for commitment


def deliver(
    queue: Queue,
    job: SendJob,
    *,
    progress: Progress,
    waiting: Waiting,
    only: str | None = None,
) -> Sequence[Trouble]:
    """Send what is open, to all peers of the config or to one; returns what is wrong with peers.

    Ends when nothing is open, or when every peer with something open is given up: at once where
    trying again can't help, else ``give_up_s`` after the last file that got through. ``waiting`` is
    told of each pause, and why.

    Raises:
        SendError: another process sends from this queue, or certificates can't be used.
        OutputError: the queue can't be written; nothing is lost by that.
    """
    peers = [peer for peer in job.peer if only is None or peer.name == only]
    with queue.running(), Asker(job).listening() as asker:
        courier = _Courier(queue, job, asker, progress, waiting)
        ways = [_Way(peer, job.retry.first_s) for peer in peers]
        while sum(courier.turn(way) for way in ways):  # any() would leave some out
            now = time.time()
            nap = min((_wait_s(queue, way, now) for way in ways if not way.given_up), default=0.0)
            time.sleep(max(min(nap, _NAP_S), 0.0))
    return [way.trouble for way in ways if way.trouble is not None]


def _wait_s(queue: Queue, way: _Way, now: float) -> float:
    due = queue.next_due(way.peer.name)
    return _NAP_S if due is None else max(due, way.not_before) - now


class _Courier:
    """What all peers' rounds share."""

    def __init__(
        self, queue: Queue, job: SendJob, asker: Asker, progress: Progress, waiting: Waiting
    ) -> None:
        self.queue, self.job, self.asker, self.progress = queue, job, asker, progress
        self.waiting = waiting
        entries = [one for one in queue.entries() if one.state is not State.DROPPED]
        self.total = len(entries)
        self.done = sum(one.state is State.DELIVERED for one in entries)

    def turn(self, way: _Way) -> bool:
        """Do what is due for a peer; whether there is, or will be, more to do."""
        name = way.peer.name
        now = time.time()
        due = self.queue.next_due(name)
        wanted = way.peer.commitment != "never" and not way.asked
        uncommitted = wanted and self.queue.to_commit(name, 1)
        if way.given_up or (due is None and not uncommitted):
            return False
        if now < way.not_before or (due is not None and due > now):
            return True
        try:
            if due is not None:
                self._send_due(way)
            else:
                self._ask_commitment(way)
                return self.queue.next_due(name) is not None
        except Away as away:
            self._step_back(way, away.trouble)
        return not way.given_up

    def _step_back(self, way: _Way, trouble: Trouble) -> None:
        """Wait longer each time; give up where waiting can't help or has lasted long enough."""
        way.trouble = trouble
        way.not_before = time.time() + way.pause_s
        way.pause_s = min(2 * way.pause_s, self.job.retry.longest_s)
        quiet_s = time.monotonic() - way.last_good
        only_question = self.queue.next_due(way.peer.name) is None
        asked_before = only_question and all(
            one.commitment is Commitment.NO_ANSWER
            for one in self.queue.to_commit(way.peer.name, -1)
        )
        patience_s = 0.0 if asked_before else self.job.retry.give_up_s
        way.given_up = trouble.lasting or quiet_s >= patience_s
        if not way.given_up:
            left_s = self.job.retry.give_up_s - quiet_s
            self.waiting(
                f"{address(way.peer)} {trouble.what}; next try in "
                f"{way.not_before - time.time():.0f} s, given up if nothing gets through for "
                f"another {left_s:.0f} s"
            )
        elif only_question:  # all is delivered or needs somebody
            self._without_answer(way)

    def _send_due(self, way: _Way) -> None:
        """One association, and everything due that fits into it."""
        batch = self.queue.due(way.peer.name, time.time(), _BATCH)
        pairs = list(dict.fromkeys((one.sop_class, one.transfer_syntax) for one in batch))
        pairs = pairs[:MOST_PAIRS]
        batch = [one for one in batch if (one.sop_class, one.transfer_syntax) in pairs]
        with self._association(way.peer, pairs) as opened:
            taken = accepted_pairs(opened)
            while batch:
                for entry in batch:
                    if not opened.is_established:
                        raise Away(_hung_up(way.peer))
                    self._one(way, opened, taken, entry)
                batch = [
                    one
                    for one in self.queue.due(way.peer.name, time.time(), _BATCH)
                    if (one.sop_class, one.transfer_syntax) in taken
                ]

    def _association(
        self, peer: Peer, pairs: Sequence[tuple[str, str]] = ()
    ) -> AbstractContextManager[Any]:
        services = [find_service()]
        services += [commitment_service()] if peer.commitment != "never" else []
        return association(self.job, peer, pairs, services, self.asker.handlers)

    def _one(self, way: _Way, opened: Any, taken: set[tuple[str, str]], entry: Entry) -> None:
        """One entry a step further."""
        if entry.state is State.DOUBTFUL and not self._to_be_sent(way, opened, entry):
            return
        if (entry.sop_class, entry.transfer_syntax) not in taken:
            told = not_taken(entry, taken)
            self.queue.update(entry, State.REFUSED, told=told)
            return
        wrong = changed(entry)
        if wrong:
            self.queue.update(entry, State.HELD, told=wrong)
            return
        self.queue.update(
            entry,
            State.SENDING,
            sent=entry.sent + 1,
            attempts=entry.attempts + 1,
            told="",
            not_before=0.0,
        )
        sent = send_file(opened, entry)
        if sent.ending is Ending.STORED:
            self._arrived(way, entry, "the peer's answer", sent.told)
        elif sent.ending is Ending.REFUSED:
            self.queue.update(entry, State.REFUSED, told=sent.told)
        elif sent.ending is Ending.NOT_SENT:
            self.queue.update(
                entry, State.WAITING, sent=entry.sent, attempts=entry.attempts, told=sent.told
            )
            raise Away(_hung_up(way.peer))
        elif sent.ending is Ending.LATER:
            self._later(entry, sent.told)
        else:
            self._unclear(way, entry, sent.told)

    def _unclear(self, way: _Way, entry: Entry, told: str) -> None:
        """No answer: look for it at the peer later; a file that keeps ending so is held."""
        tried = entry.attempts + 1
        if tried >= self.job.retry.attempts:
            self.queue.update(entry, State.HELD, told=f"{told}, {tried} times in a row")
        else:
            ask_from = time.time() + way.peer.settle_s
            self.queue.update(entry, State.DOUBTFUL, told=told, not_before=ask_from)
        raise Away(_hung_up(way.peer))

    def _to_be_sent(self, way: _Way, opened: Any, entry: Entry) -> bool:
        """Clears up a doubtful entry; whether it must be sent (again)."""
        if not entry.not_before:  # found so when the run began: the peer may still be storing it
            ask_from = time.time() + way.peer.settle_s
            self.queue.update(entry, State.DOUBTFUL, not_before=ask_from)
            return False
        there, how = has_it(opened, entry), "found at the peer (C-FIND)"
        asks = way.peer.commitment != "never" and not way.mute
        if there is None and opened.is_established and asks:
            try:
                answer = self.asker.ask(opened, way.peer, [entry])[entry.sop_instance]
            except HungUp:
                way.mute = True
                raise
            told = {Commitment.COMMITTED: True, Commitment.NOT_HELD: False}
            there, how = told.get(answer), "found at the peer (storage commitment)"
        if there:
            self._arrived(way, entry, how, entry.told)
            return False
        if there is None and not opened.is_established:
            raise Away(_hung_up(way.peer))
        if there is None and way.peer.unclear == "hold":
            told_so = f"{entry.told}; the peer can't be asked whether it has it"
            self.queue.update(entry, State.HELD, told=told_so)
            return False
        return True

    def _arrived(self, way: _Way, entry: Entry, how: str, told: str) -> None:
        self.queue.update(entry, State.DELIVERED, confirmed=how, told=told)
        way.last_good, way.pause_s = time.monotonic(), self.job.retry.first_s
        way.trouble, way.asked = None, False
        self.done += 1
        self.progress("sending", self.done, max(self.total, self.done))

    def _later(self, entry: Entry, told: str) -> None:
        """The peer asked for patience: later, and after too many times a person must look."""
        retry, tried = self.job.retry, entry.attempts + 1
        if tried >= retry.attempts:
            told_so = f"{told}, {tried} times in a row"
            self.queue.update(entry, State.REFUSED, told=told_so)
            return
        pause_s = min(retry.first_s * 2 ** min(tried - 1, 30), retry.longest_s)
        self.queue.update(entry, State.WAITING, told=told, not_before=time.time() + pause_s)

    def _ask_commitment(self, way: _Way) -> None:
        """Ask about everything that was delivered, each once."""
        asked: set[int] = set()
        with self._association(way.peer) as opened:
            while not way.asked:
                known = self.queue.to_commit(way.peer.name, MOST_AT_ONCE + len(asked))
                entries = [one for one in known if one.id not in asked][:MOST_AT_ONCE]
                asked |= {one.id for one in entries}
                if entries:
                    self._take_answers(entries, self._answers(way, opened, entries))
                way.asked = not entries

    def _answers(
        self, way: _Way, opened: Any, entries: Sequence[Entry]
    ) -> Mapping[str, Commitment]:
        if not way.mute and opened.is_established:
            try:
                return self.asker.ask(opened, way.peer, entries)
            except HungUp:
                way.mute = True
        return {one.sop_instance: Commitment.NO_ANSWER for one in entries}

    def _without_answer(self, way: _Way) -> None:
        """Delivered is what the peer took, even if it isn't there for the question after it."""
        entries = self.queue.to_commit(way.peer.name, -1)
        self._take_answers(entries, {one.sop_instance: Commitment.NO_ANSWER for one in entries})
        way.trouble = None

    def _take_answers(self, entries: Sequence[Entry], answers: Mapping[str, Commitment]) -> None:
        for entry in entries:
            answer = answers[entry.sop_instance]
            if answer is Commitment.NOT_HELD:
                told = "the peer said it was stored, but doesn't hold it"
                self.queue.update(entry, State.HELD, commitment=answer, told=told)
            else:
                self.queue.update(entry, State.DELIVERED, commitment=answer)


def _hung_up(peer: Peer) -> Trouble:
    return Trouble(
        peer, "went away in the middle", "Check that it runs, and the network", lasting=False
    )
