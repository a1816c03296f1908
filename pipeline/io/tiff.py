"""Pages of a TIFF file, checked against the panel from the header alone."""

from __future__ import annotations

import logging
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from pipeline.errors import FrameError
from pipeline.io.file_kind import kind_of_file
from pipeline.io.page import (
    Page,
    PlainPage,
    Run,
    incomplete,
    merge_runs,
    no_such_page,
    require_file,
    wrong_size,
)
from pipeline.model import RawImage

# tifffile reports odd tags through logging; with no handler at all Python would print them.
logging.getLogger("tifffile").addHandler(logging.NullHandler())

_NO_COMPRESSION = 1
_UINT = 1
_WHITE_IS_ZERO, _BLACK_IS_ZERO = 0, 1


@dataclass(frozen=True, slots=True)
class CodedPage:
    """A compressed or tiled page; each segment is read, decoded and put in its place."""

    path: Path
    where: str
    page: Any  # tifffile.TiffPage; its decode() needs no open file
    inverted: bool

    def read(self, out: RawImage) -> None:
        """See ``Page.read``; holds one decoded segment beside ``out``."""
        page = self.page
        filled = 0
        try:
            with self.path.open("rb", buffering=0) as stream:
                for number, (offset, nbytes) in enumerate(
                    zip(page.dataoffsets, page.databytecounts, strict=True)
                ):
                    stream.seek(offset)
                    data = stream.read(nbytes)
                    segment, (_, _, top, left, _), _ = page.decode(data, number)
                    target = out[top : top + segment.shape[1], left : left + segment.shape[2]]
                    target[:] = segment[0, : target.shape[0], : target.shape[1], 0]
                    filled += target.size
            if filled != out.size:
                raise ValueError(f"{filled} of {out.size} pixels")
        except Exception as error:  # codecs raise RuntimeErrors and more of their own
            raise FrameError(
                f"is damaged: its pixels can't be decoded ({error})",
                where=self.where,
                expected="intact compressed data",
                remedy="Copy the file again from where it was acquired",
            ) from error


def inspect_tiff(
    path: Path, name: str, pages: Collection[int] | None, shape: tuple[int, int]
) -> dict[int, Page | FrameError]:
    """What each page is: ready to be read, or the reason why it can't be.

    Only the header is read, whatever size it claims. ``pages`` are the pages wanted (0 is the
    first); None means all that the file has. ``shape`` is (rows, columns) of the panel. ``name``
    is the file's name for messages.
    """
    wanted = sorted(pages) if pages is not None else None
    size = require_file(path, name)
    if isinstance(size, FrameError):
        return dict.fromkeys(wanted or [0], size)
    try:
        with tifffile.TiffFile(path) as tiff:
            count = len(tiff.pages)
            found: dict[int, Page | FrameError] = {}
            for number in range(count) if wanted is None else wanted:
                where = f"{name}, page {number}"
                if number < count:
                    found[number] = _check_page(tiff.pages[number], path, where, size, shape)
                else:
                    found[number] = no_such_page(where, count)
            return found or {0: no_such_page(f"{name}, page 0", 0)}
    except Exception as error:  # malformed headers raise a dozen kinds
        fault = FrameError(
            f"is not a readable TIFF{_why_unreadable(path, error)}",
            where=name,
            expected="a 16-bit gray TIFF",
            remedy="Copy the file again; if it is of another kind, set the frames' format in "
            "the config",
        )
        return dict.fromkeys(wanted or [0], fault)


def _why_unreadable(path: Path, error: Exception) -> str:
    """What it is instead, if that can be seen, else what went wrong."""
    kind = kind_of_file(path)
    if kind and kind != "a TIFF":
        return f": it is {kind}"
    if str(error).startswith("not a TIFF file"):
        return ": it doesn't begin like one"
    return f" ({error})" if str(error) else ""


def _check_page(
    page: Any, path: Path, where: str, size: int, shape: tuple[int, int]
) -> Page | FrameError:
    fault = _kind_fault(page, where)
    if fault:
        return fault
    found = (int(page.imagelength), int(page.imagewidth))
    if found != shape:
        return wrong_size(where, found, shape)
    gap = _missing_pixels(page, size)
    if gap:
        return incomplete(where, gap)
    plain = page.compression == _NO_COMPRESSION and page.predictor == 1 and page.fillorder == 1
    if not plain or page.is_tiled:
        return CodedPage(path, where, page, page.photometric == _WHITE_IS_ZERO)
    return _plain_page(page, path, where, shape)


def _missing_pixels(page: Any, size: int) -> str:
    """What of the page's pixels can't be in a file of ``size`` bytes; empty if nothing."""
    offsets, counts = tuple(page.dataoffsets), tuple(page.databytecounts)
    if not offsets or len(offsets) != len(counts) or 0 in offsets or 0 in counts:
        return "has a header but no pixels"
    end = max(offset + nbytes for offset, nbytes in zip(offsets, counts, strict=True))
    if end > size:
        return f"is cut short: its pixels end at byte {end}, the file at {size}"
    segments = int(np.prod(page.chunked))
    if len(offsets) != segments:
        return f"lists {len(offsets)} blocks of pixels where {segments} belong"
    return ""


def _kind_fault(page: Any, where: str) -> FrameError | None:
    """Why a page isn't one 16-bit unsigned gray image; None if it is."""
    expected = "one 16-bit unsigned gray value a pixel"
    remedy = "Export the raw frames as 16-bit gray TIFF"
    if page.samplesperpixel != 1:
        return FrameError(
            f"is a colour picture ({page.samplesperpixel} values a pixel)",
            where=where,
            expected=expected,
            remedy=remedy,
        )
    if page.bitspersample != 16 or page.sampleformat != _UINT or page.dtype != np.uint16:
        kind = page.dtype.name if page.dtype is not None else "of an unknown kind"
        return FrameError(
            f"has values of {page.bitspersample} bits ({kind})",
            where=where,
            expected=expected,
            remedy=remedy,
        )
    if page.photometric not in (_WHITE_IS_ZERO, _BLACK_IS_ZERO) or page.imagedepth != 1:
        return FrameError(
            "is not a plain gray picture (palette, mask or volume)",
            where=where,
            expected=expected,
            remedy=remedy,
        )
    return None


def _plain_page(page: Any, path: Path, where: str, shape: tuple[int, int]) -> Page | FrameError:
    row_bytes = 2 * shape[1]
    rows_per_strip = min(int(page.rowsperstrip), shape[0])
    runs = []
    for number, (offset, nbytes) in enumerate(
        zip(page.dataoffsets, page.databytecounts, strict=True)
    ):
        needed = row_bytes * min(rows_per_strip, shape[0] - number * rows_per_strip)
        if nbytes < needed:
            return incomplete(where, f"has {nbytes} bytes where {needed} are needed")
        runs.append(Run(int(offset), needed))
    return PlainPage(
        path,
        where,
        merge_runs(runs),
        big_endian=page.parent.byteorder == ">",
        inverted=page.photometric == _WHITE_IS_ZERO,
    )
