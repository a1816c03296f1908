"""Every file arrives exactly once, though sender and peer are killed on the way.

The peers are real: Orthanc, which can be asked what it has, and dcmtk's storescp, which can't.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pydicom

from pipeline.cli import run
from tests.outputs.send.dicom_files import write_welds
from tests.outputs.send.kills import send_through_kills, sent_times
from tests.outputs.send.real_peers import Orthanc, storescp

_FILES, _KILLS = 60, 3


def test_a_peer_that_can_be_asked_gets_everything_once(
    orthanc_program: None, peers: Path, tmp_path: Path
) -> None:
    files = write_welds(tmp_path / "files", _FILES)
    orthanc = Orthanc(tmp_path / "orthanc")
    orthanc.start()
    try:
        assert run(["send", "add", str(tmp_path / "files"), "--to", "orthanc", *_in(peers)]) == 0
        send_through_kills(peers, "orthanc", orthanc, count=_FILES, kills=_KILLS, seed=1)
        assert orthanc.arrivals() == _FILES
        there = {}
        for one in orthanc.instances():
            uid = orthanc.get(f"/instances/{one}/simplified-tags")["SOPInstanceUID"]
            there[uid] = orthanc.raw(f"/instances/{one}/frames/0/raw")
    finally:
        orthanc.end()
    assert len(there) == _FILES
    for path in files:
        image = pydicom.dcmread(path)
        assert there[image.SOPInstanceUID] == image.PixelData


def test_a_peer_that_cannot_be_asked_misses_nothing(
    dcmtk: None, peers: Path, tmp_path: Path
) -> None:
    """It gets again what ended unclearly, and only that, under the same UID."""
    files = write_welds(tmp_path / "files", _FILES)
    store = storescp(tmp_path / "store", 11112)
    store.start()
    try:
        assert run(["send", "add", str(tmp_path / "files"), "--to", "store", *_in(peers)]) == 0
        toll = send_through_kills(peers, "store", store, count=_FILES, kills=_KILLS, seed=2)
    finally:
        store.end()
    whole = Counter(_whole_arrivals(tmp_path / "store" / "arrived"))
    expected = {str(pydicom.dcmread(path).SOPInstanceUID) for path in files}
    assert set(whole) == expected
    sent = sent_times(peers, "store")
    assert all(whole[uid] <= sent[uid] for uid in expected)
    assert sum(sent.values()) - _FILES <= toll.senders + toll.peers


def _whole_arrivals(folder: Path) -> list[str]:
    """The UIDs of the files that storescp had written to their end when it was killed."""
    found = []
    for path in folder.iterdir():
        try:
            image = pydicom.dcmread(path)
            if len(image.PixelData) == 2 * image.Rows * image.Columns:
                found.append(str(image.SOPInstanceUID))
        except (AttributeError, pydicom.errors.InvalidDicomError, EOFError):
            continue
    return found


def _in(peers: Path) -> tuple[str, str]:
    return "--peers", str(peers)
