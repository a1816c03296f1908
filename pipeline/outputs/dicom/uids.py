"""UIDs that follow from content: the same content has the same UID, whoever computes it and when.

A UID is 2.25 and a UUID as a number (PS3.5 annex B.2). The UUID is of version 8 (RFC 9562 section
5.8), its free bits the first of a SHA-256.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Iterable

from pydicom.dataset import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_dataset
from pydicom.uid import UID

from pipeline.quality.log import QualityLog

IMPLEMENTATION = UID("2.25.59366707352552249304906996558273662355")
"""Of this writer: what ``content_uid("implementation")`` gives."""


def content_uid(*parts: str) -> UID:
    """The UID of these texts, in this order."""
    told = b"".join(len(part.encode()).to_bytes(8, "big") + part.encode() for part in parts)
    bits = bytearray(hashlib.sha256(b"girthstrip" + told).digest()[:16])
    bits[6] = bits[6] & 0x0F | 0x80
    bits[8] = bits[8] & 0x3F | 0x80
    return UID(f"2.25.{uuid.UUID(bytes=bytes(bits)).int}")


def scan_uid(log: QualityLog, what: str) -> UID:
    """A UID of the weld and the frames that were shot of it, however they are processed."""
    weld = log.weld
    told = (weld.id, weld.shot, weld.line, weld.station)
    return content_uid(what, *told, *frame_digests(log))


def frame_digests(log: QualityLog) -> list[str]:
    """The digests of the frames' files, sorted: of what was shot, whatever the files are called."""
    digest_of = file_digests(log, {frame.file for frame in log.frames})
    return sorted(set(digest_of.values()))


def file_digests(log: QualityLog, files: Iterable[str]) -> dict[str, str]:
    """The SHA-256 of each of the frame files that the log lists among its inputs.

    The log names inputs from the config's folder on, or by their last two parts.
    """
    of_tail: dict[str, str] = {}
    for entry in reversed(log.inputs):  # frames come first, and win over a calibration's file
        parts = entry.path.split("/")
        for first in range(len(parts)):
            of_tail["/".join(parts[first:])] = entry.sha256
    found = {}
    for name in files:
        parts = name.split("/")
        digest = of_tail.get(name) or of_tail.get("/".join(parts[-2:]))
        if digest is not None:
            found[name] = digest
    return found


def dataset_uid(dataset: Dataset, *beside: str) -> UID:
    """The UID of a dataset's elements and of what stands beside them, as the pixels' digest."""
    stream = DicomBytesIO()
    stream.is_little_endian, stream.is_implicit_VR = True, False
    write_dataset(stream, dataset)
    return content_uid("instance", hashlib.sha256(stream.getvalue()).hexdigest(), *beside)
