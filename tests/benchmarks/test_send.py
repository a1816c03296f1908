"""A thousand welds sent to a real server, sender and server killed ten times each on the way."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import pydicom
import pytest

from pipeline.cli import run
from tests.benchmarks.conftest import Report
from tests.outputs.send.dicom_files import write_file, write_welds
from tests.outputs.send.kills import how_confirmed, send_through_kills, sent_times
from tests.outputs.send.loopback import own_network
from tests.outputs.send.real_peers import Orthanc

_WELDS, _KILLS = 1000, 10
_PEERS = """
[sender]
commitment_port = 11113

[retry]
first_s = 0.2
longest_s = 2
give_up_s = 60

[[peer]]
name = "orthanc"
host = "127.0.0.1"
port = 4242
ae_title = "ORTHANC"
settle_s = 1
"""


@pytest.fixture
def orthanc(tmp_path: Path) -> Orthanc:
    """An Orthanc that isn't started yet."""
    if shutil.which("Orthanc") is None:
        pytest.skip("Orthanc is not installed (Debian package orthanc)")
    return Orthanc(tmp_path / "orthanc")


def test_a_thousand_welds_arrive_exactly_once(
    orthanc: Orthanc, tmp_path: Path, table: Report
) -> None:
    files = write_welds(tmp_path / "files", _WELDS, side=128)
    peers = tmp_path / "peers.toml"
    peers.write_text(_PEERS)
    with own_network():
        orthanc.start()
        try:
            words = ["--to", "orthanc", "--peers", str(peers)]
            assert run(["send", "add", str(tmp_path / "files"), *words]) == 0
            toll = send_through_kills(peers, "orthanc", orthanc, count=_WELDS, kills=_KILLS, seed=1)
            arrivals = orthanc.arrivals()
            there = {
                orthanc.get(f"/instances/{one}/simplified-tags")["SOPInstanceUID"]: orthanc.raw(
                    f"/instances/{one}/frames/0/raw"
                )
                for one in orthanc.instances()
            }
        finally:
            orthanc.end()
    images = [pydicom.dcmread(path) for path in files]
    whole = sum(there.get(str(one.SOPInstanceUID)) == one.PixelData for one in images)
    confirmed = how_confirmed(peers, "orthanc")
    again = sum(sent_times(peers, "orthanc").values()) - _WELDS
    table.row(
        f"send: {_WELDS} welds, sender killed {toll.senders} times, server {toll.peers} times",
        f"{whole} there, {arrivals} arrivals; {again} sent again; {confirmed}; "
        f"{toll.seconds:.0f} s",
        f"{_WELDS} there, {_WELDS} arrivals",
    )
    assert whole == len(there) == arrivals == _WELDS


def test_a_full_size_strip(orthanc: Orthanc, tmp_path: Path, table: Report) -> None:
    """115 MB in one file, as of a 48-inch pipe."""

    path = write_file(tmp_path / "strip.dcm", "W-1", side=7580)
    peers = tmp_path / "peers.toml"
    peers.write_text(_PEERS)
    words = ["--peers", str(peers)]
    with own_network():
        orthanc.start()
        try:
            assert run(["send", "add", str(path), "--to", "orthanc", *words]) == 0
            begin = time.perf_counter()
            assert run(["send", "run", *words]) == 0
            seconds = time.perf_counter() - begin
            assert orthanc.arrivals() == 1
        finally:
            orthanc.end()
    megabytes = path.stat().st_size / 1e6
    table.row(f"send: one file of {megabytes:.0f} MB, commitment included", f"{seconds:.1f} s")
