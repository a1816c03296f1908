"""How the strip's frames were exposed, where source and panel stood, and who was there."""

from __future__ import annotations

from pydicom.dataset import Dataset

from pipeline.geometry import Arrangement
from pipeline.outputs.dicom.finished import Finished
from pipeline.outputs.dicom.values import (
    clock,
    date,
    date_time,
    fill,
    item,
    items,
    line,
    number,
    person,
)


def magnification(finished: Finished) -> float:
    """How much larger the pipe's outer surface is on the panel, at a frame's middle.

    Source to panel over source to surface, by the solved stand-off and the source as told.
    """
    source_mm = _source_to_surface_mm(finished)
    return (source_mm + finished.log.geometry.standoff_mm) / source_mm


def add_acquisition(dataset: Dataset, finished: Finished) -> None:
    """Times, exposure, distances, people. What isn't known isn't there.

    Of values that differ from frame to frame the median is told here, and each frame's own in the
    list of frames.
    """
    weld, first, last = finished.log.weld, finished.first_moment, finished.last_moment
    fill(
        dataset,
        ProtocolName=line(weld.procedure) or None,
        OperatorsName=person(weld.operator) or None,
        EvaluatorSequence=_evaluator(weld.evaluator),
        AcquisitionDate=None if first is None else date(first),
        AcquisitionTime=None if first is None else clock(first),
        AcquisitionDateTime=None if first is None else date_time(first),
        ContentDate="" if last is None else date(last),
        ContentTime="" if last is None else clock(last),
    )
    _add_exposure(dataset, finished)
    source_mm = _source_to_surface_mm(finished)
    fill(
        dataset,
        DistanceSourceToDetector=number(source_mm + finished.log.geometry.standoff_mm),
        DistanceSourceToPatient=number(source_mm),
        EstimatedRadiographicMagnificationFactor=number(magnification(finished)),
        PositionerType="NONE",
    )
    quality = finished.job.quality
    if quality is not None and quality.focal_spot_mm is not None:
        dataset.FocalSpots = number(quality.focal_spot_mm)


def _add_exposure(dataset: Dataset, finished: Finished) -> None:
    """Of one frame, in the units that round least, and in whole ones where those are exact."""
    kv, ma = finished.typical("kv"), finished.typical("ma")
    seconds = finished.typical("exposure_s")
    if kv is not None:
        dataset.KVP = number(kv)
    if ma is not None:
        dataset.XRayTubeCurrentInuA = number(ma * 1e3)
        if ma == round(ma):
            dataset.XRayTubeCurrent = round(ma)
    if seconds is not None:
        dataset.ExposureTimeInuS = number(seconds * 1e6)
        if seconds * 1e3 == round(seconds * 1e3):
            dataset.ExposureTime = round(seconds * 1e3)
    if ma is not None and seconds is not None:
        dataset.ExposureInmAs = ma * seconds
        dataset.ExposureInuAs = round(ma * seconds * 1e3)


def _evaluator(name: str) -> object:
    if not name:
        return None
    return items(item(EvaluatorNumber=1, EvaluatorName=person(name), EvaluationAttempt=1))


def _source_to_surface_mm(finished: Finished) -> float:
    """From the source to the outer surface that the strip shows."""
    radius_mm = finished.log.weld.diameter_mm / 2
    if finished.log.geometry.arrangement == Arrangement.TWO_WALL.value:
        return radius_mm + finished.job.geometry.source_distance_mm
    return radius_mm
