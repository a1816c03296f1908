"""The config of sending: which peers there are, and how patiently they are tried."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field

from pipeline.config.faults import Fault, Rule
from pipeline.config.load import load_config
from pipeline.config.panel import NotEmpty
from pipeline.config.records import Folder, Job, Section


def _ae_title(text: str) -> str:
    """1 to 16 printable ASCII characters, no backslash, no spaces around (PS3.5 6.2, VR AE)."""
    if not re.fullmatch(r"[ -\[\]-~]{1,16}", text) or text != text.strip():
        raise ValueError(
            "must be an AE title: 1 to 16 plain letters, digits and signs, no backslash, "
            "no space at the ends"
        )
    return text


def _host(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9._:%-]+", text):
        raise ValueError("must be a host's name or address alone, without port or protocol")
    return text


def _address(text: str) -> str:
    try:
        ipaddress.ip_address(text)
    except ValueError as error:
        raise ValueError(
            "must be one of this machine's IP addresses, at which peers reach it; "
            "127.0.0.1 is reached by none but itself"
        ) from error
    return text


AeTitle = Annotated[str, AfterValidator(_ae_title)]
Host = Annotated[str, AfterValidator(_host)]
Address = Annotated[str, AfterValidator(_address)]


class Sender(Section):
    """Who we are to the peers, and where the queue lies."""

    ae_title: AeTitle = "GIRTHSTRIP"
    queue: Folder = Path("queue")
    commitment_port: int | None = Field(
        default=None, ge=1, le=65535, description="where a peer's late answers are awaited"
    )
    commitment_address: Address = "127.0.0.1"


class Retry(Section):
    """How long a peer that is away, or short of room, is tried again."""

    first_s: float = Field(default=2.0, gt=0, le=3600)
    longest_s: float = Field(default=300.0, gt=0, le=86400)
    give_up_s: float = Field(default=600.0, ge=0, description="without any delivery in between")
    attempts: int = Field(default=8, ge=1, le=1000, description="of one file, before it is held")


class Tls(Section):
    """Encryption: whose certificates we trust, and who we are."""

    ca_file: Folder
    certificate_file: Folder | None = None
    key_file: Folder | None = None
    server_name: Host | None = None


class Peer(Section):
    """One DICOM application that strips may be sent to."""

    name: NotEmpty
    host: Host
    port: int = Field(ge=1, le=65535)
    ae_title: AeTitle
    own_ae_title: AeTitle | None = None
    timeout_s: float = Field(
        default=20.0, gt=0, le=3600, description="for reaching it and for its greeting"
    )
    response_s: float = Field(default=120.0, gt=0, le=86400, description="for its answers")
    settle_s: float = Field(
        default=5.0,
        ge=0,
        le=3600,
        description="how long after an unclear ending the peer may still be storing",
    )
    commitment: Literal["if_offered", "never"] = "if_offered"
    unclear: Literal["send_again", "hold"] = "send_again"
    tls: Tls | None = None


def peer_faults(peer: tuple[Peer, ...]) -> Iterator[Fault]:
    """Names of their own, and certificates with their keys."""
    first: dict[str, int] = {}
    for number, one in enumerate(peer):
        same = first.setdefault(one.name, number)
        if same != number:
            yield Fault(("peer", number, "name"), f"is the name of peer[{same}] too", one.name)
        if one.tls and (one.tls.certificate_file is None) != (one.tls.key_file is None):
            given = "key_file" if one.tls.certificate_file is None else "certificate_file"
            yield Fault(
                ("peer", number, "tls", given),
                "needs certificate_file and key_file together",
                getattr(one.tls, given),
            )


def retry_faults(retry: Retry) -> Iterator[Fault]:
    """A first pause no longer than the longest."""
    if retry.longest_s < retry.first_s:
        yield Fault(
            ("retry", "longest_s"), f"must be at least first_s = {retry.first_s:g}", retry.longest_s
        )


class SendJob(Job):
    """All that ``girthstrip send`` needs to know; nothing is sent to a peer that isn't in it."""

    rules: ClassVar[tuple[Rule, ...]] = (
        Rule(("peer",), peer_faults),
        Rule(("retry",), retry_faults),
    )

    sender: Sender = Sender()
    retry: Retry = Retry()
    peer: tuple[Peer, ...]

    def ae_title_for(self, peer: Peer) -> str:
        """What we call ourselves to a peer."""
        return peer.own_ae_title or self.sender.ae_title


def load_peers(path: Path) -> SendJob:
    """The peers and the queue that the file names.

    Raises:
        ConfigError: every fault of the file in one message, a line each.
    """
    return load_config(path, SendJob, {}, "")
