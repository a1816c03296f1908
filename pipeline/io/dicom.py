"""Frames of a DICOM file, checked against the panel from the header alone.

Values are taken as stored: rescale, look-up tables and MONOCHROME1 are matters of display.
"""

from __future__ import annotations

import logging
from collections.abc import Collection
from pathlib import Path
from typing import Any

from pipeline.errors import FrameError
from pipeline.io.dicom_pixels import READ, CodedDicomPage, LimitedPage, can_decode, quiet
from pipeline.io.file_kind import kind_of_file
from pipeline.io.page import (
    Page,
    PlainPage,
    Run,
    incomplete,
    no_such_page,
    require_file,
    wrong_size,
)

# pydicom reports odd elements through logging; with no handler at all Python would print them.
logging.getLogger("pydicom").addHandler(logging.NullHandler())

_DEFER_BYTES = 1024  # values longer than this, the pixels above all, stay in the file
_UNDEFINED_LENGTH = 0xFFFFFFFF
_GRAY = ("MONOCHROME1", "MONOCHROME2")
_EXPECTED = "a DICOM picture of one 16-bit gray value a pixel"
_SH = 16  # characters of a DetectorID


def inspect_dicom(
    path: Path,
    name: str,
    pages: Collection[int] | None,
    shape: tuple[int, int],
    serial: str | None = None,
) -> dict[int, Page | FrameError]:
    """What each frame of the file is: ready to be read, or the reason why it can't be.

    Arguments as for ``inspect_tiff``; a page is a frame of the file, 0 the first. Of another
    panel than ``serial`` none is ready, as far as the file tells its detector's.
    """
    import pydicom  # noqa: PLC0415 - only for those who use DICOM

    wanted = sorted(pages) if pages is not None else None
    size = require_file(path, name)
    if isinstance(size, FrameError):
        return dict.fromkeys(wanted or [0], size)
    try:
        with quiet():
            dataset = pydicom.dcmread(path, defer_size=_DEFER_BYTES)
            fault = (
                _kind_fault(dataset, name)
                or _size_fault(dataset, name, size, shape)
                or _meaning_fault(dataset, name)
                or _panel_fault(dataset, name, serial)
            )
            found = {} if fault else _pages(dataset, path, name, size, wanted)
    except Exception as error:  # malformed headers raise a dozen kinds
        fault = FrameError(
            f"is not readable as DICOM{_why_unreadable(path, error)}",
            where=name,
            expected="a DICOM file",
            remedy="Copy the file again; if it is of another kind, set the frames' format in "
            "the config",
        )
    return dict.fromkeys(wanted or [0], fault) if fault else found


def _why_unreadable(path: Path, error: Exception) -> str:
    """What it is instead, if that can be seen, else what went wrong."""
    from pydicom.errors import InvalidDicomError  # noqa: PLC0415 - only for those who use DICOM

    kind = kind_of_file(path)
    if kind and kind != "a DICOM file":
        return f": it is {kind}"
    return ": it doesn't begin like one" if isinstance(error, InvalidDicomError) else f" ({error})"


def _kind_fault(dataset: Any, where: str) -> FrameError | None:
    """Why the picture isn't 16-bit gray; None if it is."""
    if not len(dataset):  # what pydicom makes of compressed pixels without an end
        return incomplete(where, "holds nothing that can be read; it may be cut short")
    remedy = "Export the raw frames as 16-bit monochrome DICOM"
    required = ("Rows", "Columns", "SamplesPerPixel", "BitsAllocated", "PixelRepresentation")
    missing = [key for key in required if getattr(dataset, key, None) is None]
    if missing or "PixelData" not in dataset:
        what = "has no " + ", ".join(missing or ["PixelData"])
        return FrameError(what, where=where, expected=_EXPECTED, remedy=remedy)
    photometric = str(dataset.get("PhotometricInterpretation", ""))
    if dataset.SamplesPerPixel != 1 or photometric not in _GRAY:
        what = f"is not a gray picture (PhotometricInterpretation {photometric or 'missing'})"
        return FrameError(what, where=where, expected=" or ".join(_GRAY), remedy=remedy)
    bits = _bits(dataset)
    high_bit = int(dataset.get("HighBit", bits - 1))
    if dataset.BitsAllocated != 16 or high_bit != bits - 1:
        what = f"has values of {dataset.BitsAllocated} bits, highest bit {high_bit}"
        return FrameError(what, where=where, expected=_EXPECTED, remedy=remedy)
    return None


def _bits(dataset: Any) -> int:
    return int(dataset.get("BitsStored", None) or 16)


def _meaning_fault(dataset: Any, where: str) -> FrameError | None:
    """Why the values can't be linear in dose and grow with it, if the header says so."""
    relation = str(dataset.get("PixelIntensityRelationship", None) or "LIN")
    if relation != "LIN":
        what = f"has gray values that aren't linear in dose (PixelIntensityRelationship {relation})"
    elif dataset.get("PixelIntensityRelationshipSign", None) == -1:
        what = "has gray values that fall with dose (PixelIntensityRelationshipSign -1)"
    elif str(dataset.get("LossyImageCompression", None) or "00") != "00":
        what = "was compressed with loss (LossyImageCompression 01)"
    else:
        return None
    return FrameError(
        what,
        where=where,
        expected="gray values as the panel gave them, larger where more radiation came",
        remedy="Export the raw frames, FOR PROCESSING, without loss",
    )


def _panel_fault(dataset: Any, where: str, serial: str | None) -> FrameError | None:
    """Why the picture isn't this panel's, if its header names another."""
    told = str(dataset.get("DetectorID", None) or "").strip()
    if serial is None or not told or told in (serial, serial[:_SH].strip()):
        return None
    return FrameError(
        f"comes from the detector {told} (DetectorID)",
        where=where,
        expected=f"the panel {serial}",
        remedy="Correct panel.serial in the config, or take out what another panel shot",
    )


def _size_fault(dataset: Any, where: str, size: int, shape: tuple[int, int]) -> FrameError | None:
    """Why the picture isn't as large as the panel, or can't be in a file of ``size`` bytes."""
    found = (int(dataset.Rows), int(dataset.Columns))
    if found != shape:
        return wrong_size(where, found, shape)
    count = _frame_count(dataset)
    if count > size:
        return incomplete(where, f"claims to hold {count} frames in {size} bytes")
    return None


def _frame_count(dataset: Any) -> int:
    return int(dataset.get("NumberOfFrames", None) or 1)


def _pages(
    dataset: Any, path: Path, name: str, size: int, wanted: list[int] | None
) -> dict[int, Page | FrameError]:
    """The pages of a dataset whose header fits."""
    syntax = dataset.file_meta.TransferSyntaxUID
    inverted = dataset.PhotometricInterpretation == "MONOCHROME1"
    count = _frame_count(dataset)
    element = dataset.get_item("PixelData", keep_deferred=True)
    frame = 2 * int(dataset.Rows) * int(dataset.Columns)
    start, length = int(element.value_tell), int(element.length)
    told_lossless = dataset.get("LossyImageCompression", None) == "00"
    if syntax.is_deflated or (syntax.is_encapsulated and not can_decode(syntax, told_lossless)):
        fault = FrameError(
            f"is compressed in a way that isn't supported here ({syntax.name})",
            where=name,
            expected=READ,
            remedy="Export the frames uncompressed",
        )
        return dict.fromkeys(wanted or [0], fault)
    pages: dict[int, Page | FrameError] = {}
    for number in range(count) if wanted is None else wanted:
        where = f"{name}, page {number}"
        end = (number + 1) * frame
        if number >= count:
            pages[number] = no_such_page(where, count)
        elif syntax.is_encapsulated:
            pages[number] = _limited(
                CodedDicomPage(path, where, number, count, start, str(syntax), inverted),
                where,
                dataset,
            )
        elif end > length or length == _UNDEFINED_LENGTH:
            pages[number] = incomplete(where, f"has {length} bytes of pixels where {end} belong")
        elif start + end > size:
            what = f"is cut short: its pixels end at byte {start + end}, the file at {size}"
            pages[number] = incomplete(where, what)
        else:
            run = Run(start + number * frame, frame)
            plain = PlainPage(
                path, where, (run,), big_endian=not syntax.is_little_endian, inverted=inverted
            )
            pages[number] = _limited(plain, where, dataset)
    return pages


def _limited(page: Page, where: str, dataset: Any) -> Page:
    """The page, and where not every 16-bit value can be meant, a check of what is read."""
    signed = bool(dataset.PixelRepresentation)
    bits = _bits(dataset) - signed
    return page if bits == 16 else LimitedPage(page, where, 2**bits - 1, signed)
