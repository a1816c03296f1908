"""One Digital X-Ray image of a part of the strip (PS3.3 A.26), but for its pixels."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from enum import Enum
from typing import Literal

import numpy as np
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import (
    UID,
    DigitalXRayImageStorageForPresentation,
    DigitalXRayImageStorageForProcessing,
)

from pipeline.model import Origin
from pipeline.outputs.dicom.acquisition import add_acquisition
from pipeline.outputs.dicom.component import add_component_and_study, add_material
from pipeline.outputs.dicom.detector import add_detector
from pipeline.outputs.dicom.earlier import Earlier
from pipeline.outputs.dicom.finished import Finished
from pipeline.outputs.dicom.frames import source_frames
from pipeline.outputs.dicom.parts import Part
from pipeline.outputs.dicom.pixels import add_pixel_description
from pipeline.outputs.dicom.places import add_strip_place
from pipeline.outputs.dicom.provenance import add_provenance
from pipeline.outputs.dicom.ruler import add_ruler
from pipeline.outputs.dicom.uids import content_uid, dataset_uid
from pipeline.outputs.dicom.values import coded, fill, item, items, line, number

Polarity = Literal["negative", "positive"]
"""Film-like negative: more radiation is shown darker; positive: lighter."""


@dataclass(frozen=True, slots=True)
class Display:
    """How the image for presentation is shown: gray values ``low`` to ``high``, and polarity."""

    low: float
    high: float
    polarity: Polarity

    @property
    def shape(self) -> str:
        """PresentationLUTShape."""
        return "INVERSE" if self.polarity == "negative" else "IDENTITY"

    def voi(self) -> Dataset:
        """The window as centre and width (PS3.3 C.11.2.1.2, linear)."""
        words = "Film-like negative" if self.polarity == "negative" else "Positive"
        return item(
            WindowCenter=number((self.low + self.high + 1) / 2),
            WindowWidth=number(self.high - self.low + 1),
            WindowCenterWidthExplanation=line(f"{words}: {self.low:g} to {self.high:g}"),
        )


class Intent(Enum):
    """What an image is for; its series number."""

    PROCESSING = 1
    PRESENTATION = 2

    @property
    def sop_class(self) -> UID:
        """The storage class."""
        if self is Intent.PROCESSING:
            return DigitalXRayImageStorageForProcessing
        return DigitalXRayImageStorageForPresentation

    @property
    def words(self) -> str:
        """PresentationIntentType."""
        return f"FOR {self.name}"


def describe(finished: Finished, pixels_sha256: str, earlier: Earlier | None) -> Dataset:
    """What is equal in all images of the strip.

    ``pixels_sha256`` is the digest of all its gray values.
    """
    dataset = Dataset()
    add_component_and_study(dataset, finished)
    add_material(dataset, finished)
    add_acquisition(dataset, finished)
    add_detector(dataset, finished)
    add_strip_place(dataset, finished)
    add_provenance(dataset, finished, pixels_sha256, earlier)
    fill(
        dataset,
        ImageType=["DERIVED", "PRIMARY", ""],
        Modality="DX",
        ImageLaterality="U",
        AnatomicRegionSequence=Sequence(),
        PatientOrientation="",
        AcquisitionContextSequence=Sequence(),
    )
    return dataset


def images_of(
    finished: Finished,
    common: Dataset,
    parts: tuple[Part, ...],
    intent: Intent,
    display: Display,
) -> list[Dataset]:
    """The images of all parts for one intent, with their UIDs, tied to each other.

    A UID is that of all that an image holds but the references to the other parts, which have
    theirs from the same content. An image for presentation refers to the one for processing,
    whether that is written as well or not.
    """
    made = [_image(finished, common, part, intent, display) for part in parts]
    for dataset in made:
        others = [other for other in made if other is not dataset]
        if others:
            listed = list(dataset.get("ReferencedImageSequence", ()))
            listed += [reference(other, "121313", "Other partial views") for other in others]
            dataset.ReferencedImageSequence = Sequence(listed)
    return made


def reference(dataset: Dataset, code: str, meaning: str) -> Dataset:
    """A reference to an image, and what for."""
    return item(
        ReferencedSOPClassUID=dataset.SOPClassUID,
        ReferencedSOPInstanceUID=dataset.SOPInstanceUID,
        PurposeOfReferenceCodeSequence=coded(code, meaning),
    )


def _image(
    finished: Finished, common: Dataset, part: Part, intent: Intent, display: Display
) -> Dataset:
    dataset = copy.deepcopy(common)
    first, stop = part.first, part.stop
    uncovered = bool(np.any(finished.origin[:, first:stop] == Origin.NOT_COVERED))
    fill(
        dataset,
        SOPClassUID=intent.sop_class,
        PresentationIntentType=intent.words,
        SeriesNumber=intent.value,
        SeriesDescription=_series_words(intent, display),
        InstanceNumber=part.number,
        SourceImageSequence=Sequence(source_frames(finished)) or None,
    )
    add_pixel_description(dataset, part.columns, finished.values.shape[0], uncovered)
    add_ruler(dataset, finished, part)
    if intent is Intent.PROCESSING:
        fill(dataset, PhotometricInterpretation="MONOCHROME2", PresentationLUTShape="IDENTITY")
    else:
        source = _image(finished, common, part, Intent.PROCESSING, display)
        dataset.SourceImageSequence = items(
            reference(source, "121358", "For Processing predecessor"),
            *dataset.get("SourceImageSequence", ()),
        )
        dataset.PhotometricInterpretation = (
            "MONOCHROME1" if display.polarity == "negative" else "MONOCHROME2"
        )
        dataset.PresentationLUTShape = display.shape
        dataset.update(display.voi())
    shown = () if intent is Intent.PROCESSING else (str(display),)
    dataset.SeriesInstanceUID = content_uid("series", intent.words, dataset_uid(common), *shown)
    dataset.SOPInstanceUID = dataset_uid(dataset)
    return dataset


def _series_words(intent: Intent, display: Display) -> str:
    if intent is Intent.PROCESSING:
        return "Strip for processing, linear in dose"
    return f"Strip for presentation, {display.polarity}"
