"""The frames that the strip was made from: one by one, with the place and the time of each."""

from __future__ import annotations

from datetime import datetime

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from pipeline.model import FrameRow
from pipeline.outputs.dicom.finished import Finished
from pipeline.outputs.dicom.places import add_place
from pipeline.outputs.dicom.private import Own, add_own
from pipeline.outputs.dicom.uids import file_digests
from pipeline.outputs.dicom.values import coded, date_time, fill, item, number


def add_frames(dataset: Dataset, finished: Finished) -> None:
    """A list of all frames of the scan, left out ones too.

    Frames that came in DICOM are referred to as well, as the standard has it; others have no
    UID by which they could be.
    """
    digest_of = file_digests(finished.log, {frame.file for frame in finished.log.frames})
    listed = []
    for frame in finished.log.frames:
        one, row = Dataset(), finished.row_of(frame)
        if row is not None:
            _add_shot(one, row)
        add_own(
            one,
            {
                Own.FILE: frame.file,
                Own.PAGE: frame.page,
                Own.SHA256: digest_of.get(frame.file),
                Own.USED: "YES" if frame.used else "NO",
                Own.WHY_NOT: frame.why_not or None,
                Own.ENCODER_MM: frame.encoder_mm,
                Own.POSITION_MM: frame.position_mm,
                Own.SIGMA_MM: frame.sigma_mm,
                Own.AXIAL_MM: frame.axial_mm,
                Own.LEVEL: frame.level,
            },
        )
        listed.append(one)
    add_own(dataset, {Own.FRAMES: Sequence(listed)})


def source_frames(finished: Finished) -> list[Dataset]:
    """References to the frames of the strip that came in DICOM."""
    pages: dict[str, list[int]] = {}
    for frame in finished.used:
        pages.setdefault(frame.file, []).append(frame.page)
    return [
        item(
            ReferencedSOPClassUID=header.sop_class_uid,
            ReferencedSOPInstanceUID=header.sop_instance_uid,
            ReferencedFrameNumber=None if header.frames == 1 else [k + 1 for k in sorted(numbers)],
            PurposeOfReferenceCodeSequence=coded("121329", "Source image for montage"),
        )
        for file, numbers in pages.items()
        if (header := finished.headers.get(file)) is not None and header.sop_instance_uid
    ]


def _add_shot(dataset: Dataset, row: FrameRow) -> None:
    """When, where and how a frame was shot."""
    fill(
        dataset,
        AcquisitionDateTime=None
        if row.time is None
        else date_time(datetime.fromisoformat(row.time)),
        KVP=None if row.kv is None else number(row.kv),
        XRayTubeCurrentInuA=None if row.ma is None else number(row.ma * 1e3),
        ExposureTimeInuS=None if row.exposure_s is None else number(row.exposure_s * 1e6),
        DetectorTemperature=None if row.temperature_c is None else number(row.temperature_c),
    )
    if row.latitude is not None and row.longitude is not None:
        add_place(dataset, row.latitude, row.longitude)
