"""What the strip's pixels measure: spacing, the axes from the datum, and each part's place."""

from __future__ import annotations

from pydicom.dataset import Dataset

from pipeline.outputs.dicom.finished import Finished
from pipeline.outputs.dicom.parts import Part
from pipeline.outputs.dicom.uids import scan_uid
from pipeline.outputs.dicom.values import LT, fill, item, items, line, numbers, prose
from pipeline.quality.log import StripFacts


def add_ruler(dataset: Dataset, finished: Finished, part: Part) -> None:
    """Put it into the dataset of one part.

    The axes stand in group 0014's coordinate system: s along the weld and z along the pipe, in
    millimetres, from column and row (0 the first of this part) by scale and translation.
    """
    strip, weld = finished.log.strip, finished.log.weld
    pitch_mm = strip.pitch_mm
    standoff_mm = finished.log.geometry.standoff_mm
    s_first_mm = strip.s_first_mm + part.first * pitch_mm
    fill(
        dataset,
        FrameOfReferenceUID=scan_uid(finished.log, "frame of reference"),
        PositionReferenceIndicator="",
        PixelSpacing=numbers([pitch_mm, pitch_mm]),
        PixelSpacingCalibrationType="GEOMETRY",
        PixelSpacingCalibrationDescription=line(
            f"Outer surface: diameter {weld.diameter_mm:g}, stand-off {standoff_mm:.3f} mm"
        ),
        TotalPixelMatrixColumns=strip.columns,
        TotalPixelMatrixRows=strip.rows,
        ColumnPositionInTotalImagePixelMatrix=part.first + 1,
        RowPositionInTotalImagePixelMatrix=1,
        CoordinateSystemNumberOfAxes=2,
        CoordinateSystemAxesSequence=items(
            item(
                CoordinateSystemAxisDescription=f"s: from the datum along the weld, {_way(strip)}",
                CoordinateSystemAxisNumber=1,
                CoordinateSystemAxisUnits="MM",
            ),
            item(
                CoordinateSystemAxisDescription="z: along the pipe",
                CoordinateSystemAxisNumber=2,
                CoordinateSystemAxisUnits="MM",
            ),
        ),
        CoordinateSystemTransformSequence=items(
            item(
                TransformDescription="Millimetres of axis 1 and 2 from column and row, both from 0",
                TransformNumberOfAxes=2,
                TransformOrderOfAxes=[1, 2],
                TransformedAxisUnits="MM",
                CoordinateSystemTransformRotationAndScaleMatrix=numbers(
                    [pitch_mm, 0.0, 0.0, pitch_mm]
                ),
                CoordinateSystemTransformTranslationMatrix=numbers([s_first_mm, strip.z_first_mm]),
            )
        ),
        ImageComments=prose(_in_words(finished, part, s_first_mm), LT),
    )


def _way(strip: StripFacts) -> str:
    return f"in the direction of the scan, {strip.direction}"


def _in_words(finished: Finished, part: Part, s_first_mm: float) -> str:
    strip, weld = finished.log.strip, finished.log.weld
    name = f"{weld.id} {weld.shot}".strip()
    lines = [
        f"Weld {name}, unrolled. The middle of the first column lies at "
        f"{s_first_mm:.4f} mm on the outer surface from the datum, of the first row at "
        f"{strip.z_first_mm:.4f} mm along the pipe; {strip.pitch_mm:.6f} mm a pixel; columns grow "
        f"{_way(strip)}.",
    ]
    if strip.ring:
        lines.append(
            f"A ring: after {strip.circumference_mm:.3f} mm the strip repeats its first "
            f"{strip.overrun_mm:.3f} mm."
        )
    if part.count > 1:
        lines.append(
            f"Part {part.number} of {part.count}: columns {part.first + 1} to {part.stop} of "
            f"{strip.columns}; the parts overlap."
        )
    lines.append("Nothing here accepts or rejects the weld.")
    return "\n".join(lines)
