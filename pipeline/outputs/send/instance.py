"""What must be known of a DICOM file to send it: its identity, not its pixels."""

from __future__ import annotations

import shlex
import warnings
from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import SendError
from pipeline.io.digest import sha256_file
from pipeline.outputs.send.entry import Entry, Instance
from pipeline.outputs.send.whole import is_cut_short

_NEEDED = ("SOPInstanceUID", "SOPClassUID", "StudyInstanceUID", "SeriesInstanceUID")
_NAMES = ("PatientID", "PatientName")
_IN_HEADER = {
    "SOPInstanceUID": "MediaStorageSOPInstanceUID",
    "SOPClassUID": "MediaStorageSOPClassUID",
}
_SYNTAX = "TransferSyntaxUID"
_AFTER_ITS_LENGTH = 144  # preamble, prefix, and the element that tells the header's length


def find_files(paths: list[Path]) -> list[Path]:
    """The files to send: those named, and every ``.dcm`` below the folders named, sorted.

    Raises:
        SendError: something isn't there, or a folder holds no such file.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(one for one in path.rglob("*.dcm") if one.is_file())
            if not inside:
                raise SendError(
                    "holds no DICOM file",
                    where=str(path),
                    expected="files that end in .dcm",
                    remedy="Write them first: girthstrip export",
                )
            found += inside
        elif path.exists():
            found.append(path)
        else:
            raise SendError("there is no such file or folder", where=str(path))
    return list(dict.fromkeys(path.resolve() for path in found))


def read_instance(path: Path) -> Instance:
    """The identity of a DICOM file.

    Raises:
        SendError: it can't be read, is no DICOM file, or doesn't say what it is.
    """
    told = _told(path)
    missing = [name for name in _NEEDED if not told[name]]
    if missing:
        raise SendError(
            f"doesn't say what it is: {', '.join(missing)} missing",
            where=str(path),
            expected="a complete DICOM file",
            remedy="Write it anew: girthstrip export",
        )
    for name, in_header in _IN_HEADER.items():
        if told[in_header] != told[name]:
            raise SendError(
                f"contradicts itself: as {name} its header has {told[in_header] or 'nothing'}, "
                f"its content {told[name]}",
                where=str(path),
                remedy="Write it anew: girthstrip export",
            )
    return Instance(
        path=path,
        sha256=sha256_file(path),
        size_bytes=path.stat().st_size,
        weld=told["PatientID"] or told["PatientName"] or "(no component named)",
        sop_instance=told["SOPInstanceUID"],
        sop_class=told["SOPClassUID"],
        transfer_syntax=told["TransferSyntaxUID"],
        study=told["StudyInstanceUID"],
        series=told["SeriesInstanceUID"],
    )


def read_again(entry: Entry) -> Instance | None:
    """The entry's file as it is now; None where nothing has changed.

    Raises:
        SendError: it is gone, can't be read, or is another image by now.
    """
    drop = f"girthstrip send drop {shlex.quote(str(entry.path))} --to {shlex.quote(entry.peer)}"
    if not entry.path.is_file():
        raise SendError(
            "is gone, so it can't be sent again",
            where=str(entry.path),
            remedy=f"Put it back, or give it up: {drop}",
        )
    now = read_instance(entry.path)
    if now.sop_instance != entry.sop_instance:
        raise SendError(
            "is another image by now, with another SOP instance UID",
            where=str(entry.path),
            remedy=f"Give up the old one ({drop}), then girthstrip send add the new one",
        )
    return None if now.sha256 == entry.sha256 else now


def _told(path: Path) -> Mapping[str, str]:
    """What the file says of itself, empty where it says nothing; its pixels aren't read."""
    import pydicom  # noqa: PLC0415 - slow
    from pydicom.errors import InvalidDicomError  # noqa: PLC0415
    from pydicom.uid import DeflatedExplicitVRLittleEndian  # noqa: PLC0415

    try:
        with path.open("rb") as stream, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # odd values are not for us to judge
            content = pydicom.dcmread(stream, stop_before_pixels=True)
            told = {name: _text(content.get(name)) for name in (*_NEEDED, *_NAMES)}
            header = content.file_meta
            told |= {name: _text(header.get(name)) for name in (*_IN_HEADER.values(), _SYNTAX)}
            start = _AFTER_ITS_LENGTH + int(header.FileMetaInformationGroupLength)
            implicit, little = map(bool, content.original_encoding)
            cut = told[_SYNTAX] != DeflatedExplicitVRLittleEndian and is_cut_short(
                stream, start, implicit=implicit, little=little
            )
    except InvalidDicomError as error:
        raise SendError(
            "is no DICOM file",
            where=str(path),
            expected="a file with the DICOM preamble and its file meta information",
            remedy="Write one with girthstrip export",
        ) from error
    except OSError as error:
        raise SendError(f"can't be read ({error.strerror or error})", where=str(path)) from error
    except Exception as error:  # pydicom raises what it likes on damaged files
        raise SendError(
            f"can't be read as DICOM ({error})",
            where=str(path),
            remedy="The file is damaged; write it anew with girthstrip export",
        ) from error
    if cut:
        raise SendError(
            "is cut short: it ends before its last element does",
            where=str(path),
            remedy="Copy it again, or write it anew with girthstrip export",
        )
    if not told[_SYNTAX]:
        raise SendError(
            "is no DICOM file that can be sent: its header names no transfer syntax",
            where=str(path),
            remedy="Write one with girthstrip export",
        )
    return told


def _text(value: object) -> str:
    return "" if value is None else str(value).strip()
