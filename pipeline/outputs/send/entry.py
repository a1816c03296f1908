"""One file on its way to one peer, and the states that it goes through.

    WAITING ──► SENDING ──► DELIVERED
       ▲           │
       │           ├──► REFUSED     the peer said no: a person must look
       │           ├──► WAITING     the peer asked for patience, or nothing had been sent
       │           └──► DOUBTFUL    no answer came: it may have arrived
       │                   │
       └───────────────────┴──► DELIVERED, HELD

    all but SENDING, DELIVERED ──► DROPPED

What is found SENDING when a run begins was cut off by a power cut or a kill, so it is DOUBTFUL.
HELD is what only a person can decide: the file has changed, or doubt that must not end in sending
again. DROPPED is what a person gave up by ``girthstrip send drop``. Only ``girthstrip send again``
leads out of DELIVERED, REFUSED, HELD and DROPPED, and ``send add`` of a file that takes the place
of one that never arrived.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path


class State(StrEnum):
    """Where a file stands on its way to a peer."""

    WAITING = "waiting"
    SENDING = "sending"
    DOUBTFUL = "doubtful"
    DELIVERED = "delivered"
    REFUSED = "refused"
    HELD = "held"
    DROPPED = "dropped"


OPEN = (State.WAITING, State.DOUBTFUL)
"""What a run still works on."""


class Commitment(StrEnum):
    """What a peer said to the question whether it keeps a file for good."""

    NOT_ASKED = ""
    NOT_OFFERED = "not offered"
    NO_ANSWER = "no answer"
    COMMITTED = "committed"
    NOT_HELD = "not held"


@dataclass(frozen=True, slots=True)
class Instance:
    """One DICOM file as it was when it was looked at; ``path`` is absolute.

    ``weld`` is what the file calls the component (PatientID, in DICONDE the component's ID).
    """

    path: Path
    sha256: str
    size_bytes: int
    weld: str
    sop_instance: str
    sop_class: str
    transfer_syntax: str
    study: str
    series: str


@dataclass(frozen=True, slots=True)
class Entry(Instance):
    """A file for a peer, and its way through the queue. Times are seconds since 1970, UTC.

    ``sent`` counts how often sending began, ``attempts`` the same since a person last asked.
    ``told`` is the last thing that the peer or the file made known, ``confirmed`` how we know that
    it arrived.
    """

    id: int
    peer: str
    state: State
    attempts: int
    sent: int
    not_before: float
    queued_at: float
    changed_at: float
    told: str
    confirmed: str
    commitment: Commitment
    noted: bool
