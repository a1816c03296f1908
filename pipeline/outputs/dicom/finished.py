"""A finished result folder and what it was made from, as far as that is still where it was."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from statistics import median

from pipeline.calibration.product import CalibrationFacts
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.errors import InputError
from pipeline.io.calibration_store import read_facts
from pipeline.io.dicom_header import FrameHeader, read_headers, with_headers
from pipeline.io.digest import sha256_file
from pipeline.io.frame_table import read_frame_table
from pipeline.io.pictures import open_picture
from pipeline.model import FlagImage, FrameRow, RawImage
from pipeline.quality.log import FrameRecord, QualityLog


@dataclass(frozen=True, slots=True)
class Finished:
    """A strip, its log, and the facts beside them.

    ``origin`` is the strip's map of that name. ``rows`` are the frame table's, by file and page;
    none where the table isn't the one that the strip was made from. ``headers`` are those of
    frames in DICOM, by file. ``calibration`` are the facts of the one that was used, None where it
    isn't there any more. ``remarks`` say what could therefore not be told.
    """

    log: QualityLog
    log_text: str
    job: WeldJob
    values: RawImage
    origin: FlagImage
    rows: Mapping[tuple[str, int], FrameRow]
    headers: Mapping[str, FrameHeader]
    calibration: CalibrationFacts | None
    remarks: tuple[str, ...]

    @property
    def log_sha256(self) -> str:
        """The digest of ``quality.json``."""
        return hashlib.sha256(self.log_text.encode()).hexdigest()

    @property
    def first_moment(self) -> datetime | None:
        """When the first frame of the strip was shot; None where it isn't told."""
        return _moment(self.log.exposure.first_time)

    @property
    def last_moment(self) -> datetime | None:
        """When the last one was."""
        return _moment(self.log.exposure.last_time)

    @property
    def used(self) -> tuple[FrameRecord, ...]:
        """The records of the frames in the strip."""
        return tuple(frame for frame in self.log.frames if frame.used)

    def row_of(self, frame: FrameRecord) -> FrameRow | None:
        """What the frame table tells of a frame."""
        return self.rows.get((frame.file, frame.page))

    def typical(self, name: str) -> float | None:
        """The median of a number of the frame table over the frames in the strip; None: not told.

        Without the table, the log's where all frames have the same.
        """
        rows = [row for frame in self.used if (row := self.row_of(frame)) is not None]
        told = [value for row in rows if (value := getattr(row, name)) is not None]
        if told:
            return float(median(told))
        low = getattr(self.log.exposure, f"{name}_min", None)
        return low if low == getattr(self.log.exposure, f"{name}_max", None) else None


def read_finished(folder: Path) -> Finished:
    """The result folder of a weld.

    Raises:
        InputError: it isn't one, is incomplete, or its files don't belong together.
    """
    if not folder.is_dir():
        raise InputError(
            "is a file" if folder.exists() else "doesn't exist",
            where=str(folder),
            expected="the result folder of a weld",
            remedy="Name the folder that girthstrip stitch wrote",
        )
    opened = open_picture(folder)
    if opened.log is None or opened.config is None:
        raise InputError(
            "has no config.toml",
            where=str(folder),
            expected="a whole result folder, as girthstrip stitch writes it",
            remedy="Copy the result again, or stitch it anew",
        )
    if opened.picture.origin is None:
        raise ValueError("a result folder has maps")
    job = load_weld_config(opened.config)
    remarks: list[str] = []
    rows, headers = _frame_facts(job, opened.log, remarks)
    return Finished(
        log=opened.log,
        log_text=(folder / "quality.json").read_text(encoding="utf-8"),
        job=job,
        values=opened.picture.values,
        origin=opened.picture.origin,
        rows=rows,
        headers=headers,
        calibration=_calibration_facts(job, opened.log, remarks),
        remarks=tuple(remarks),
    )


def _frame_facts(
    job: WeldJob, log: QualityLog, remarks: list[str]
) -> tuple[dict[tuple[str, int], FrameRow], dict[str, FrameHeader]]:
    """The table's rows, completed from the frames' own headers, and those headers."""
    table, lost = job.frames.table_path, "so what it tells of single frames is left out"
    if not table.is_file():
        remarks.append(f"the frame table {table} isn't there any more, {lost}")
        return {}, {}
    if sha256_file(table) not in {entry.sha256 for entry in log.inputs}:
        remarks.append(f"the frame table {table} was changed after the strip was made, {lost}")
        return {}, {}
    rows = read_frame_table(table, job.frames.folder, missing_files=True)
    if job.frames.format != "dicom":
        return {(row.file, row.page): row for row in rows}, {}
    headers = read_headers(job.frames.folder, sorted({row.file for row in rows}))
    if len(headers) < len({row.file for row in rows}):
        remarks.append(
            f"frames are missing from {job.frames.folder}, so what their headers tell is left out"
        )
    return {(row.file, row.page): row for row in with_headers(rows, headers)}, headers


def _calibration_facts(
    job: WeldJob, log: QualityLog, remarks: list[str]
) -> CalibrationFacts | None:
    folder = job.calibration.folder
    try:
        identity, facts = read_facts(folder) if folder is not None else ("", None)
    except InputError:
        identity, facts = "", None
    if facts is None or identity != log.calibration.identity:
        remarks.append(
            f"the calibration {log.calibration.identity[:12]} isn't in {folder} any more, so only "
            "its identity and its bad pixels are told"
        )
        return None
    return facts


def _moment(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)
