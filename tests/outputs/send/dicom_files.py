"""Small DICOM files to send: digital X-ray images for processing, each of its own weld."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

DX_FOR_PROCESSING = "1.2.840.10008.5.1.4.1.1.1.1.1"


def write_file(path: Path, weld: str, *, side: int = 64, seed: int = 0) -> Path:
    """One picture of noise, with what every peer wants to know of it."""
    image = Dataset()
    image.SOPClassUID = DX_FOR_PROCESSING
    image.SOPInstanceUID = generate_uid(entropy_srcs=[weld, str(seed)])
    image.StudyInstanceUID = generate_uid(entropy_srcs=[weld, "study"])
    image.SeriesInstanceUID = generate_uid(entropy_srcs=[weld, "series"])
    image.PatientID = weld
    image.PatientName = weld
    image.Modality = "DX"
    image.Rows = image.Columns = side
    image.BitsAllocated = image.BitsStored = 16
    image.HighBit = 15
    image.SamplesPerPixel = 1
    image.PixelRepresentation = 0
    image.PhotometricInterpretation = "MONOCHROME2"
    rng = np.random.default_rng(seed)
    image.PixelData = rng.integers(0, 2**16, (side, side), dtype=np.uint16).tobytes()
    image.file_meta = FileMetaDataset()
    image.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    path.parent.mkdir(parents=True, exist_ok=True)
    pydicom.dcmwrite(path, image, enforce_file_format=True)
    return path


def write_welds(folder: Path, count: int, *, side: int = 64) -> list[Path]:
    """One file a weld."""
    return [
        write_file(folder / f"W-{k:04d}.dcm", f"W-{k:04d}", side=side, seed=k) for k in range(count)
    ]
