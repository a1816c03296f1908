"""Encryption from the config: whose certificates count, and which one is ours."""

from __future__ import annotations

import ssl

from pipeline.config.peers import Peer, Tls
from pipeline.errors import SendError


def tls_context(peer: Peer) -> ssl.SSLContext | None:
    """What encrypts the way to a peer; None where the config wants none.

    TLS 1.2 at least; the peer's certificate and name are always checked.

    Raises:
        SendError: a certificate or key can't be read or used.
    """
    if peer.tls is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    _load(peer, "ca_file", lambda tls: context.load_verify_locations(tls.ca_file))
    if peer.tls.certificate_file is not None:
        _load(
            peer,
            "certificate_file or key_file",
            lambda tls: context.load_cert_chain(tls.certificate_file, tls.key_file),
        )
    return context


def server_name(peer: Peer) -> str:
    """The name that the peer's certificate must be for."""
    return (peer.tls.server_name if peer.tls else None) or peer.host


def _load(peer: Peer, key: str, load: object) -> None:
    tls: Tls | None = peer.tls
    try:
        load(tls)  # type: ignore[operator]
    except (OSError, ssl.SSLError, ValueError) as error:
        reason = getattr(error, "reason", None) or getattr(error, "strerror", None) or error
        named = [str(getattr(tls, one)) for one in key.split(" or ")]
        raise SendError(
            f"{key} of peer {peer.name!r} can't be used ({reason})",
            where=", ".join(named),
            expected="certificates and keys in PEM, the key without a password",
            remedy="Correct [peer.tls] in the peers' config",
        ) from error
