"""What a run will do, before it does it: passes, grid, how many frames at once, peak memory."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

import numpy as np

from pipeline.config.weld import WeldJob
from pipeline.errors import InputError
from pipeline.geometry import Arrangement, Panel, ScanGeometry
from pipeline.io.frames import Scan, open_scan
from pipeline.kernels.resample import BLOCK, C0, SLOPE
from pipeline.model import FrameRow, StripGrid
from pipeline.stages import stage_of
from pipeline.stages.distortion import Distortion
from pipeline.stages.pairing import choose_pairs, last_needed
from pipeline.stages.registration import Registration
from pipeline.stages.views import view_grid

_BASE_BYTES = 250_000_000  # interpreter, libraries and compiled kernels, as measured
_EDGE_PX = 3.1  # of the panel, beside what is told: the interpolation's, and a first bit of weight


@dataclass(frozen=True, slots=True)
class Plan:
    """The passes over the raw frames and what they hold; ``peak_bytes`` is an upper estimate."""

    stages: tuple[str, ...]
    passes: tuple[str, ...]
    frames: int
    unreadable: int
    raw_bytes: int
    strip_rows: int
    strip_columns: int
    strip_overrun: int
    pitch_mm: float
    views_held: int
    blocks_open: int
    peak_bytes: int

    def as_dict(self) -> dict[str, object]:
        """The plan as plain values."""
        return asdict(self)

    def text(self) -> str:
        """The plan for people, a line each."""
        return "\n".join(
            [
                "stages   " + " → ".join(self.stages),
                *(f"pass {k}   {name}" for k, name in enumerate(self.passes, start=1)),
                f"frames   {self.frames}, of which {self.unreadable} can't be read; "
                f"{self.raw_bytes / 1e6:.0f} MB raw",
                f"strip    {self.strip_columns} × {self.strip_rows} pixels of {self.pitch_mm:.5f} "
                f"mm, and {self.strip_overrun} columns repeated past the datum",
                f"memory   at most about {self.peak_bytes / 1e6:.0f} MB: strip and maps, "
                f"{self.views_held} frames for registration, {self.blocks_open} open blocks",
            ]
        )


def scan_geometry(job: WeldJob) -> tuple[ScanGeometry, Panel]:
    """Geometry and panel as the config tells them."""
    told = job.geometry
    geometry = ScanGeometry(
        job.weld.radius_mm,
        told.standoff_mm,
        Arrangement(told.arrangement),
        *told.source_offset_mm,
        source_axial_mm=told.source_axial_mm,
        source_distance_mm=told.source_distance_mm,
    )
    panel = Panel(
        job.panel.rows,
        job.panel.columns,
        job.panel.pitch_mm,
        roll_rad=math.radians(told.roll_deg),
        yaw_rad=math.radians(told.yaw_deg),
        pitch_rad=math.radians(told.pitch_deg),
    )
    return geometry, panel


def ring_pitch_mm(job: WeldJob, geometry: ScanGeometry) -> float:
    """The strip's pitch: as told, for a ring so that a whole number goes round exactly."""
    if not job.scan.ring:
        return job.strip.pitch_mm
    return geometry.circumference_mm / round(geometry.circumference_mm / job.strip.pitch_mm)


def strip_grid(
    job: WeldJob,
    geometry: ScanGeometry,
    panel: Panel,
    distortion: Distortion,
    position_mm: Sequence[float],
) -> StripGrid:
    """The strip's grid for frames at ``position_mm``.

    A ring runs once round from the datum. An arc runs from where its first frame begins (that may
    lie before the datum: nothing that was seen is cut away) to where its last one ends, each as
    that frame sees it. Raises InputError for a panel so rolled that nothing is left of it.
    """
    pitch = ring_pitch_mm(job, geometry)
    if job.strip.axial_mm is None:
        # By what is told, so that scans of one kind give strips of one height.
        half = distortion.height_mm(*scan_geometry(job))
        first_row, last_row = -math.floor(half / pitch), math.floor(half / pitch)
    else:
        first_row, last_row = (
            math.ceil(job.strip.axial_mm[0] / pitch),
            math.floor(job.strip.axial_mm[1] / pitch),
        )
    rows = last_row - first_row + 1
    if job.scan.ring:
        columns = round(geometry.circumference_mm / pitch)
        overrun = min(round(job.strip.overrun_mm / pitch), columns)
        return StripGrid(rows, columns, pitch, 0.0, first_row * pitch, True, overrun)
    start = StripGrid(rows, 1, pitch, 0.0, first_row * pitch, False)
    first, _ = _columns_seen(geometry, panel, distortion, start, min(position_mm))
    _, last = _columns_seen(geometry, panel, distortion, start, max(position_mm))
    return StripGrid(rows, last - first + 1, pitch, first * pitch, first_row * pitch, False)


def _columns_seen(
    geometry: ScanGeometry,
    panel: Panel,
    distortion: Distortion,
    grid: StripGrid,
    position_mm: float,
) -> tuple[int, int]:
    """The first and the last column of ``grid`` that a frame taken there sees at all its rows.

    A source off the axis lets every frame see another length; a rolled panel's ends are slanted.
    """
    placed = distortion.map_frame(geometry, panel, grid, position_mm, 0.0)
    ends = placed.table[C0] + np.outer([0, panel.rows], placed.table[SLOPE])  # of a column's line
    edge = distortion.edge_px + _EDGE_PX
    seen = ((ends > edge) & (ends < panel.columns - 1 - edge)).all(axis=0).nonzero()[0]
    if not len(seen):
        raise InputError(
            f"the panel is rolled by {math.degrees(panel.roll_rad):.2f}° and sees no place of the "
            f"pipe with all its {panel.rows} rows",
            where="geometry.roll_deg",
            remedy="Give the panel's rows and columns, and its roll, as they are",
        )
    return placed.first + int(seen[0]), placed.first + int(seen[-1])


def scan_order(rows: Sequence[FrameRow]) -> list[FrameRow]:
    """The frames by encoder position; frames of equal position as the table has them."""
    return sorted(rows, key=lambda row: row.position_mm)


def shooting_order(rows: Sequence[FrameRow]) -> list[int]:
    """The frames' indices as they were shot: by time, or by position as the scan goes.

    Times count when every row has one and all can be compared; frames of equal time come as the
    table has them.
    """
    try:
        shot = {row.index: datetime.fromisoformat(row.time or "") for row in rows}
        ordered = sorted(rows, key=lambda row: (shot[row.index], row.index))
    except (ValueError, TypeError):  # missing, not a time, or some with a zone and some without
        ordered = scan_order(rows)
    return [row.index for row in ordered]


def from_datum_mm(job: WeldJob, rows: Sequence[FrameRow]) -> np.ndarray:
    """Encoder positions counted from the datum."""
    return np.array([row.position_mm - job.scan.datum_encoder_mm for row in rows])


def plan_weld(job: WeldJob, scan: Scan | None = None) -> Plan:
    """The plan, from the config and the frames' headers; no pixel is read.

    Raises:
        InputError: the frame table or the frames' headers are at fault.
    """
    scan = scan or open_scan(job)
    geometry, panel = scan_geometry(job)
    distortion = stage_of(job.stages.records, Distortion)
    rows = [row for row in scan_order(scan.rows) if row.index not in scan.problems]
    position = from_datum_mm(job, rows)
    grid = strip_grid(job, geometry, panel, distortion, [float(p) for p in position])
    view = view_grid(geometry, panel, distortion, grid.pitch_mm)
    span = view.columns * view.pitch_mm
    pairs = choose_pairs(
        [float(p) for p in position],
        span,
        geometry.circumference_mm if grid.ring else None,
        stage_of(job.stages.records, Registration).neighbours,
    )
    until = last_needed(pairs)
    views = max((sum(1 for a in until if a <= b <= until[a]) for b in range(len(rows))), default=0)
    blocks = min(2 * (view.columns // BLOCK + 2), grid.columns // BLOCK + 1)
    frame_pixels = panel.rows * panel.columns
    view_bytes = view.rows * view.columns * 4.4
    peak = (
        _BASE_BYTES
        + grid.shape[0] * grid.shape[1] * 6
        + max(views * view_bytes, blocks * grid.rows * BLOCK * 16)
        + 4 * frame_pixels * 13  # frames on their way: raw, corrected, filled, flags
        + 3 * frame_pixels * 4  # dark, gain and its inverse
    )
    return Plan(
        stages=job.stages.sequence,
        passes=(
            "survey: which frames belong to the scan",
            "registration: views of the overlaps, ties, one adjustment",
            "blending: every frame once onto the strip",
        ),
        frames=len(scan.rows),
        unreadable=len(scan.problems),
        raw_bytes=len(rows) * frame_pixels * 2,
        strip_rows=grid.rows,
        strip_columns=grid.columns,
        strip_overrun=grid.overrun,
        pitch_mm=grid.pitch_mm,
        views_held=views,
        blocks_open=blocks,
        peak_bytes=int(peak),
    )
