"""Datum, seams, gaps and indications as graphics: a Grayscale Softcopy Presentation State.

A presentation state (PS3.3 A.33.1) and no overlay or burnt-in mark: it says who made it and when,
has layers that a viewer can hide, and a later review adds another one and leaves the image as it
was.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence as DicomSequence
from pydicom.uid import GrayscaleSoftcopyPresentationStateStorage

from pipeline.outputs.dicom.component import add_component_and_study
from pipeline.outputs.dicom.finished import Finished
from pipeline.outputs.dicom.graphics import PartPlaces, Points
from pipeline.outputs.dicom.image import Display
from pipeline.outputs.dicom.indications import evaluator, label
from pipeline.outputs.dicom.parts import Part
from pipeline.outputs.dicom.uids import content_uid, dataset_uid
from pipeline.outputs.dicom.values import (
    clock,
    date,
    fill,
    item,
    items,
    line,
    numbers,
    person,
    prose,
)
from pipeline.quality.noted.indication import IndicationList

_LAYERS = {
    "DATUM": "Where the scan counts from",
    "SEAMS": "Where the leading frame changes",
    "GAPS": "What no frame covered",
    "INDICATIONS": "What a reviewer noted; nothing here judges it",
}
"""Layers in the order in which they are drawn; only those with something in them are written."""
_SEAM_ROWS = 0.03  # of the height, at both edges: the weld itself stays free
_SERIES = 3


def marks_of(
    finished: Finished,
    parts: Sequence[Part],
    images: Sequence[Dataset],
    display: Display,
    noted: IndicationList | None,
    moment: datetime,
) -> Dataset:
    """The presentation state for the images of all parts; ``moment`` is when it counts as made."""
    drawn = [
        (image, layer, _graphics(layer, PartPlaces(finished.log.strip, part), finished, noted))
        for part, image in zip(parts, images, strict=True)
        for layer in _LAYERS
    ]
    drawn = [one for one in drawn if one[2]]
    layers = [layer for layer in _LAYERS if any(one[1] == layer for one in drawn)]
    first = finished.first_moment
    if first is not None and first.tzinfo is not None and moment.tzinfo is not None:
        moment = moment.astimezone(first.tzinfo)  # one zone holds for all times of a dataset
    dataset = Dataset()
    add_component_and_study(dataset, finished)
    fill(
        dataset,
        SOPClassUID=GrayscaleSoftcopyPresentationStateStorage,
        Modality="PR",
        SeriesNumber=_SERIES,
        SeriesDescription="Marks on the strip",
        InstanceNumber=1,
        Manufacturer="",
        Laterality="",
        ContentLabel="MARKS",
        ContentDescription=line(", ".join(layers).lower()),
        PresentationCreationDate=date(moment),
        PresentationCreationTime=clock(moment),
        ContentCreatorName="" if noted is None else person(finished.log.weld.evaluator),
        ReferencedSeriesSequence=items(
            item(
                SeriesInstanceUID=images[0].SeriesInstanceUID,
                ReferencedImageSequence=DicomSequence([_plain(image) for image in images]),
            )
        ),
        DisplayedAreaSelectionSequence=DicomSequence([_whole(image) for image in images]),
        GraphicAnnotationSequence=DicomSequence(
            [_annotation(image, layer, objects) for image, layer, objects in drawn]
        )
        or None,
        GraphicLayerSequence=DicomSequence(
            [
                item(
                    GraphicLayer=layer,
                    GraphicLayerOrder=order,
                    GraphicLayerDescription=line(_LAYERS[layer]),
                )
                for order, layer in enumerate(layers, start=1)
            ]
        )
        or None,
        SoftcopyVOILUTSequence=items(display.voi()),
        PresentationLUTShape=display.shape,
    )
    if noted is not None:
        dataset.EvaluatorSequence = evaluator(finished.log.weld.evaluator, noted)
    dataset.SeriesInstanceUID = content_uid("series", "marks", dataset_uid(dataset))
    dataset.SOPInstanceUID = dataset_uid(dataset)
    return dataset


Drawn = list[tuple[Points, str]]
"""Polylines, and the text at the first point of each; empty for none."""


def _graphics(
    layer: str, places: PartPlaces, finished: Finished, noted: IndicationList | None
) -> Drawn:
    if layer == "DATUM":
        drawn = _datum(places)
    elif layer == "SEAMS":
        drawn = _seams(places, (seam.s_mm for seam in finished.log.seams))
    elif layer == "GAPS":
        drawn = (
            ([*box], "not covered")
            for gap in finished.log.gaps
            for start, stop in places.spans(gap.from_mm, gap.to_mm)
            for box in [_outline(start, stop, 0.0, float(places.rows))]
        )
    else:
        drawn = _noted(places, noted)
    return list(drawn)


def _datum(places: PartPlaces) -> Iterator[tuple[Points, str]]:
    for column in places.lines(0.0):
        yield [(column, 0.0), (column, float(places.rows))], "datum"


def _seams(places: PartPlaces, seams: Iterable[float]) -> Iterator[tuple[Points, str]]:
    """A short stroke at both edges of the strip, numbered from 1 at the upper."""
    rows = float(places.rows)
    for number, s_mm in enumerate(seams, start=1):
        for column in places.lines(s_mm):
            yield [(column, 0.0), (column, _SEAM_ROWS * rows)], str(number)
            yield [(column, (1 - _SEAM_ROWS) * rows), (column, rows)], ""


def _noted(places: PartPlaces, noted: IndicationList | None) -> Iterator[tuple[Points, str]]:
    for one in noted.indications if noted else ():
        ends = (one.s_first_mm, one.s_last_mm, one.z_first_mm, one.z_last_mm)
        if any(end is None for end in ends):  # it doesn't lie on the strip
            continue
        for box in places.boxes(*(end.value for end in ends if end is not None)):
            yield box, label(one)


def _outline(start: float, stop: float, top: float, bottom: float) -> Points:
    return [(start, top), (stop, top), (stop, bottom), (start, bottom), (start, top)]


def _annotation(image: Dataset, layer: str, drawn: Drawn) -> Dataset:
    texts = [_text(points[0], text) for points, text in drawn if text]
    return item(
        ReferencedImageSequence=items(_plain(image)),
        GraphicLayer=layer,
        GraphicObjectSequence=DicomSequence([_polyline(points) for points, _ in drawn]),
        TextObjectSequence=DicomSequence(texts) if texts else None,
    )


def _polyline(points: Points) -> Dataset:
    return item(
        GraphicAnnotationUnits="PIXEL",
        GraphicDimensions=2,
        NumberOfGraphicPoints=len(points),
        GraphicData=[value for point in points for value in point],
        GraphicType="POLYLINE",
        GraphicFilled="N",
    )


def _text(anchor: tuple[float, float], text: str) -> Dataset:
    return item(
        AnchorPointAnnotationUnits="PIXEL",
        UnformattedTextValue=prose(text),
        AnchorPoint=list(anchor),
        AnchorPointVisibility="N",
    )


def _plain(image: Dataset) -> Dataset:
    return item(
        ReferencedSOPClassUID=image.SOPClassUID, ReferencedSOPInstanceUID=image.SOPInstanceUID
    )


def _whole(image: Dataset) -> Dataset:
    """All of the image, as large as the screen allows."""
    return item(
        ReferencedImageSequence=items(_plain(image)),
        DisplayedAreaTopLeftHandCorner=[1, 1],
        DisplayedAreaBottomRightHandCorner=[int(image.Columns), int(image.Rows)],
        PresentationSizeMode="SCALE TO FIT",
        PresentationPixelSpacing=numbers(map(float, image.PixelSpacing)),
    )
