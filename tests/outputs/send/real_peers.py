"""Real peers, started and ended by the tests: dcmtk's storescp and Orthanc.

Both are Debian packages (dcmtk, orthanc). Only to be started within ``own_network``.
"""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import time
import urllib.request
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

_UP_S = 30.0


@dataclass
class Server:
    """A server process on a port of the loopback."""

    command: Sequence[str | Path]
    port: int
    log: Path
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it takes connections."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [str(word) for word in self.command], stdout=log, stderr=log, cwd=self.log.parent
            )
        until = time.monotonic() + _UP_S
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return
            except OSError:
                if self.process.poll() is not None or time.monotonic() > until:
                    raise RuntimeError(self.log.read_text(errors="replace")[-2000:]) from None
                time.sleep(0.02)

    def end(self, how: signal.Signals = signal.SIGKILL) -> None:
        """End it, by default without any warning."""
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait()
            self.process = None


def storescp(folder: Path, port: int, *options: str) -> Server:
    """dcmtk's receiver: each arrival becomes a file of its own in ``folder/arrived``."""
    program = shutil.which("storescp")
    assert program is not None
    arrived = folder / "arrived"
    arrived.mkdir(parents=True, exist_ok=True)
    command = [program, "-v", "-aet", "STORE", "-od", arrived, "-uf", "+xa", *options, str(port)]
    return Server(command, port, folder / "storescp.log")


@dataclass
class Orthanc:
    """An Orthanc server, and what its REST interface tells."""

    folder: Path
    port: int = 4242
    rest: int = 8042
    more: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        config = {
            "StorageDirectory": str(self.folder / "storage"),
            "IndexDirectory": str(self.folder / "storage"),
            "DicomAet": "ORTHANC",
            "DicomCheckCalledAet": True,
            "DicomPort": self.port,
            "HttpPort": self.rest,
            "RemoteAccessAllowed": False,
            "AuthenticationEnabled": False,
            "OverwriteInstances": True,  # so that a second arrival is seen
            "StableAge": 100000,  # it would number changes of its own
            "DicomModalities": {"us": ["GIRTHSTRIP", "127.0.0.1", 11113]},
            **self.more,
        }
        path = self.folder / "orthanc.json"
        path.write_text(json.dumps(config), encoding="utf-8")
        program = shutil.which("Orthanc")
        assert program is not None
        self.server = Server([program, path], self.port, self.folder / "orthanc.log")

    def start(self) -> None:
        """Start it, and wait until it answers."""
        self.server.start()

    def end(self) -> None:
        """Kill it."""
        self.server.end()

    def get(self, path: str) -> Any:
        """What the REST interface says."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.rest}{path}", timeout=10) as answer:
            return json.loads(answer.read())

    def raw(self, path: str) -> bytes:
        """The same as bytes."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.rest}{path}", timeout=60) as answer:
            return bytes(answer.read())

    def instances(self) -> list[str]:
        """The identifiers of all instances there."""
        return list(self.get("/instances"))

    def arrivals(self) -> int:
        """How many arrivals there were, each a weld of its own; one that came twice counts twice.

        A new one makes four changes (patient, study, series, instance). One that comes again takes
        the place of the old, which takes its changes with it; but their numbers are used up.
        """
        last = int(self.get("/changes?last")["Last"])
        assert last % 4 == 0
        return last // 4
