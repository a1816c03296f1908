"""An association with a peer: opened, checked by C-ECHO, and closed again."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from pipeline.config.peers import Peer, SendJob
from pipeline.outputs.send.tls import server_name, tls_context
from pipeline.outputs.send.trouble import Trouble, no_connection, no_greeting, rejection

MOST_PAIRS = 100
"""So many pairs of SOP class and transfer syntax fit into one association (128, less ours)."""


class Away(Exception):  # noqa: N818 - no fault, the way things are
    """A peer can't be talked to; ``trouble`` says why."""

    def __init__(self, trouble: Trouble) -> None:
        super().__init__(trouble.what)
        self.trouble = trouble


@contextmanager
def association(
    job: SendJob,
    peer: Peer,
    pairs: Iterable[tuple[str, str]] = (),
    services: Iterable[str] = (),
    handlers: Iterable[Any] = (),
) -> Iterator[Any]:
    """An association in which the peer has answered a C-ECHO.

    Every pair of SOP class and transfer syntax is proposed by itself, so that the answer tells of
    each; ``services`` are other SOP classes; ``handlers`` are pynetdicom's.

    Raises:
        Away: the peer can't be reached, turns us away, or doesn't answer.
        SendError: certificates of the config can't be used.
    """
    from pynetdicom import AE, _config  # noqa: PLC0415 - slow
    from pynetdicom.sop_class import Verification  # type: ignore[attr-defined]  # noqa: PLC0415

    logging.getLogger("pynetdicom").setLevel(logging.CRITICAL + 1)  # we tell it ourselves
    _config.STORE_SEND_CHUNKED_DATASET = True  # from the file as it is, never decoded
    own_title = job.ae_title_for(peer)
    entity = AE(ae_title=own_title)
    entity.acse_timeout = entity.connection_timeout = peer.timeout_s
    entity.dimse_timeout = entity.network_timeout = peer.response_s
    for one in (Verification, *services):
        entity.add_requested_context(one)
    for sop_class, syntax in pairs:
        entity.add_requested_context(sop_class, syntax)
    context = tls_context(peer)
    trouble = no_connection(peer)
    if trouble is not None:
        raise Away(trouble)
    opened = entity.associate(
        peer.host,
        peer.port,
        ae_title=peer.ae_title,
        tls_args=None if context is None else (context, server_name(peer)),
        evt_handlers=list(handlers),
    )
    try:
        if opened.is_rejected:
            raise Away(rejection(peer, own_title, opened.acceptor.primitive))
        if not opened.is_established:
            raise Away(no_greeting(peer))
        if not _echoes(opened):
            raise Away(
                Trouble(peer, "doesn't answer to C-ECHO", "Ask who looks after it", lasting=False)
            )
        yield opened
    finally:
        if opened.is_established:
            opened.release()
        elif opened.is_alive():
            opened.abort()


def accepted_pairs(opened: Any) -> set[tuple[str, str]]:
    """The pairs of SOP class and transfer syntax that the peer takes."""
    return {
        (str(one.abstract_syntax), str(syntax))
        for one in opened.accepted_contexts
        for syntax in one.transfer_syntax
    }


def offers(opened: Any, service: str) -> bool:
    """Whether the peer takes a SOP class at all."""
    return any(str(one.abstract_syntax) == service for one in opened.accepted_contexts)


def _echoes(opened: Any) -> bool:
    try:
        answer = opened.send_c_echo()
    except (RuntimeError, ValueError):  # it has gone, or took no Verification
        return False
    return "Status" in answer and answer.Status == 0
