"""Frame files of all three formats, and records to read them with, for the tests of this folder."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRBigEndian, ExplicitVRLittleEndian

from pipeline.config.panel import Panel
from pipeline.config.weld_sections import Frames

SHAPE = (48, 64)
PANEL = Panel(rows=SHAPE[0], columns=SHAPE[1], pitch_mm=0.1, serial="TEST-1")

Images = NDArray[np.uint16]


def random_images(count: int, seed: int = 0) -> Images:
    """Raw frames whose bytes are all different in meaning: any slip shows."""
    return np.random.default_rng(seed).integers(0, 65536, (count, *SHAPE), dtype=np.uint16)


def write_table(folder: Path, *lines: str, header: str = "file,page,position_mm") -> Path:
    """``frames.csv`` in ``folder``."""
    table = folder / "frames.csv"
    table.write_text("\n".join((header, *lines)) + "\n", encoding="utf-8")
    return table


def frames_of(folder: Path, **settings: Any) -> Frames:
    """The config's section for a folder."""
    return Frames(folder=folder, **settings)


@contextmanager
def without_rights(path: Path) -> Iterator[None]:
    """For a while nobody may change the folder or read the file: the superuser steps down."""
    mode = path.stat().st_mode
    path.chmod(0o500 if path.is_dir() else 0)
    was_root = os.geteuid() == 0
    if was_root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if was_root:
            os.seteuid(0)
        path.chmod(mode)


def write_dicom(
    path: Path, images: Images, syntax: UID = ExplicitVRLittleEndian, **elements: Any
) -> None:
    """A monochrome DICOM file; ``elements`` replace what would be written, None removes it."""
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = syntax
    dataset.SOPClassUID = pydicom.uid.SecondaryCaptureImageStorage
    dataset.SOPInstanceUID = "1.2.3.4"
    dataset.Rows, dataset.Columns = images.shape[-2:]
    dataset.SamplesPerPixel = 1
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 16, 16, 15
    dataset.PixelRepresentation = 0
    dataset.PhotometricInterpretation = "MONOCHROME2"
    if images.ndim == 3:
        dataset.NumberOfFrames = len(images)
    order = ">u2" if syntax == ExplicitVRBigEndian else "<u2"
    dataset.PixelData = images.astype(order).tobytes()
    dataset["PixelData"].VR = "OW"
    for name, value in elements.items():
        if value is None:
            delattr(dataset, name)
        else:
            setattr(dataset, name, value)
    dataset.save_as(path, enforce_file_format=True)
