"""What a simulated scan really is: its truth as numbers, and the strip that it ought to become."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from pipeline.geometry import Arrangement
from pipeline.model import FloatImage, PixelClass
from pipeline.simulation.exposure import COARSE, SUB, blur_and_bin, node_centres, wall_path
from pipeline.simulation.rays import sample_dose
from pipeline.simulation.scan import Scene, nominal_geometry, true_level
from pipeline.simulation.spectrum import TABLE_STEP_MM

INDICATIONS = ("pore", "slag_line", "crack_like", "undercut")
STRIP_PITCH_MM = 0.1
HALO_PX = 8
BLOCK_PX = 2048


def strip_grid(scene: Scene) -> tuple[int, int, float, float]:
    """(rows, columns, pitch_mm, z_first_mm) of the true strip.

    Columns go once round the ring; rows cover what the panel's centre column sees, nominally, with
    z = 0 in the middle.
    """
    circumference = scene.preset.geometry.circumference_mm
    columns = round(circumference / STRIP_PITCH_MM)
    pitch = circumference / columns
    rows = math.floor(2 * scene.preset.half_height_mm / pitch)
    return rows, columns, pitch, -(rows - 1) / 2 * pitch


def true_strip(scene: Scene) -> FloatImage:
    """The noise-free strip, (rows, columns) float32: relative dose, 1 on plain wall.

    As a panel would see it with the source on the axis, every strip pixel in its centre column:
    the beam's fall-off divided out, scatter kept, blurred by scintillator and pixel like a frame.
    """
    rows, columns, pitch, z_first = strip_grid(scene)
    strip = np.empty((rows, columns), dtype=np.float32)
    for start in range(0, columns, BLOCK_PX):
        count = min(BLOCK_PX, columns - start)
        block = _block(scene, start - HALO_PX, count + 2 * HALO_PX, rows, pitch, z_first)
        strip[:, start : start + count] = block[:, HALO_PX : HALO_PX + count]
    return strip


def _block(
    scene: Scene, first: int, count: int, rows: int, pitch: float, z_first: float
) -> FloatImage:
    """Strip columns first … first + count − 1, wrapped round the ring, with a border of rows."""
    preset, geometry, beam = scene.preset, nominal_geometry(scene.preset), scene.beam
    z_mm = z_first + pitch * node_centres(-HALO_PX, rows + 2 * HALO_PX)
    s_mm = pitch * node_centres(first, count)
    # The centre column sees the surface at φ = 0. No carriage wander: source in its place.
    wall = preset.shape.wall_mm
    path = wall_path(geometry, geometry.source(0.0), 0.0, z_mm, wall)
    near = path * wall if geometry.arrangement is Arrangement.TWO_WALL else 0 * path
    fields = np.empty((5, z_mm.size, s_mm.size))
    fields[0] = s_mm / scene.thickness.pitch_s_mm
    fields[1] = ((z_mm - scene.thickness.z_first_mm) / scene.thickness.pitch_z_mm)[:, None]
    fields[2] = path[:, None]
    fields[3] = near[:, None]
    fields[4] = 1.0
    fine = np.empty(((rows + 2 * HALO_PX) * SUB, count * SUB), dtype=np.float32)
    steel = scene.thickness.values
    sample_dose(steel, fields, COARSE, beam.table, TABLE_STEP_MM, beam.scatter, fine)
    # Blur is that of the panel, seen on the surface: smaller by the magnification.
    shrink = 2 * preset.half_height_mm / (preset.panel.rows * preset.panel.pitch_mm)
    dose = blur_and_bin(fine, beam.blur_px * preset.panel.pitch_mm * shrink / pitch)
    return dose[HALO_PX : HALO_PX + rows]


def truth_record(scene: Scene, names: tuple[str, ...]) -> Mapping[str, object]:
    """The truth as plain values for JSON; ``names`` are the frame files, one a stop."""
    preset, geometry = scene.preset, scene.preset.geometry
    rows, columns, pitch, z_first = strip_grid(scene)
    classes = scene.detector.classes
    return {
        "schema": "girthstrip.truth/1",
        "preset": preset.name,
        "seed": scene.seed,
        "frames": [
            {
                "file": name,
                "encoder_mm": stop.encoder_mm,
                "position_mm": stop.position_mm,
                "axial_mm": stop.axial_mm,
                "level": true_level(preset, stop),
                "kv": preset.kv * stop.kv_share,
                "ramping": stop.ramping,
            }
            for name, stop in zip(names, scene.stops, strict=True)
        ],
        "geometry": {
            "arrangement": str(geometry.arrangement),
            "radius_mm": geometry.radius_mm,
            "standoff_mm": geometry.standoff_mm,
            "lift_off_mm": list(geometry.lift_off_mm),
            "source_x_mm": geometry.source_x_mm,
            "source_y_mm": geometry.source_y_mm,
            "source_axial_mm": geometry.source_axial_mm,
            "source_distance_mm": geometry.source_distance_mm,
            "roll_deg": math.degrees(preset.panel.roll_rad),
            "yaw_deg": math.degrees(preset.panel.yaw_rad),
            "pitch_deg": math.degrees(preset.panel.pitch_rad),
            "circumference_mm": geometry.circumference_mm,
        },
        "panel": {
            "rows": preset.panel.rows,
            "columns": preset.panel.columns,
            "pitch_mm": preset.panel.pitch_mm,
            "bad_pixels": {
                kind.name: int(np.count_nonzero(classes & np.uint8(kind))) for kind in PixelClass
            }
            | {"total": int(np.count_nonzero(classes))},
            "lag": list(preset.detector.lag),
            "lag_stronger_in_last_column_by": preset.detector.lag_slope,
            "noise": {
                "offset_gv2": preset.detector.read_gv**2,
                "slope_gv": preset.detector.slope_gv,
            },
            "blur_px": preset.detector.blur_px,
        },
        "exposure": {
            "kv": preset.kv,
            "snr": preset.snr,
            "base_gv": preset.base_gv,
            "scatter_over_primary": preset.scatter,
        },
        "strip": {
            "rows": rows,
            "columns": columns,
            "pitch_mm": pitch,
            "z_first_mm": z_first,
        },
        "marks": _items(scene, ("tick", "lead_text")),
        "gauges": _items(scene, ("wire", "duplex")),
        "indications": _items(scene, INDICATIONS),
        "spatter": _items(scene, ("spatter",)),
    }


def _items(scene: Scene, kinds: tuple[str, ...]) -> list[dict[str, object]]:
    """Place and size of everything of these kinds, mm; depth is of steel, negative if missing."""
    return [
        {
            "kind": item.kind,
            "name": item.name,
            "s_mm": item.s_mm,
            "z_mm": item.z_mm,
            "length_mm": item.length_mm,
            "width_mm": item.width_mm,
            "depth_mm": item.depth_mm,
        }
        for item in scene.items
        if item.kind in kinds
    ]
