"""A scan's frames as a general-purpose stitcher wants them: corrected, unrolled, roughly placed."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.choose import calibration_for
from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.geometry import Arrangement, Panel, ScanGeometry
from pipeline.io.frames import open_scan
from pipeline.kernels.repair import flag_saturated
from pipeline.kernels.resample import unroll
from pipeline.model import Frame, FrameFlag, StripGrid
from pipeline.plan import shooting_order
from pipeline.stages import stage_of
from pipeline.stages.bad_pixels import BadPixels
from pipeline.stages.chain import CorrectionChain
from pipeline.stages.distortion import Distortion
from pipeline.stages.flat_field import FlatField
from pipeline.stages.lag import Lag

_MARGIN_PX = 4  # inside what every frame shows


@dataclass(frozen=True)
class Tiles:
    """``pictures`` (n, rows, columns) uint16 in a file; per frame its name, where the encoder says
    it lies and where it truly lies, (n, 2) as (row, column) in pixels of ``pitch_mm``."""

    pictures: Path
    files: tuple[str, ...]
    prior_px: np.ndarray
    true_px: np.ndarray
    pitch_mm: float


def true_geometry(truth: dict[str, dict[str, float]], panel: Panel) -> tuple[ScanGeometry, Panel]:
    """What really was. Pictures unrolled with it are flat: a stitcher that only shifts pictures
    isn't charged with the source's place and the panel's roll, which it can't find."""
    told = truth["geometry"]
    geometry = ScanGeometry(
        told["radius_mm"],
        told["standoff_mm"],
        Arrangement(told["arrangement"]),
        told["source_x_mm"],
        told["source_y_mm"],
        told["source_axial_mm"],
        told["source_distance_mm"],
        tuple(told.get("lift_off_mm", ())),  # type: ignore[arg-type]
    )
    rolled = Panel(
        panel.rows,
        panel.columns,
        panel.pitch_mm,
        math.radians(told["roll_deg"]),
        yaw_rad=math.radians(told.get("yaw_deg", 0.0)),
        pitch_rad=math.radians(told.get("pitch_deg", 0.0)),
    )
    return geometry, rolled


def make_tiles(scan: Path, folder: Path, frames: int | None) -> Tiles:
    """The scan's frames (the first ``frames`` of them; None: all) but those of the tube's ramp."""
    job = load_weld_config(scan / "stitch.toml")
    truth = json.loads((scan / "truth" / "truth.json").read_text(encoding="utf-8"))
    true = {frame["file"]: frame for frame in truth["frames"]}
    opened = open_scan(job)
    rows = [row for row in opened.rows if not true[row.file]["ramping"]][:frames]
    geometry, panel = true_geometry(
        truth, Panel(job.panel.rows, job.panel.columns, job.panel.pitch_mm)
    )
    distortion = stage_of(job.stages.records, Distortion)
    pitch_mm = float(job.strip.pitch_mm or job.panel.pitch_mm)
    places = np.array([[true[r.file]["axial_mm"], true[r.file]["position_mm"]] for r in rows])
    grid = _common(geometry, panel, distortion, places, pitch_mm)
    chain = _chain(job, scan)
    pictures = folder / "tiles.npy"
    out = np.lib.format.open_memmap(
        pictures, mode="w+", dtype=np.uint16, shape=(len(rows), grid.rows, grid.columns)
    )
    for k, row in enumerate(rows):
        frame = chain.frame(row.index)
        assert frame is not None
        out[k] = _unrolled(frame, geometry, panel, distortion, grid, places[k])
    out.flush()
    encoder = np.array([[0.0, row.position_mm] for row in rows])
    return Tiles(
        pictures, tuple(row.file for row in rows), encoder / pitch_mm, places / pitch_mm, pitch_mm
    )


def _chain(job: WeldJob, scan: Path) -> CorrectionChain:
    opened = open_scan(job)
    _, calibration = calibration_for(job, opened.rows)

    def read(index: int) -> Frame:
        raw = np.empty(opened.shape, dtype=np.uint16)
        opened.read(index, raw)
        return Frame(
            index, raw, flag_saturated(raw, job.panel.saturation_gv, int(FrameFlag.SATURATED))
        )

    stages = [s for s in job.stages.records if isinstance(s, FlatField | Lag | BadPixels)]
    return CorrectionChain(stages, calibration, read, shooting_order(opened.rows))


def _common(
    geometry: ScanGeometry,
    panel: Panel,
    distortion: Distortion,
    places: np.ndarray,
    pitch_mm: float,
) -> StripGrid:
    """The rectangle about a frame's own centre that every frame shows."""
    reach = np.array([distortion.reach_mm(geometry, panel, position) for _, position in places])
    first = math.ceil(reach[:, 0].max() / pitch_mm) + _MARGIN_PX
    last = math.floor(reach[:, 1].min() / pitch_mm) - _MARGIN_PX
    half_mm = min(
        distortion.height_mm(geometry, panel, s) for s in (*reach[0], 0.0, *reach[len(reach) // 2])
    )
    # What a rolled panel and a carriage off its track leave of that.
    half_mm -= abs(math.tan(panel.roll_rad)) * reach.max() + np.abs(places[:, 0]).max()
    half = math.floor(half_mm / pitch_mm) - _MARGIN_PX
    return StripGrid(
        2 * half + 1, last - first + 1, pitch_mm, first * pitch_mm, -half * pitch_mm, False
    )


def _unrolled(
    frame: Frame,
    geometry: ScanGeometry,
    panel: Panel,
    distortion: Distortion,
    grid: StripGrid,
    place: np.ndarray,
) -> np.ndarray:
    """One frame on the grid about its own true place: shifts are parts of pixels, as they come."""
    axial_mm, position_mm = (float(value) for value in place)
    here = StripGrid(
        grid.rows,
        grid.columns,
        grid.pitch_mm,
        grid.s_first_mm + position_mm,
        grid.z_first_mm + axial_mm,
        False,
    )
    placed = distortion.map_frame(geometry, panel, here, position_mm, axial_mm)
    table = placed.table[:, -placed.first : -placed.first + grid.columns]
    out = unroll(np.asarray(frame.values, dtype=np.float32), table, grid.rows)
    return np.clip(np.rint(out), 0, 65535).astype(np.uint16)
