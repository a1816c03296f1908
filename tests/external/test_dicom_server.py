"""Exports through a real DICOM server: stored over the network, found, and the same afterwards."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest

from pipeline.io.dicom import inspect_dicom
from pipeline.io.strip import read_strip
from pipeline.outputs.dicom.export import Compression, Wishes, export_strip

from .dicom_tools import need

ROOT = Path(__file__).parents[2]
NAMESPACE = ["unshare", "--net", "--map-root-user"]


@pytest.mark.parametrize("compression", ["none", "jpeg-ls"])
def test_orthanc_stores_finds_and_shows_the_strip(
    small_finished: Path, tmp_path: Path, compression: Compression
) -> None:
    need("Orthanc", "storescu", "unshare")
    if subprocess.run([*NAMESPACE, "true"], capture_output=True, check=False).returncode:
        pytest.skip("no network namespace may be made here, and the server binds to all addresses")
    out, back = tmp_path / "out", tmp_path / "back"
    back.mkdir()
    export_strip(small_finished / "result", out, Wishes(compression=compression))
    ended = subprocess.run(
        [*NAMESPACE, sys.executable, "-m", "tests.external.orthanc_run", str(out), str(back)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
    )
    assert ended.returncode == 0, ended.stderr
    found = json.loads((back / "found.json").read_text())
    sent = {
        header.SOPInstanceUID: (path, header)
        for path in out.glob("*.dcm")
        for header in [pydicom.dcmread(path, stop_before_pixels=True)]
    }
    assert {one["MainDicomTags"]["SOPInstanceUID"] for one in found} == set(sent)
    strip, _ = read_strip(small_finished / "result/strip.tif")
    shown = 0
    for one in found:
        uid = one["MainDicomTags"]["SOPInstanceUID"]
        path, header = sent[uid]
        assert one["tags"]["StudyInstanceUID"] == header.StudyInstanceUID
        assert one["tags"]["PatientID"] == "W-0001"
        returned = pydicom.dcmread(back / f"{uid}.dcm")
        assert returned == pydicom.dcmread(path), "every element, pixels and private ones too"
        if header.Modality == "DX":
            shown += 1
            picture = cv2.imread(str(back / f"{uid}.png"), cv2.IMREAD_UNCHANGED)
            np.testing.assert_array_equal(picture, strip)
            page = inspect_dicom(back / f"{uid}.dcm", "returned", [0], strip.shape)[0]
            again = np.empty(strip.shape, np.uint16)
            assert not isinstance(page, Exception)
            page.read(again)
            np.testing.assert_array_equal(again, strip)
    assert shown == 2
