"""A loopback network for real peers, and a peers' config to call the commands with."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.outputs.send.loopback import own_network


@pytest.fixture
def network() -> Iterator[None]:
    """A loopback of its own; skipped where the system gives none."""
    try:
        with own_network():
            yield
    except OSError as error:
        pytest.skip(f"real peers open all addresses, and no network of their own: {error}")


@pytest.fixture
def dcmtk(network: None) -> None:
    """dcmtk is there."""
    if shutil.which("storescp") is None:
        pytest.skip("dcmtk is not installed (Debian package dcmtk)")


@pytest.fixture
def orthanc_program(network: None) -> None:
    """Orthanc is there."""
    if shutil.which("Orthanc") is None:
        pytest.skip("Orthanc is not installed (Debian package orthanc)")


@pytest.fixture
def peers(tmp_path: Path) -> Path:
    """A config of two peers, impatient so that tests are fast."""
    path = tmp_path / "peers.toml"
    path.write_text(
        """
[sender]
ae_title = "GIRTHSTRIP"
queue = "queue"
commitment_port = 11113

[retry]
first_s = 0.1
longest_s = 0.5
give_up_s = 15
attempts = 12

[[peer]]
name = "orthanc"
host = "127.0.0.1"
port = 4242
ae_title = "ORTHANC"
timeout_s = 5
response_s = 20
settle_s = 0.5

[[peer]]
name = "store"
host = "127.0.0.1"
port = 11112
ae_title = "STORE"
timeout_s = 5
response_s = 20
settle_s = 0.5
""",
        encoding="utf-8",
    )
    return path
