"""Why a peer can't be talked to, in words that a technician can act on."""

from __future__ import annotations

import socket
import ssl
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from pipeline.config.peers import Peer
from pipeline.errors import SendError
from pipeline.outputs.send.tls import server_name, tls_context

_LISTEN_S = 0.5
_TRANSIENT = 2  # result of a rejection, PS3.8 table 9-21
_BY_USER, _BY_PRESENTATION = 1, 3  # its source
_CALLING_AE, _CALLED_AE = 3, 7  # its reason, from the service user


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong with a peer; ``lasting`` if trying again won't help before someone acts."""

    peer: Peer
    what: str
    remedy: str
    lasting: bool

    def as_error(self) -> SendError:
        """The same as an error."""
        return SendError(self.what, where=address(self.peer), remedy=self.remedy)


def address(peer: Peer) -> str:
    """A peer's name and where it is."""
    return f"peer {peer.name} ({peer.ae_title} at {peer.host}:{peer.port})"


def rejection(peer: Peer, own_title: str, primitive: Any) -> Trouble:
    """What a peer meant that answered the greeting with no (A-ASSOCIATE-RJ)."""
    result, source = primitive.result, primitive.result_source
    if source == _BY_USER and primitive.diagnostic == _CALLED_AE:
        return Trouble(
            peer,
            f"doesn't answer to the AE title {peer.ae_title!r}",
            "Ask for its AE title and correct ae_title in the peers' config",
            lasting=True,
        )
    if source == _BY_USER and primitive.diagnostic == _CALLING_AE:
        return Trouble(
            peer,
            f"doesn't know our AE title {own_title!r}",
            "Have it entered there, or correct own_ae_title in the peers' config",
            lasting=True,
        )
    busy = result == _TRANSIENT or source == _BY_PRESENTATION
    return Trouble(
        peer,
        f"turned us away: {primitive.reason_str or primitive.result_str}",
        "It is busy, try later" if busy else "Ask who looks after it",
        lasting=not busy,
    )


def no_connection(peer: Peer) -> Trouble | None:
    """Why a peer can't be connected to, and encryption agreed on; None if it can.

    Tried by itself, before any DICOM: in an association that fails the reason gets lost.
    """
    try:
        with socket.create_connection((peer.host, peer.port), timeout=peer.timeout_s) as bare:
            if peer.tls is not None:
                _greet_encrypted(peer, bare)
    except socket.gaierror as error:
        return Trouble(
            peer,
            f"has no such host ({error.strerror})",
            "Correct host in the peers' config, or check the network",
            lasting=False,  # a field machine without network knows no names either
        )
    except ssl.SSLCertVerificationError as error:
        return Trouble(
            peer,
            f"shows a certificate that isn't trusted: {error.verify_message}",
            "Check ca_file and server_name under [peer.tls]; do not send in the clear instead",
            lasting=True,
        )
    except ssl.SSLError as error:
        return Trouble(
            peer,
            f"can't agree on encryption (TLS): {error.reason or error}",
            "Check that it expects TLS on this port, and our certificate, if it asks for one",
            lasting=True,
        )
    except OSError as error:
        return Trouble(
            peer,
            f"is down or can't be reached ({error.strerror or error or 'no answer in time'})",
            "Check that it runs, its host and port, and the network; the queue keeps all",
            lasting=False,
        )
    return None


def no_greeting(peer: Peer) -> Trouble:
    """What may be wrong with a peer that takes a connection but answers no association."""
    return Trouble(
        peer,
        "takes a connection but gives no greeting"
        + ("" if peer.tls else " (perhaps it expects TLS)"),
        "Check its port, and whether [peer.tls] is needed",
        lasting=False,
    )


def _greet_encrypted(peer: Peer, bare: socket.socket) -> None:
    context = tls_context(peer)
    assert context is not None  # only asked for peers with TLS
    with context.wrap_socket(bare, server_hostname=server_name(peer)) as encrypted:
        encrypted.settimeout(_LISTEN_S)
        with suppress(TimeoutError):
            encrypted.recv(1)  # in TLS 1.3 a refused certificate of ours is told only here
