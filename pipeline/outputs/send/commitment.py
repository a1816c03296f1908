"""Storage commitment: asking a peer whether it keeps files for good (PS3.4 annex J).

The answer comes later, over the same association or over one that the peer opens to us. For the
second we listen, while a run lasts and by default on the loopback only, and take nothing but
answers to questions that this run asked.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from pipeline.config.peers import Peer, SendJob
from pipeline.errors import SendError
from pipeline.outputs.send.connection import Away, offers
from pipeline.outputs.send.entry import Commitment, Entry
from pipeline.outputs.send.trouble import Trouble

MOST_AT_ONCE = 200
_ACTION, _ALL_KEPT = 1, 1
_PROCESSING_FAILURE = 0x0110  # PS3.7 annex C
_POLL_S = 0.05
_SAME_WAY_S = 10.0  # for an answer over the same association, the only way where we don't listen


class HungUp(Away):
    """A peer closed the association instead of answering the question, as some do whose list of
    peers lacks us."""


@dataclass
class _Answers:
    """Answers by transaction, as they come in on other threads; others than the ``awaited`` are
    turned down."""

    awaited: set[str] = field(default_factory=set)
    by_transaction: dict[str, Mapping[str, Commitment]] = field(default_factory=dict)
    came: threading.Condition = field(default_factory=threading.Condition)

    def receive(self, event: Any) -> tuple[int, None]:
        """Take an N-EVENT-REPORT."""
        told = event.event_information
        transaction = str(told.get("TransactionUID", ""))
        if transaction not in self.awaited:
            return _PROCESSING_FAILURE, None
        result: dict[str, Commitment] = {}
        for one in told.get("ReferencedSOPSequence", ()):
            result[str(one.ReferencedSOPInstanceUID)] = Commitment.COMMITTED
        for one in told.get("FailedSOPSequence", ()):
            result[str(one.ReferencedSOPInstanceUID)] = Commitment.NOT_HELD
        with self.came:
            self.by_transaction[transaction] = result
            self.came.notify_all()
        return 0x0000, None


class Asker:
    """Asks peers for commitment, and hears their answers while it is open."""

    def __init__(self, job: SendJob) -> None:
        self._job, self._answers = job, _Answers()

    @contextmanager
    def listening(self) -> Iterator[Asker]:
        """Hear late answers too, where the config names a port.

        Raises:
            SendError: the port is taken.
        """
        port = self._job.sender.commitment_port
        if port is None:
            yield self
            return
        server = self._serve(port)
        try:
            yield self
        finally:
            server.shutdown()

    def _serve(self, port: int) -> Any:
        from pynetdicom import AE, evt  # noqa: PLC0415 - slow

        address = self._job.sender.commitment_address
        entity = AE(ae_title=self._job.sender.ae_title)
        entity.add_supported_context("1.2.840.10008.1.1")
        entity.add_supported_context(commitment_service(), scu_role=False, scp_role=True)
        try:
            return entity.start_server(
                (address, port),
                block=False,
                evt_handlers=[(evt.EVT_N_EVENT_REPORT, self._answers.receive)],
            )
        except OSError as error:
            raise SendError(
                f"commitment_port {port} can't be listened at ({error.strerror})",
                where=f"{address}:{port}",
                remedy="Name another port under [sender], or none; commitment_address must be one "
                "of this machine's own",
            ) from error

    @property
    def handlers(self) -> list[Any]:
        """What an association must be opened with so that answers over it are heard."""
        from pynetdicom import evt  # noqa: PLC0415 - slow

        return [(evt.EVT_N_EVENT_REPORT, self._answers.receive)]

    def ask(self, opened: Any, peer: Peer, entries: Sequence[Entry]) -> Mapping[str, Commitment]:
        """What the peer says of each, by SOP instance UID; waits ``response_s`` for it.

        The association must have been opened with ``commitment_service`` and ``handlers``. A second
        one beside it wouldn't do: some peers serve one at a time.

        Raises:
            HungUp: the peer closed the association instead.
        """
        uids = [one.sop_instance for one in entries]
        transaction = None
        if offers(opened, commitment_service()):
            transaction = self._request(opened, peer, entries)
        if transaction is None:
            return dict.fromkeys(uids, Commitment.NOT_OFFERED)
        told = self._wait(opened, transaction, peer.response_s)
        return {uid: told.get(uid, Commitment.NO_ANSWER) for uid in uids}

    def _request(self, opened: Any, peer: Peer, entries: Sequence[Entry]) -> str | None:
        """Ask by N-ACTION; the transaction's UID, or None if the peer won't."""
        from pynetdicom.sop_class import (  # noqa: PLC0415 - slow
            StorageCommitmentPushModelInstance,
        )

        question = _question(entries)
        self._answers.awaited.add(str(question.TransactionUID))
        try:
            status, _ = opened.send_n_action(
                question, _ACTION, commitment_service(), StorageCommitmentPushModelInstance
            )
        except (RuntimeError, ValueError):
            return None
        if "Status" not in status:  # it has gone; whether it heard us can't be told
            raise HungUp(
                Trouble(peer, "hung up when asked for commitment", "Try later", lasting=False)
            )
        return str(question.TransactionUID) if status.Status == 0 else None

    def _wait(self, opened: Any, transaction: str, most_s: float) -> Mapping[str, Commitment]:
        """The answer to a transaction; empty if none comes in time."""
        reachable = self._job.sender.commitment_port is not None
        until = time.monotonic() + (most_s if reachable else min(most_s, _SAME_WAY_S))
        with self._answers.came:
            while transaction not in self._answers.by_transaction:
                left = until - time.monotonic()
                if left <= 0 or not (reachable or opened.is_established):
                    return {}
                self._answers.came.wait(min(left, _POLL_S))
            return self._answers.by_transaction.pop(transaction)


def commitment_service() -> str:
    """The SOP class for the question."""
    from pynetdicom.sop_class import (  # type: ignore[attr-defined]  # noqa: PLC0415
        StorageCommitmentPushModel,
    )

    return str(StorageCommitmentPushModel)


def _question(entries: Sequence[Entry]) -> Any:
    """The data set that asks for some files, under a transaction of its own."""
    from pydicom.dataset import Dataset  # noqa: PLC0415 - slow
    from pydicom.uid import generate_uid  # noqa: PLC0415

    question = Dataset()
    question.TransactionUID = generate_uid()
    question.ReferencedSOPSequence = []
    for entry in entries:
        item = Dataset()
        item.ReferencedSOPClassUID = entry.sop_class
        item.ReferencedSOPInstanceUID = entry.sop_instance
        question.ReferencedSOPSequence.append(item)
    return question
