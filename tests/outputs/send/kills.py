"""A queue sent while sender and peer are killed again and again."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

_MAIN = "from pipeline.cli import main; main()"
_MOST_S = 900.0


class Peer(Protocol):
    """What can be started and killed."""

    def start(self) -> None: ...

    def end(self) -> None: ...


@dataclass(frozen=True)
class Toll:
    """How many kills of each there were, how many files' endings were unclear, and how long all
    took."""

    senders: int
    peers: int
    unclear: int
    seconds: float


def girthstrip(*words: str | Path) -> subprocess.Popen[bytes]:
    """The command as a process of its own, which can be killed."""
    return subprocess.Popen(
        [sys.executable, "-c", _MAIN, *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def send_through_kills(
    peers: Path, name: str, peer: Peer, *, count: int, kills: int, seed: int
) -> Toll:
    """Send the whole queue, killing the sender and the peer ``kills`` times each on the way.

    The kills come when so and so many of ``count`` files have been delivered, spread over the first
    three quarters; half of them while a file is on its way.
    """
    rng = random.Random(seed)
    places = sorted(rng.sample(range(1, 3 * count // 4), 2 * kills))
    victims = ["sender", "peer"] * kills
    rng.shuffle(victims)
    events = list(zip(places, victims, strict=True))
    database = peers.parent / "queue" / "queue.sqlite"
    begin, unclear = time.monotonic(), 0
    sender = girthstrip("send", "run", "--peers", peers, "--to", name, "--quiet")
    try:
        while sender.poll() is None or events:
            assert time.monotonic() - begin < _MOST_S
            if sender.poll() is not None:
                raise AssertionError(f"ended early: {sender.returncode}, {sender.communicate()}")
            if not events or _delivered(database) < events[0][0]:
                time.sleep(0.001)
                continue
            _, victim = events.pop(0)
            if rng.random() < 0.5:
                _wait_for_one_on_its_way(database)
            if victim == "sender":
                sender.kill()
                sender.communicate()
                unclear += _in_state(database, "sending")
                sender = girthstrip("send", "run", "--peers", peers, "--to", name, "--quiet")
            else:
                peer.end()
                time.sleep(rng.uniform(0, 0.3))
                unclear += _in_state(database, "doubtful")
                peer.start()
        assert sender.returncode == 0, sender.communicate()
    finally:
        if sender.poll() is None:
            sender.kill()
        sender.communicate()
    return Toll(victims.count("sender"), victims.count("peer"), unclear, time.monotonic() - begin)


def sent_times(peers: Path, name: str) -> dict[str, int]:
    """How often sending of each SOP instance UID began."""
    return dict(_rows(peers, "SELECT sop_instance, sent FROM entry WHERE peer = ?", name))


def how_confirmed(peers: Path, name: str) -> dict[str, int]:
    """How many deliveries were known in which way."""
    query = "SELECT confirmed, count(*) FROM entry WHERE peer = ? GROUP BY confirmed"
    return dict(_rows(peers, query, name))


def _rows(peers: Path, query: str, *values: str) -> Sequence[tuple[str, int]]:
    database = sqlite3.connect(peers.parent / "queue" / "queue.sqlite", timeout=30)
    try:
        return database.execute(query, values).fetchall()
    finally:
        database.close()


def _delivered(database: Path) -> int:
    return _in_state(database, "delivered")


def _wait_for_one_on_its_way(database: Path) -> None:
    until = time.monotonic() + 0.2
    while not _in_state(database, "sending") and time.monotonic() < until:
        pass


def _in_state(path: Path, state: str) -> int:
    database = sqlite3.connect(path, timeout=30)
    try:
        query = "SELECT count(*) FROM entry WHERE state = ?"
        return int(database.execute(query, (state,)).fetchone()[0])
    finally:
        database.close()
