"""What ``export`` wrote of a real strip, sent to Orthanc, found there again and kept."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import imagecodecs
import numpy as np
import pydicom
import pytest
from pynetdicom import AE, build_role
from pynetdicom.sop_class import StorageCommitmentPushModel, StorageCommitmentPushModelInstance

from pipeline.cli import run
from pipeline.config.peers import load_peers
from pipeline.errors import ConfigError, SendError
from pipeline.io.strip import read_strip
from pipeline.outputs.send.commitment import Asker
from tests.outputs.send.real_peers import Orthanc
from tests.outputs.send.test_send import Capture, send

OTHER_ADDRESS = "127.0.0.2"  # of the loopback too, and another one than the default


def with_address(peers: Path, address: str) -> Path:
    text = peers.read_text(encoding="utf-8")
    told = f'commitment_port = 11113\ncommitment_address = "{address}"'
    peers.write_text(text.replace("commitment_port = 11113", told), encoding="utf-8")
    return peers


def test_a_real_export_arrives_whole_and_is_committed(
    orthanc_program: None, small_finished: Path, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    """Pixels as Orthanc gives them back; its answer comes to the address that the config names."""
    result, out = small_finished / "result", tmp_path / "dicom"
    with_address(peers, OTHER_ADDRESS)
    us = {"DicomModalities": {"us": ["GIRTHSTRIP", OTHER_ADDRESS, 11113]}}
    orthanc = Orthanc(tmp_path / "orthanc", more=us)
    orthanc.start()
    try:
        assert run(["export", str(result), str(out), "--compress", "jpeg-ls"]) == 0
        assert send(peers, "add", out, "--to", "orthanc") == 0
        assert send(peers, "run") == 0
        assert "W-0001 to orthanc: 3 of 3 delivered, 3 committed" in capsys.readouterr().out
        there, pictures = [], []
        for one in orthanc.instances():
            there.append(pydicom.dcmread(BytesIO(orthanc.raw(f"/instances/{one}/file"))))
            if "PixelData" in there[-1]:
                png = orthanc.raw(f"/instances/{one}/image-uint16")
                pictures.append(imagecodecs.png_decode(png))
    finally:
        orthanc.end()
    sent = {one.SOPInstanceUID: one for one in map(pydicom.dcmread, out.glob("*.dcm"))}
    assert {one.SOPInstanceUID for one in there} == sent.keys()
    assert {one.PatientID for one in there} == {"W-0001"}
    strip, _ = read_strip(result / "strip.tif")
    assert len(pictures) == 2
    for picture in pictures:  # decoded by Orthanc itself
        np.testing.assert_array_equal(picture, strip)
    for one in there:
        assert one == sent[one.SOPInstanceUID]


def test_answers_that_nobody_asked_for_are_turned_down(network: None, peers: Path) -> None:
    job = load_peers(with_address(peers, OTHER_ADDRESS))
    told = pydicom.Dataset()
    told.TransactionUID = "2.25.1"
    told.ReferencedSOPSequence = []
    with Asker(job).listening():
        entity = AE("OTHER")
        entity.add_requested_context(StorageCommitmentPushModel)
        opened = entity.associate(
            *(OTHER_ADDRESS, 11113),
            ext_neg=[build_role(StorageCommitmentPushModel, scp_role=True)],
        )
        assert opened.is_established
        status, _ = opened.send_n_event_report(
            told, 1, StorageCommitmentPushModel, StorageCommitmentPushModelInstance
        )
        opened.release()
    assert status.Status == 0x0110


def test_an_address_that_isnt_ours(network: None, peers: Path) -> None:
    job = load_peers(with_address(peers, "192.0.2.1"))
    with pytest.raises(SendError, match="commitment_address must be one of this machine's own"):
        Asker(job).listening().__enter__()


@pytest.mark.parametrize("address", ["office", "0.0.0", "127.0.0.1:11113"])
def test_what_is_no_address(peers: Path, address: str) -> None:
    with pytest.raises(ConfigError, match="must be one of this machine's IP addresses"):
        load_peers(with_address(peers, address))
