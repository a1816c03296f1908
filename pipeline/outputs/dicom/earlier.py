"""An earlier export of the same weld: what a reprocessing refers to as its predecessor."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pydicom

from pipeline.errors import InputError
from pipeline.outputs.dicom.finished import Finished
from pipeline.outputs.dicom.private import Own, own_value
from pipeline.outputs.dicom.uids import scan_uid

_REMEDY = "Name the folder that girthstrip export made of the earlier result, or one of its files"


@dataclass(frozen=True, slots=True)
class EarlierImage:
    """One image of it."""

    sop_class_uid: str
    sop_instance_uid: str


@dataclass(frozen=True, slots=True)
class Earlier:
    """Its images, in the order of their files' names."""

    images: tuple[EarlierImage, ...]


def read_earlier(path: Path, finished: Finished) -> Earlier:
    """The images in a file or folder, which must be another processing of the same frames.

    Raises:
        InputError: they can't be read, are of other frames, or of this very processing.
    """
    if not path.exists():
        raise InputError("isn't there", where=str(path), remedy=_REMEDY)
    files = sorted(path.glob("*.dcm")) if path.is_dir() else [path]
    images = []
    for file in files:
        header = _header(file)
        if "Rows" not in header:  # a presentation state
            continue
        _check(file, header, finished)
        images.append(EarlierImage(str(header.SOPClassUID), str(header.SOPInstanceUID)))
    if not images:
        raise InputError(
            "holds no DICOM image of a strip",
            where=str(path),
            expected="an earlier export of this weld",
            remedy=_REMEDY,
        )
    return Earlier(tuple(images))


def _header(file: Path) -> Any:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            header = pydicom.dcmread(file, stop_before_pixels=True)
            own_value(header, Own.QUALITY_LOG_SHA256)  # decodes what a private block holds
            return header
    except Exception as error:  # malformed files raise a dozen kinds
        raise InputError(
            f"can't be read as DICOM ({getattr(error, 'strerror', None) or error})",
            where=str(file),
            expected="an earlier export of this weld",
            remedy=_REMEDY,
        ) from error


def _check(file: Path, header: Any, finished: Finished) -> None:
    digest = own_value(header, Own.QUALITY_LOG_SHA256)
    if digest is None:
        raise InputError("wasn't written by girthstrip export", where=str(file), remedy=_REMEDY)
    if header.get("StudyInstanceUID") != scan_uid(finished.log, "study"):
        raise InputError(
            f"is of other frames, or another weld ({header.get('PatientID', 'without a number')})",
            where=str(file),
            expected=f"an earlier processing of the frames of weld {finished.log.weld.id}",
            remedy="A weld that was shot again is another examination, not a reprocessing: "
            "leave --previous out",
        )
    if digest == finished.log_sha256:
        raise InputError(
            "is an export of this very result, not of an earlier one",
            where=str(file),
            remedy=_REMEDY,
        )
