"""What the strip was derived from and how, by which program, and which earlier one it follows."""

from __future__ import annotations

from pydicom.dataset import Dataset

from pipeline.outputs.dicom.earlier import Earlier
from pipeline.outputs.dicom.finished import Finished
from pipeline.outputs.dicom.frames import add_frames
from pipeline.outputs.dicom.private import Own, add_own
from pipeline.outputs.dicom.values import coded, fill, item, items, line, prose

_CORRECTED = {
    "flat_field": "dark and gain",
    "lag": "lag of earlier frames",
    "bad_pixels": "bad pixels",
}


def add_provenance(
    dataset: Dataset, finished: Finished, pixels_sha256: str, earlier: Earlier | None
) -> None:
    """Derivation, equipment, frames and digests; and the reference to an earlier processing."""
    software = finished.log.software
    versions = [line(f"{name} {text}") for name, text in software.items() if name != "name"]
    fill(
        dataset,
        DerivationDescription=prose(_derivation(finished)),
        DerivationCodeSequence=coded("113090", "Image stitching"),
        ContributingEquipmentSequence=items(
            item(
                PurposeOfReferenceCodeSequence=coded("109102", "Processing Equipment"),
                Manufacturer=line(software.get("name", "girthstrip")),
                SoftwareVersions=versions,
                ContributionDescription="Corrected the frames, found their places, unrolled and "
                "averaged them into one strip",
            )
        ),
    )
    add_frames(dataset, finished)
    add_own(
        dataset,
        {
            Own.QUALITY_LOG: finished.log_text,
            Own.QUALITY_LOG_SHA256: finished.log_sha256,
            Own.PIXELS_SHA256: pixels_sha256,
        },
    )
    if earlier is not None:
        dataset.ReferencedImageSequence = items(
            *(
                item(
                    ReferencedSOPClassUID=one.sop_class_uid,
                    ReferencedSOPInstanceUID=one.sop_instance_uid,
                    PurposeOfReferenceCodeSequence=coded("121348", "Temporal Predecessor"),
                )
                for one in earlier.images
            )
        )


def _derivation(finished: Finished) -> str:
    log = finished.log
    stages = [words for name, words in _CORRECTED.items() if name in finished.job.stages.sequence]
    return (
        f"{len(finished.used)} of {len(log.frames)} frames, corrected for {', '.join(stages)}, "
        "each resampled once onto the pipe's unrolled outer surface, averaged with weights from "
        "their predicted noise. No sharpening, no denoising, no equalising; gray values are "
        f"linear in dose. Calibration {log.calibration.identity}; quality log (SHA-256) "
        f"{finished.log_sha256}, which lists every file that was read with its digest; frames in "
        "private elements."
    )
