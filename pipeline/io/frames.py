"""The frames of a scan or of an exposure folder: headers checked first, pixels read on demand."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.config.panel import BinaryLayout, FrameFormat, Panel
from pipeline.config.weld import WeldJob
from pipeline.config.weld_sections import Frames
from pipeline.errors import FrameError
from pipeline.io.binary import inspect_binary
from pipeline.io.dicom import inspect_dicom
from pipeline.io.dicom_header import header_remarks, read_headers, require_one_scale, with_headers
from pipeline.io.fault_list import fault_list, told_together
from pipeline.io.frame_table import read_frame_table, table_remarks, unnamed_remark
from pipeline.io.page import Page
from pipeline.io.position_sense import position_remarks
from pipeline.io.tiff import inspect_tiff
from pipeline.model import FrameRow, RawImage

_ENDINGS: Mapping[FrameFormat, tuple[str, ...]] = {
    "tiff": (".tif", ".tiff"),
    "dicom": (".dcm", ".dicom"),
    "binary": (".raw", ".bin"),
}
_BLOCK_ROWS = 64


@dataclass(frozen=True, slots=True)
class FrameReader:
    """How a panel's frames are found in files and how they lie in them."""

    panel: Panel
    file_format: FrameFormat
    binary: BinaryLayout | None

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns) of every frame."""
        return self.panel.rows, self.panel.columns

    def inspect(
        self, path: Path, name: str, pages: Collection[int] | None
    ) -> dict[int, Page | FrameError]:
        """Each page wanted, or all: ready to be read, or why it can't be. Reads headers only."""
        if self.file_format == "tiff":
            return inspect_tiff(path, name, pages, self.shape)
        if self.file_format == "dicom":
            return inspect_dicom(path, name, pages, self.shape, self.panel.serial)
        if self.binary is None:
            raise ValueError("binary frames need a layout")
        return inspect_binary(path, name, pages, self.shape, self.binary)

    def read(self, page: Page, out: RawImage) -> None:
        """Put a page into ``out`` (uint16, C-contiguous, ``shape``), turned as the panel says."""
        if out.shape != self.shape or out.dtype != np.uint16 or not out.flags.c_contiguous:
            raise ValueError(
                f"out must be C-contiguous uint16 {self.shape}, not {out.dtype} {out.shape}"
            )
        page.read(out)
        if self.panel.flip_columns:
            for top in range(0, len(out), _BLOCK_ROWS):  # numpy copies what overlaps: keep it small
                block = out[top : top + _BLOCK_ROWS]
                block[:] = block[:, ::-1]
        if self.panel.flip_rows:
            _turn_rows(out)


@dataclass(frozen=True, slots=True)
class Scan:
    """A scan whose headers have been checked.

    ``rows`` stand in the table's order. ``problems`` tells for the index of each frame that can't
    be read why. ``files`` are the table and all files that frames are read from, in the order of
    first use. ``remarks`` are sentences about what is odd but allowed.
    """

    rows: tuple[FrameRow, ...]
    problems: Mapping[int, str]
    files: tuple[Path, ...]
    remarks: tuple[str, ...]
    reader: FrameReader
    pages: Mapping[int, Page]

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns) of every frame."""
        return self.reader.shape

    def read(self, index: int, out: RawImage) -> None:
        """Put frame ``index`` into ``out`` (uint16, C-contiguous, ``shape``).

        Safe from several threads at once. An uncompressed page goes straight into ``out``.

        Raises:
            FrameError: the frame is among ``problems``, is damaged inside its compressed data, or
                has changed since its header was checked.
        """
        if index in self.problems:
            raise FrameError(self.problems[index])
        self.reader.read(self.pages[index], out)


@dataclass(frozen=True, slots=True)
class FrameFolder:
    """All pages of all frame files of a folder, in name order; every header has been checked."""

    files: tuple[Path, ...]
    reader: FrameReader
    pages: tuple[Page, ...]
    names: tuple[str, ...]  # of each page: its file, and its number where the file has several

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns) of every frame."""
        return self.reader.shape

    def __len__(self) -> int:
        return len(self.pages)

    def read(self, index: int, out: RawImage) -> None:
        """Put page ``index`` into ``out``; as ``Scan.read``."""
        self.reader.read(self.pages[index], out)


def open_scan(job: WeldJob) -> Scan:
    """The job's scan, its positions compared with its pipe; see ``find_scan``.

    Raises:
        TableError: also when the positions can't be millimetres along this pipe.
    """
    scan = find_scan(job.frames, job.panel)
    odd = position_remarks(
        scan.rows,
        job.frames.table_path,
        circumference_mm=2 * math.pi * job.weld.radius_mm,
        panel_mm=job.panel.columns * job.panel.pitch_mm,
        ring=job.scan.ring,
    )
    return replace(scan, remarks=scan.remarks + odd)


def find_scan(frames: Frames, panel: Panel) -> Scan:
    """The scan, its frame table read and every header checked; no pixel is read yet.

    Of frames in DICOM, what the table doesn't tell of kV, current, time, place and temperature is
    taken from their headers.

    Raises:
        TableError: the frame table is at fault.
        FrameError: a frame can't be used and the config says ``on_unreadable = "stop"``, or more
            than half of them can't.
    """
    leave_out = frames.on_unreadable == "leave_out"
    reader = FrameReader(panel, frames.format, frames.binary)
    rows = read_frame_table(frames.table_path, frames.folder, missing_files=leave_out)
    wanted: dict[str, list[int]] = defaultdict(list)
    for row in rows:
        wanted[row.file].append(row.page)
    found = {
        name: reader.inspect(frames.folder / name, name, pages) for name, pages in wanted.items()
    }
    problems: dict[int, FrameError] = {}
    pages: dict[int, Page] = {}
    for row in rows:
        page = found[row.file][row.page]
        if isinstance(page, FrameError):
            problems[row.index] = page
        else:
            pages[row.index] = page
    if problems and (not leave_out or 2 * len(problems) > len(rows)):
        raise _too_many_problems(problems, len(rows), frames.folder)
    used = dict.fromkeys(frames.folder / row.file for row in rows if row.index in pages)
    told: tuple[str, ...] = ()
    if frames.format == "dicom":
        headers = read_headers(
            frames.folder, dict.fromkeys(row.file for row in rows if row.index in pages)
        )
        require_one_scale(headers, frames.folder)
        rows, told = with_headers(rows, headers), header_remarks(headers)
    return Scan(
        rows=rows,
        problems={index: str(error) for index, error in problems.items()},
        files=(frames.table_path, *used),
        remarks=(
            *table_remarks(rows),
            *unnamed_remark(rows, frames.folder, _ENDINGS[frames.format]),
            *_inverted_remark(pages),
            *told,
        ),
        reader=reader,
        pages=pages,
    )


def open_frames(
    folder: Path, panel: Panel, file_format: FrameFormat, binary: BinaryLayout | None = None
) -> FrameFolder:
    """All frames of a folder's files with the format's usual ending, by name, then page.

    Hidden files are passed over.

    Raises:
        FrameError: there is no such folder or no such file in it, or any page can't be used.
    """
    reader = FrameReader(panel, file_format, binary)
    endings = _ENDINGS[file_format]
    try:
        files = tuple(
            path
            for path in sorted(folder.iterdir())
            if path.suffix.lower() in endings and not path.name.startswith(".")
        )
    except OSError as error:
        raise FrameError(
            f"can't be opened ({error.strerror or error})",
            where=str(folder),
            expected="a folder of frames",
            remedy="Correct the folder in the config, or the one given with --exposures"
            if isinstance(error, FileNotFoundError | NotADirectoryError)
            else "Check the rights of the folder, and its disk",
        ) from error
    if not files:
        raise FrameError(
            "holds no frames",
            where=str(folder),
            expected=f"files named {' or '.join('*' + ending for ending in endings)}",
            remedy="Correct the folder or the format in the config",
        )
    found: list[Page | FrameError] = []
    names: list[str] = []
    for path in files:
        inside = reader.inspect(path, str(path), None)
        found += inside.values()
        names += [path.name if len(inside) == 1 else f"{path.name} page {k}" for k in inside]
    faults = [page for page in found if isinstance(page, FrameError)]
    if faults:
        raise FrameError(fault_list(told_together(faults)))
    if file_format == "dicom":
        require_one_scale(read_headers(folder, (path.name for path in files)), folder)
    pages = tuple(page for page in found if not isinstance(page, FrameError))
    return FrameFolder(files, reader, pages, tuple(names))


def _too_many_problems(problems: Mapping[int, FrameError], count: int, folder: Path) -> FrameError:
    return FrameError(
        f"{len(problems)} of {count} frames can't be used: "
        f"{fault_list(told_together(problems.values()))}",
        where=str(folder),
    )


def _inverted_remark(pages: Mapping[int, Page]) -> tuple[str, ...]:
    count = sum(page.inverted for page in pages.values())
    if not count:
        return ()
    return (
        f"{count} of {len(pages)} frames are marked for inverted display (MONOCHROME1 or "
        "WhiteIsZero); their gray values were taken as stored and must grow with dose",
    )


def _turn_rows(out: RawImage) -> None:
    """Turn an image upside down in place, a block from each end at a time."""
    half = len(out) // 2
    for top in range(0, half, _BLOCK_ROWS):
        stop = min(top + _BLOCK_ROWS, half)
        upper, lower = out[top:stop], out[len(out) - stop : len(out) - top]
        kept = upper[::-1].copy()
        upper[:] = lower[::-1]
        lower[:] = kept
