"""A real DICOM server for a moment: files sent to it, found again, their pixels fetched.

Orthanc opens its ports to all addresses, so it only ever runs in a network namespace of its own,
where there is nothing but the loopback interface and nobody outside can reach it:

    unshare --net --map-root-user python -m tests.external.orthanc_run FILES OUT

``FILES`` is a folder of DICOM files; into ``OUT`` go ``found.json`` and the pictures that the
server makes. When this process ends, the server and the namespace are gone.
"""

from __future__ import annotations

import fcntl
import json
import os
import signal
import socket
import struct
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

_PROPOSALS = ("-xe", "-xt", "-xv")  # uncompressed, JPEG-LS lossless, JPEG 2000 lossless
_SIOCGIFFLAGS, _SIOCSIFFLAGS, _IFF_UP = 0x8913, 0x8914, 1
_HTTP, _DICOM = 8042, 4242
_WAIT_S = 60.0


def only_loopback() -> None:
    """Switch the namespace's loopback interface on; refuses to go on where there is another."""
    names = [name for _, name in socket.if_nameindex()]
    if names != ["lo"]:
        sys.exit(f"not in a network namespace of its own: {names}")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as control:
        request = bytearray(fcntl.ioctl(control, _SIOCGIFFLAGS, struct.pack("16sh14x", b"lo", 0)))
        (flags,) = struct.unpack_from("h", request, 16)
        struct.pack_into("h", request, 16, flags | _IFF_UP)
        fcntl.ioctl(control, _SIOCSIFFLAGS, bytes(request))


def rest(path: str, body: object = None) -> bytes:
    """What the server's REST interface answers."""
    data = None if body is None else json.dumps(body).encode()
    with urllib.request.urlopen(f"http://127.0.0.1:{_HTTP}{path}", data, timeout=30) as answer:
        return bytes(answer.read())


@contextmanager
def orthanc(folder: Path) -> Iterator[None]:
    """The server, until the block ends."""
    config = {
        "Name": "TEST",
        "StorageDirectory": str(folder / "storage"),
        "IndexDirectory": str(folder / "storage"),
        "RemoteAccessAllowed": False,
        "AuthenticationEnabled": False,
        "HttpPort": _HTTP,
        "DicomPort": _DICOM,
        "DicomAlwaysAllowStore": True,
        "Plugins": [],
    }
    (folder / "orthanc.json").write_text(json.dumps(config))
    with (folder / "orthanc.log").open("w") as log:
        server = subprocess.Popen(
            ["Orthanc", str(folder / "orthanc.json")], stdout=log, stderr=subprocess.STDOUT
        )
    try:
        _wait_for(server)
        yield
    finally:
        server.send_signal(signal.SIGTERM)
        try:
            server.wait(20)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def _wait_for(server: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + _WAIT_S
    while True:
        try:
            rest("/system")
        except OSError:
            if server.poll() is not None or time.monotonic() > end:
                sys.exit("Orthanc doesn't answer; see orthanc.log")
            time.sleep(0.1)
        else:
            return


def store(files: Path) -> None:
    """Send each file by dcmtk's C-STORE, as it is, with the transfer syntax that it has."""
    for path in sorted(files.rglob("*.dcm")):
        for proposal in _PROPOSALS:
            words = ["storescu", proposal, "-aec", "TEST", "127.0.0.1", str(_DICOM), str(path)]
            if subprocess.run(words, capture_output=True, check=False).returncode == 0:
                break
        else:
            sys.exit(f"{path.name} wasn't taken")


def main(files: Path, out: Path) -> None:
    """Send, find, fetch."""
    os.environ.pop("http_proxy", None)
    only_loopback()
    with orthanc(out):
        store(files)
        query = {"Level": "Instance", "Query": {"PatientID": "W-0001"}, "Expand": True}
        found: list[dict[str, Any]] = json.loads(rest("/tools/find", query))
        for one in found:
            one["tags"] = json.loads(rest(f"/instances/{one['ID']}/simplified-tags"))
            uid = one["MainDicomTags"]["SOPInstanceUID"]
            (out / f"{uid}.dcm").write_bytes(rest(f"/instances/{one['ID']}/file"))
            if one["tags"]["Modality"] == "DX":
                (out / f"{uid}.png").write_bytes(rest(f"/instances/{one['ID']}/image-uint16"))
        (out / "found.json").write_text(json.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
