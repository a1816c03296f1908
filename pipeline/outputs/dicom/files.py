"""DICOM files on disk: the dataset with its head, and what the folder's list says of each."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian

import pipeline
from pipeline.io.digest import sha256_file
from pipeline.outputs.dicom.uids import IMPLEMENTATION


def write_image(path: Path, dataset: Dataset, syntax: UID, pixels: bytes) -> None:
    """Write an image whose pixels are encoded already; the dataset is left as it was."""
    dataset.PixelData = pixels
    dataset["PixelData"].VR = "OB" if syntax.is_encapsulated else "OW"
    dataset["PixelData"].is_undefined_length = syntax.is_encapsulated
    try:
        write_dataset(path, dataset, syntax)
    finally:
        del dataset.PixelData


def write_dataset(path: Path, dataset: Dataset, syntax: UID = ExplicitVRLittleEndian) -> None:
    """Write a dataset. There is no clock and no machine's name in its head.

    Raises:
        OSError: the system's own, where it doesn't take the file.
    """
    head = FileMetaDataset()
    head.MediaStorageSOPClassUID = dataset.SOPClassUID
    head.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    head.TransferSyntaxUID = syntax
    head.ImplementationClassUID = IMPLEMENTATION
    head.ImplementationVersionName = f"GIRTHSTRIP {pipeline.__version__}"[:16]
    dataset.file_meta = head
    try:
        dataset.save_as(path, enforce_file_format=True)
    except OSError as error:
        raise _first(error) from error


def _first(error: OSError) -> OSError:
    """What the system said: pydicom wraps it, a traceback as its text and the number lost."""
    found: BaseException | None = error
    while found is not None:
        if isinstance(found, OSError) and found.errno is not None:
            return found
        found = found.__cause__ or found.__context__
    return error


def entry(path: Path, dataset: Dataset) -> dict[str, Any]:
    """What the list of a folder's files says of one."""
    return {
        "file": path.name,
        "bytes": path.stat().st_size,
        "sha256": sha256_file(path),
        "sop_class_uid": str(dataset.SOPClassUID),
        "sop_instance_uid": str(dataset.SOPInstanceUID),
        "series_instance_uid": str(dataset.SeriesInstanceUID),
        "study_instance_uid": str(dataset.StudyInstanceUID),
        "transfer_syntax_uid": str(dataset.file_meta.TransferSyntaxUID),
    }
