"""A finished strip's DICONDE files, as a folder that appears whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydicom.dataset import Dataset

from pipeline.errors import OutputError
from pipeline.io.folders import EXPORT_LIST, new_folder, require_free
from pipeline.model import Origin
from pipeline.noted import measure_noted
from pipeline.outputs.dicom.earlier import read_earlier
from pipeline.outputs.dicom.files import entry, write_dataset, write_image
from pipeline.outputs.dicom.finished import Finished, read_finished
from pipeline.outputs.dicom.image import Display, Intent, Polarity, describe, images_of
from pipeline.outputs.dicom.marks import marks_of
from pipeline.outputs.dicom.parts import MOST_COLUMNS, Part, cut
from pipeline.outputs.dicom.pixels import SYNTAXES, Compression, encode
from pipeline.outputs.report.views.pictures import display_window
from pipeline.quality.pixel_digest import pixels_sha256

SCHEMA = "girthstrip.export/1"
Wanted = Literal["processing", "presentation", "both"]

_MARKS = "marks.dcm"
_MOST_PARTS = 16
EXPORT_FILES = (
    EXPORT_LIST,
    _MARKS,
    *(
        f"{intent.name.lower()}{end}.dcm"
        for intent in Intent
        for end in ("", *(f"_{number}" for number in range(1, _MOST_PARTS + 1)))
    ),
)
"""All that an export's folder may hold; a folder with anything else is never replaced."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What is to be written and how.

    ``window`` are the gray values at which the display begins and ends; None: the report's.
    ``indications`` is a reviewer's table that counts instead of what the log has; ``reviewed`` when
    the marks were made, without it when the last frame was shot. ``previous`` is an earlier export.
    """

    wanted: Wanted = "both"
    compression: Compression = "none"
    window: tuple[float, float] | None = None
    polarity: Polarity = "negative"
    indications: Path | None = None
    reviewed: datetime | None = None
    previous: Path | None = None
    most_columns: int = MOST_COLUMNS


@dataclass(frozen=True, slots=True)
class Export:
    """The folder, what its ``export.json`` says of each file, and what couldn't be told."""

    folder: Path
    weld: str
    files: tuple[Mapping[str, Any], ...]
    remarks: tuple[str, ...]


def export_strip(result: Path, out: Path, wishes: Wishes, *, replace: bool = False) -> Export:
    """Write a finished result as DICONDE into a new folder ``out``.

    Raises:
        InputError: the result, a table or an earlier export is at fault.
        OutputError: ``out`` exists (without ``replace``) or can't be written.
    """
    require_free(out, replace, EXPORT_FILES)
    finished = read_finished(result)
    _require_elsewhere(out, finished)
    display = _display(finished, wishes)
    remarks = [*finished.remarks, *_zero_remark(finished)]
    parts = cut(finished.values.shape[1], finished.log.strip.pitch_mm, wishes.most_columns)
    earlier = None if wishes.previous is None else read_earlier(wishes.previous, finished)
    common = describe(finished, pixels_sha256(finished.values), earlier)
    images = {
        intent: images_of(finished, common, parts, intent, display)
        for intent in Intent
        if wishes.wanted in ("both", intent.name.lower())
    }
    marks = _marks(result, finished, parts, images, display, wishes, remarks)
    with new_folder(out, replace=replace, own_files=EXPORT_FILES) as folder:
        files = list(_write_images(folder, finished, parts, images, wishes.compression))
        if marks is not None:
            write_dataset(folder / _MARKS, marks)
            files.append(entry(folder / _MARKS, marks))
        record = {"schema": SCHEMA, "weld": finished.log.weld.id, "files": files}
        text = json.dumps(record, sort_keys=True, indent=1)
        (folder / EXPORT_LIST).write_text(text + "\n", encoding="ascii")
    return Export(out, finished.log.weld.id, tuple(files), tuple(remarks))


def _require_elsewhere(out: Path, finished: Finished) -> None:
    """Raise OutputError if ``out`` would lie among the raw frames or in the calibration."""
    for folder, what in (
        (finished.job.frames.folder, "the raw frames"),
        (finished.job.calibration.folder, "the calibration"),
    ):
        if folder is not None and out.resolve().is_relative_to(folder.resolve()):
            raise OutputError(
                f"lies in the folder of {what}, where nothing is ever written",
                where=str(out),
                remedy="Name a folder elsewhere",
            )


def _zero_remark(finished: Finished) -> list[str]:
    """A gray value that was measured and is the same as the one for what wasn't."""
    zeros = int(np.count_nonzero((finished.values == 0) & (finished.origin == Origin.MEASURED)))
    if not zeros or not np.any(finished.origin == Origin.NOT_COVERED):
        return []
    return [
        f"{zeros} pixels were measured as 0, which is also the value of what no frame covered; "
        "programs that read the DICOM files can't tell them apart, maps.tif can"
    ]


def _display(finished: Finished, wishes: Wishes) -> Display:
    """The window asked for, or the one that the report shows, to whole gray values."""
    if wishes.window is not None:
        return Display(*wishes.window, wishes.polarity)
    window = display_window(finished.values, finished.origin)
    return Display(round(window.low), round(window.high), wishes.polarity)


def _write_images(
    folder: Path,
    finished: Finished,
    parts: Sequence[Part],
    images: Mapping[Intent, Sequence[Dataset]],
    compression: Compression,
) -> Iterator[dict[str, Any]]:
    """Each part's pixels are encoded once, for all intents."""
    for part in parts:
        pixels = encode(finished.values[:, part.first : part.stop], compression)
        for intent, datasets in images.items():
            end = f"_{part.number}" if part.count > 1 else ""
            path = folder / f"{intent.name.lower()}{end}.dcm"
            dataset = datasets[part.number - 1]
            write_image(path, dataset, SYNTAXES[compression], pixels)
            yield entry(path, dataset)


def _marks(
    result: Path,
    finished: Finished,
    parts: Sequence[Part],
    images: Mapping[Intent, Sequence[Dataset]],
    display: Display,
    wishes: Wishes,
    remarks: list[str],
) -> Dataset | None:
    """The presentation state, on the images for presentation if they are there.

    The standard wants the moment at which it was made; where nobody tells one there is no state.
    """
    noted = finished.log.indications
    if wishes.indications is not None:
        noted = measure_noted(result, wishes.indications, suggest=False)
    moment = wishes.reviewed or finished.last_moment
    if moment is None:
        remarks.append(
            "no marks.dcm was written: the frames tell no time, and the standard wants one; give "
            "it with --reviewed"
        )
        return None
    shown = images.get(Intent.PRESENTATION) or images[Intent.PROCESSING]
    return marks_of(finished, parts, shown, display, noted, moment)
