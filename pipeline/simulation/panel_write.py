"""The exposures of one simulated panel on disk, with their config and the truth."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from pathlib import Path

import numpy as np

from pipeline.io.folders import new_folder
from pipeline.model import PixelClass, RawImage
from pipeline.simulation.layout import DUPLEX_MM
from pipeline.simulation.panel_exposures import (
    SPOILT_FRAME,
    PanelScene,
    build_panel,
    dark_exposures,
    flat_exposures,
    gauge_exposures,
    object_place,
    step_off_exposures,
)
from pipeline.simulation.panel_plan import REFERENCE_C, REFERENCE_FRAME_TIME_S, Fault, PanelPlan
from pipeline.simulation.scan_configs import GAIN_MODE
from pipeline.simulation.write import Progress, numbered, write_images, write_picture

GAUGES = ("duplex_wire", "dot_grid", "step_wedge")


def write_panel(
    plan: PanelPlan,
    out: Path,
    *,
    seed: int = 1,
    faults: Iterable[Fault] = (),
    progress: Progress | None = None,
) -> Path:
    """Make the folder ``out`` with all exposures of one panel in it, or nothing; returns ``out``.

    A folder for each set (16-bit TIFF), ``calibrate.toml`` and ``truth/``: truth.json, dots.csv,
    bad_pixels.tif, gain.tif, dark.tif (mean dark at the reference temperature and frame time),
    hot_pixels.tif. The same plan, seed and faults give the same bytes.

    Raises:
        OutputError: ``out`` exists, or can't be written.
    """
    with new_folder(out) as folder:
        scene = build_panel(plan, seed, faults)
        for name, frames, images in _sets(scene):
            names = numbered(name, frames)
            write_images(folder / name, names, images, f"{name} frames", progress)
        (folder / "calibrate.toml").write_text(panel_config(plan, seed), encoding="utf-8")
        _write_truth(folder / "truth", scene)
    return out


def _sets(scene: PanelScene) -> Iterator[tuple[str, int, Iterator[RawImage]]]:
    """(folder, number of frames, frames) of every set."""
    plan = scene.plan
    for index, dark in enumerate(plan.darks):
        yield dark.folder, dark.frames, dark_exposures(scene, index)
    for index, flat in enumerate(plan.flats):
        yield flat.folder, flat.frames, flat_exposures(scene, index)
    yield "step_off", plan.step_off_lit + plan.step_off_dark, step_off_exposures(scene)
    for kind in GAUGES:
        yield kind, plan.gauge_frames, gauge_exposures(scene, kind)


def panel_config(plan: PanelPlan, seed: int = 1) -> str:
    """The config for ``girthstrip calibrate``, to lie beside the exposures.

    Every seed is another panel, so each has a serial number of its own.
    """
    darks = "".join(
        f"""
[[exposures]]
kind = "dark"
folder = "{dark.folder}"
temperature_c = {dark.temperature_c:g}
frame_time_s = {dark.frame_time_s:g}
"""
        for dark in plan.darks
    )
    flats = "".join(
        f"""
[[exposures]]
kind = "flat"
folder = "{flat.folder}"
dose = {plan.dose_ma_s(flat):.6g}   # mA·s of one frame
source_distance_mm = {flat.source_distance_mm:g}
temperature_c = {REFERENCE_C:g}
"""
        for flat in plan.flats
    )
    steps = ", ".join(f"{step:g}" for step in plan.step_wedge.thickness_mm)
    return f"""# Calibration of a simulated panel from all kinds of exposures.

[panel]
rows = {plan.rows}
columns = {plan.columns}
pitch_mm = {plan.pitch_mm:g}
serial = "SIM-{seed:04d}"
gain_mode = "{GAIN_MODE}"

[calibration]
frame_time_s = {REFERENCE_FRAME_TIME_S:g}
source_distance_mm = {plan.dot_plate.source_distance_mm:g}   # focal spot to panel

[gain]
linearity = "pixel"      # each pixel's own curvature from the doses
separate_beam = true     # the flats were shot at two distances
{darks}{flats}
[[exposures]]
kind = "step_off"
folder = "step_off"

[[exposures]]
kind = "duplex_wire"
folder = "duplex_wire"

[[exposures]]
kind = "dot_grid"
folder = "dot_grid"
dot_spacing_mm = {plan.dot_plate.spacing_mm:g}

[[exposures]]
kind = "step_wedge"
folder = "step_wedge"
thickness_mm = [{steps}]

[output]
folder = "calibration"
"""


def _write_truth(folder: Path, scene: PanelScene) -> None:
    plan = scene.plan
    folder.mkdir()
    text = json.dumps(panel_truth(scene), indent=1, sort_keys=True, allow_nan=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")
    write_picture(folder / "bad_pixels.tif", scene.detector.classes)
    write_picture(folder / "gain.tif", scene.detector.gain)
    write_picture(folder / "dark.tif", scene.mean_dark(REFERENCE_C, REFERENCE_FRAME_TIME_S))
    hot = np.zeros(plan.shape, dtype=np.uint8)
    hot.ravel()[scene.hot] = 1
    write_picture(folder / "hot_pixels.tif", hot)
    with (folder / "dots.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(("plate_x_mm", "plate_y_mm", "column", "row"))
        dots = plan.dot_plate.dots(plan.shape, plan.pitch_mm)
        table.writerows([f"{value:.4f}" for value in dot] for dot in dots)


def panel_truth(scene: PanelScene) -> Mapping[str, object]:
    """The truth as plain values for JSON."""
    plan, detector = scene.plan, scene.detector
    classes = detector.classes
    lag = np.array(plan.detector.lag)
    return {
        "schema": "girthstrip.panel_truth/1",
        "seed": scene.seed,
        "faults": {str(fault): _told(scene, fault) for fault in sorted(scene.faults)},
        "panel": {
            "rows": plan.rows,
            "columns": plan.columns,
            "pitch_mm": plan.pitch_mm,
            "blur_px": plan.detector.blur_px,
            "bad_pixels": {
                kind.name: int(np.count_nonzero(classes & np.uint8(kind))) for kind in PixelClass
            }
            | {"total": int(np.count_nonzero(classes))},
            "hot_pixels": int(scene.hot.size),
        },
        "noise": {  # of a cool dark frame, in which the charge that leaks is noisy too
            "offset_gv2": plan.dark_variance_gv2,
            "slope_gv": plan.detector.slope_gv,
            "electrons_per_gv": 1 / plan.detector.slope_gv,
            "read_noise_electrons": plan.dark_variance_gv2**0.5 / plan.detector.slope_gv,
        },
        "lag": {
            "fractions": lag.tolist(),
            "after_a_long_exposure": lag[::-1].cumsum()[::-1].tolist(),
            "stronger_in_last_column_by": plan.detector.lag_slope,
        },
        "leakage": asdict(plan.leakage)
        | {"reference_c": REFERENCE_C, "reference_frame_time_s": REFERENCE_FRAME_TIME_S},
        "curvature": {"mean": plan.curvature, "scatter": plan.curvature_scatter},
        "beam": {"kv": plan.kv, "heel": plan.heel, "flicker": plan.flicker},
        "darks": [asdict(dark) for dark in plan.darks],
        "flats": [asdict(flat) | {"dose_ma_s": plan.dose_ma_s(flat)} for flat in plan.flats],
        "step_off": {"lit": plan.step_off_lit, "dark": plan.step_off_dark},
        "duplex": asdict(plan.duplex)
        | {
            "diameters_mm": list(DUPLEX_MM),
            "columns": plan.duplex.pair_columns(plan.pitch_mm).tolist(),
        },
        "dot_plate": asdict(plan.dot_plate)
        | {"homography": plan.dot_plate.homography(plan.shape, plan.pitch_mm).tolist()},
        "step_wedge": {
            "thickness_mm": list(plan.step_wedge.thickness_mm),
            "columns": list(plan.step_wedge.step_columns(plan.columns)),
        },
    }


def _told(scene: PanelScene, fault: Fault) -> Mapping[str, object]:
    """Where a fault is to be found."""
    plan = scene.plan
    if fault is Fault.DUST:
        return {"folder": plan.flats[1].folder, "specks": [asdict(one) for one in scene.dust]}
    if fault is Fault.OBJECT:
        rows, columns = object_place(plan)
        return {
            "folder": plan.flats[0].folder,
            "file": numbered(plan.flats[0].folder, plan.flats[0].frames)[SPOILT_FRAME],
            "rows": [rows.start, rows.stop],
            "columns": [columns.start, columns.stop],
        }
    if fault is Fault.LIGHT_LEAK:
        file = numbered(plan.darks[0].folder, plan.darks[0].frames)[SPOILT_FRAME]
        return {"folder": plan.darks[0].folder, "file": file}
    if fault is Fault.AFTERGLOW:
        return {"folder": plan.darks[-1].folder}
    return {}
