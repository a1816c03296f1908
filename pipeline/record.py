"""What a run found, put together as the quality log: no arithmetic on pixels, no files."""

from __future__ import annotations

import math
import platform
from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numba
import numpy as np

import pipeline
from pipeline.calibration.acceptance import remarks as calibration_remarks
from pipeline.calibration.lookup import Choice
from pipeline.calibration.product import CalibrationSet
from pipeline.config.weld import WeldJob
from pipeline.model import FrameRow, Strip, StripGrid
from pipeline.plan import shooting_order
from pipeline.quality.assemble import (
    acquisition_checks,
    disagreement_check,
    lag_check,
    ruler_check,
    strip_checks,
)
from pipeline.quality.calibration import calibration_checks
from pipeline.quality.coverage import find_gaps
from pipeline.quality.encoder import encoder_check, find_slips
from pipeline.quality.exposure import exposure_facts
from pipeline.quality.image.image_quality import ImageQuality
from pipeline.quality.log import (
    CalibrationUsed,
    Check,
    FrameRecord,
    Gap,
    GeometryFacts,
    InputFile,
    QualityLog,
    Seam,
    StripFacts,
    WeldFacts,
)
from pipeline.quality.marks.tape import Found, check_datum, check_tape
from pipeline.quality.passes import shot_twice
from pipeline.quality.placing import registration_checks
from pipeline.quality.ruler import ruler_sigma_mm
from pipeline.quality.standoff import standoff_checks
from pipeline.stages.disagreement import WorstCell, worst_cells
from pipeline.stages.distortion import Distortion
from pipeline.stages.lag import Lag
from pipeline.stages.registration import Registered
from pipeline.stages.seams import SeamMeasure, measure_seams


def quality_log(
    job: WeldJob,
    rows: Sequence[FrameRow],
    reasons: Mapping[int, str],
    calibration: CalibrationSet,
    distortion: Distortion,
    found: Registered,
    strip: Strip,
    clipped: int,
    inputs: Sequence[InputFile],
    without_history: Sequence[int] | None = None,
    *,
    remarks: Sequence[str] = (),
    choice: Choice | None = None,
    image: ImageQuality | None = None,
    pixels_sha256: str | None = None,
) -> QualityLog:
    """The log of one weld. ``rows`` is the frame table, ``reasons`` why frames were left out by
    index, ``clipped`` how many strip pixels were too bright for 16 bits, ``without_history`` the
    frames whose lag correction lacked one before them (None: not known), ``remarks`` what was odd
    but allowed in the frames, ``choice`` why this calibration was used, ``image`` the strip's image
    quality, ``pixels_sha256`` the digest of its pixels."""
    solved, grid = found.adjustment, strip.grid
    seams = measure_seams(
        found.placement,
        found.ties,
        found.level_misfit,
        solved.residual_mm[~solved.rejected],
        solved.geometry.circumference_mm if grid.ring else None,
    )
    apart = worst_cells(
        strip,
        [seam.s_mm for seam in seams],
        solved.geometry.circumference_mm if grid.ring else None,
    )
    gaps = find_gaps(strip.origin, grid)
    low, high = distortion.reach_mm(solved.geometry, solved.panel)
    facts = calibration.facts
    marks = _marks(job, strip, solved.geometry.circumference_mm)
    return QualityLog(
        weld=WeldFacts(
            **{name: getattr(job.weld, name) for name in WeldFacts.__dataclass_fields__}
        ),
        exposure=exposure_facts([row for row in rows if row.index not in reasons]),
        checks=(
            *acquisition_checks(reasons, len(rows)),
            *(calibration_checks(choice) if choice else ()),
            *_lag_checks(job, without_history),
            *registration_checks(
                found,
                seams,
                job.limits,
                grid.pitch_mm,
                grid.ring,
                {row.index: row.file for row in rows},
            ),
            _encoder_check(job, rows, found),
            *standoff_checks(
                solved, job.geometry.standoff_mm, job.geometry.standoff_sigma_mm, job.limits
            ),
            ruler_check(_ruler_sigma_mm(job, found, grid, (low, high)), job.limits),
            disagreement_check([cell.sigmas for cell in apart if cell is not None]),
            *strip_checks(strip, gaps, clipped, job.limits),
            *(mark.check for mark in marks),
            *(image.checks if image else ()),
        ),
        remarks=(
            *map(_sentence, remarks),
            *map(_sentence, _passes(job, rows)),
            *map(_sentence, image.remarks if image else ()),
            *(f"Calibration: {remark}" for remark in calibration_remarks(facts)),
        ),
        strip=replace(
            strip_facts(job, strip, solved.geometry.circumference_mm), pixels_sha256=pixels_sha256
        ),
        geometry=_geometry_facts(job, found),
        frames=_frame_records(rows, reasons, found),
        seams=_seam_records(found, seams, apart, grid.pitch_mm, high - low),
        gaps=tuple(Gap(a, b) for a, b in gaps),
        inputs=tuple(inputs),
        calibration=CalibrationUsed(
            identity=calibration.identity,
            serial=facts.serial,
            gain_mode=facts.gain_mode,
            valid_from=facts.valid_from,
            valid_until=facts.valid_until,
            bad_pixels=facts.bad_pixels,
        ),
        software={**software(), **({"profile": image.profile} if image else {})},
        tape=next((mark.tape for mark in marks if mark.tape), None),
        measures=image.measures if image else (),
        series=image.series if image else (),
    )


def software() -> Mapping[str, str]:
    """Which program and libraries made the numbers."""
    return {
        "name": "girthstrip",
        "version": pipeline.__version__,
        "numeric": pipeline.NUMERIC_VERSION,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "opencv": cv2.__version__,
        "numba": numba.__version__,
    }


def _sentence(remark: str) -> str:
    """A remark with a capital in front and a full stop behind."""
    return remark[:1].upper() + remark[1:].removesuffix(".") + "."


def _encoder_check(job: WeldJob, rows: Sequence[FrameRow], found: Registered) -> Check:
    """In which steps the encoder slipped."""
    counted = {row.index: row.position_mm for row in rows}
    frames = [int(index) for index in found.placement.frames]
    slips = find_slips(
        np.array([counted[index] for index in frames]),
        found.placement.position_mm,
        found.unlinked,
        step_sigma_mm=job.scan.encoder_step_sigma_mm,
    )
    return encoder_check(slips, frames, {row.index: row.file for row in rows})


def _passes(job: WeldJob, rows: Sequence[FrameRow]) -> tuple[str, ...]:
    """Places shot twice, where the table's times tell the order."""
    row_of = {row.index: row for row in rows}
    shot = [row_of[index] for index in shooting_order(rows)]
    return shot_twice(
        np.array([row.position_mm for row in shot]),
        [row.file for row in shot],
        2 * math.pi * job.weld.radius_mm if job.scan.ring else None,
    )


def strip_facts(job: WeldJob, strip: Strip, circumference_mm: float) -> StripFacts:
    """The strip's place and scale, as its log and its images tell them."""
    grid = strip.grid
    return StripFacts(
        rows=grid.rows,
        columns=grid.shape[1],
        pitch_mm=grid.pitch_mm,
        s_first_mm=grid.s_first_mm,
        z_first_mm=grid.z_first_mm,
        circumference_mm=circumference_mm,
        ring=grid.ring,
        overrun_mm=grid.overrun * grid.pitch_mm,
        direction=job.scan.direction,
        scale=1.0,
        offset=0.0,
        sigma_scale=strip.sigma_scale,
    )


def _lag_checks(job: WeldJob, without_history: Sequence[int] | None) -> list[Check]:
    """Nothing where lag is not corrected."""
    if Lag.name not in job.stages.sequence:
        return []
    return [lag_check(None if without_history is None else len(without_history))]


def _marks(job: WeldJob, strip: Strip, circumference_mm: float) -> list[Found]:
    """What the lead marks show that the config describes."""
    marks = []
    if job.tape is not None:
        marks.append(check_tape(strip, job.tape, circumference_mm))
    if job.datum is not None:
        marks.append(check_datum(strip, job.datum, circumference_mm))
    return marks


def _ruler_sigma_mm(
    job: WeldJob, found: Registered, grid: StripGrid, reach_mm: tuple[float, float]
) -> float:
    """See `ruler_sigma_mm`; what was not solved is as uncertain as the config says."""
    solved, told = found.adjustment, job.geometry
    source = solved.source_sigma_mm
    if "source_x_mm" not in solved.refined:
        source = (told.source_offset_sigma_mm, told.source_offset_sigma_mm)
    roll = solved.roll_sigma_rad
    if "roll_deg" not in solved.refined:
        roll = math.radians(told.roll_sigma_deg)
    return ruler_sigma_mm(
        solved.geometry,
        solved.panel,
        found.placement.position_mm,
        reach_mm=reach_mm,
        axial_mm=(grid.z_first_mm, grid.z_first_mm + (grid.rows - 1) * grid.pitch_mm),
        source_sigma_mm=source,
        roll_sigma_rad=roll,
        yaw_sigma_rad=solved.yaw_sigma_rad,
        pitch_sigma_rad=solved.pitch_sigma_rad,
        standoff_sigma_mm=solved.local_standoff_sigma_mm,
    )


def _geometry_facts(job: WeldJob, found: Registered) -> GeometryFacts:
    solved = found.adjustment
    return GeometryFacts(
        source_x_mm=solved.geometry.source_x_mm,
        source_x_sigma_mm=solved.source_sigma_mm[0],
        source_y_mm=solved.geometry.source_y_mm,
        source_y_sigma_mm=solved.source_sigma_mm[1],
        roll_deg=math.degrees(solved.panel.roll_rad),
        roll_sigma_deg=math.degrees(solved.roll_sigma_rad),
        yaw_deg=math.degrees(solved.panel.yaw_rad),
        yaw_sigma_deg=math.degrees(solved.yaw_sigma_rad),
        pitch_deg=math.degrees(solved.panel.pitch_rad),
        pitch_sigma_deg=math.degrees(solved.pitch_sigma_rad),
        standoff_mm=solved.geometry.standoff_mm,
        standoff_told_mm=job.geometry.standoff_mm,
        standoff_sigma_mm=solved.standoff_sigma_mm,
        standoff_local_sigma_mm=solved.local_standoff_sigma_mm,
        lift_off_mm=solved.geometry.lift_off_mm,
        arrangement=solved.geometry.arrangement.value,
        encoder_scale=solved.encoder_scale,
        refined=solved.refined,
        undetermined=solved.undetermined,
    )


def _frame_records(
    rows: Sequence[FrameRow], reasons: Mapping[int, str], found: Registered
) -> tuple[FrameRecord, ...]:
    """A record for every row of the frame table, in its order."""
    placement = found.placement
    solved = (placement.position_mm, placement.sigma_mm, placement.axial_mm, placement.level)
    number = {int(index): k for k, index in enumerate(placement.frames)}
    records = []
    for row in rows:
        k = number.get(row.index)
        values = (None,) * 4 if k is None else tuple(float(column[k]) for column in solved)
        why_not = reasons[row.index] if k is None else ""
        records.append(
            FrameRecord(row.file, row.page, k is not None, why_not, row.position_mm, *values)
        )
    return tuple(records)


def _seam_records(
    found: Registered,
    seams: Sequence[SeamMeasure],
    apart: Sequence[WorstCell | None],
    pitch_mm: float,
    reach_mm: float,
) -> tuple[Seam, ...]:
    """The seams with frame numbers as in the frame table; ``reach_mm`` is a frame's length."""
    placement = found.placement
    records = []
    for seam, cell in zip(seams, apart, strict=True):
        step = float(placement.position_mm[seam.right] - placement.position_mm[seam.left])
        step %= found.adjustment.geometry.circumference_mm
        records.append(
            Seam(
                s_mm=seam.s_mm,
                left=int(placement.frames[seam.left]),
                right=int(placement.frames[seam.right]),
                level_step=seam.level_step,
                doubling=seam.doubling,
                residual_px=None if seam.residual_mm is None else seam.residual_mm / pitch_mm,
                overlap_mm=max(reach_mm - step, 0.0),
                disagreement=None if cell is None else cell.sigmas,
                disagreement_s_mm=None if cell is None else cell.s_mm,
                disagreement_z_mm=None if cell is None else cell.z_mm,
            )
        )
    return tuple(records)
