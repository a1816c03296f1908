"""Real radiographs wrapped onto a pipe's outer surface and shot as a scan, the truth kept.

The radiograph is what the strip should show: column → 0.1 mm along the scan, row → 0.1 mm along
the pipe. Each frame samples it once, by cubic splines, where the exact projection says that the
panel sees the surface; the panel's faults and the noise are those of `simulation.detector`.

    python -m tests.real.real_scan necked_bar FOLDER

writes such a scan into FOLDER, for trying the tool by hand (``testdata/README.md``).
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile
from scipy.ndimage import map_coordinates, spline_filter

from pipeline.geometry import Panel, ScanGeometry, pixel_to_surface, relative_flux
from pipeline.model import FloatArray, FloatImage
from pipeline.simulation.detector import Detector, DetectorPlan, make_detector, record, respond

TESTDATA = Path(__file__).parents[2] / "testdata"

PITCH_MM = 0.1  # of the radiograph on the pipe, of the strip, and of the panel
DIAMETER_MM = 508.0
STANDOFF_MM = 20.0
SPARE_MM = 0.6  # of radiograph past what a frame is meant to see, for the carriage's wander
SNR = 150.0  # of one frame where the radiograph is 1
DARKS, FLATS = 16, 16
LEVEL_SPREAD = 0.01  # tube output from frame to frame
AXIAL_MM = 0.15
SERIAL = "REAL-01"


@dataclass(frozen=True, slots=True)
class CutScan:
    """A scan's folder and what is true of it. Arrays have one entry a frame, in scan order.

    ``calibrate`` and ``stitch`` are the two config files; ``z_first_mm`` is where row 0 of the
    radiograph lies along the pipe, column 0 lies at s = 0. Where the radiograph is 1 a frame has
    ``full_gv``, with a variance of ``slope_gv`` per gray value.
    """

    calibrate: Path
    stitch: Path
    encoder_mm: FloatArray
    position_mm: FloatArray
    axial_mm: FloatArray
    level: FloatArray
    z_first_mm: float
    panel: Panel
    geometry: ScanGeometry
    full_gv: float
    slope_gv: float


@dataclass(frozen=True, slots=True)
class Picture:
    """A real radiograph and how it is shot."""

    radiograph: Callable[[], FloatArray]
    panel_columns: int
    step_mm: float


def necked_bar() -> FloatArray:
    """The bar's transmission, (600, 1500), about 0.6 to 1."""
    return np.asarray(tifffile.imread(TESTDATA / "necked_bar.tif") / 61_097)


def line_pair_plate() -> FloatArray:
    """The plate with line pairs, (500, 992), turned so that more radiation is brighter.

    The stored picture is inverted and its zero isn't recorded; here its brightest place is 1 and
    the lead lets a fifth through, so that every pixel has a signal.
    """
    stored = tifffile.imread(TESTDATA / "line_pair_plate.tif").astype(np.float64)
    return 0.2 + 0.8 * (stored.max() - stored) / (stored.max() - stored.min())


PICTURES = {
    "necked_bar": Picture(necked_bar, 720, 9.0),
    "line_pair_plate": Picture(line_pair_plate, 400, 7.0),
}


def cut_into_scan(
    radiograph: FloatArray, out: Path, *, panel_columns: int, step_mm: float, seed: int
) -> CutScan:
    """Shoot ``radiograph`` as overlapping frames and write them with all that a scan needs.

    The panel is as high as the radiograph allows. Frames stand about ``step_mm`` apart, the first
    and the last where the panel just stays within the radiograph. The encoder's scale is wrong by
    0.2 %, its wheel slips once by 0.6 mm, and it jitters by 0.08 mm; the carriage wanders along
    the pipe. The same arguments give the same bytes.
    """
    geometry = ScanGeometry(radius_mm=DIAMETER_MM / 2, standoff_mm=STANDOFF_MM)
    rows, columns = radiograph.shape
    half_z = (rows - 1) / 2 * PITCH_MM - SPARE_MM
    magnification = geometry.panel_distance_mm / geometry.radius_mm
    panel = Panel(int(2 * half_z * magnification / PITCH_MM), panel_columns, PITCH_MM)

    reach_mm = -float(pixel_to_surface(geometry, panel, 0.0, 0.0, 0.0, 0.0)[0]) + SPARE_MM
    last_mm = (columns - 1) * PITCH_MM - reach_mm
    count = math.ceil((last_mm - reach_mm) / step_mm) + 1
    rng = np.random.default_rng([seed, 0])
    position = np.linspace(reach_mm, last_mm, count)
    encoder = reach_mm + 1.002 * (position - reach_mm) + 0.08 * rng.standard_normal(count)
    encoder[0] = position[0]
    encoder[count // 2 :] += 0.6
    axial = AXIAL_MM * rng.uniform(-1, 1, count)
    axial[0] = 0.0
    level = 1 + LEVEL_SPREAD * rng.uniform(-1, 1, count)

    plan = DetectorPlan(lag=())
    detector = make_detector(panel.rows, panel.columns, plan, np.random.default_rng([seed, 1]))
    full_gv = plan.gray_value_for(SNR)
    z_first = -(rows - 1) / 2 * PITCH_MM
    coefficients = spline_filter(radiograph, order=3, mode="mirror")
    grid = np.arange(panel.columns)[None, :], np.arange(panel.rows)[:, None]
    u, v = panel.to_plane(*grid)

    (out / "frames").mkdir(parents=True)
    table = ["file,page,position_mm"]
    for k in range(count):
        s, z = pixel_to_surface(geometry, panel, position[k], axial[k], *grid)
        at = np.stack([(z - z_first) / PITCH_MM, s / PITCH_MM])
        inside = at.min() >= 0 and at[0].max() <= rows - 1 and at[1].max() <= columns - 1
        assert inside, "a frame looks past the radiograph"
        seen = map_coordinates(coefficients, at, order=3, mode="mirror", prefilter=False)
        source = geometry.source(position[k] / geometry.radius_mm, axial[k])
        dose = full_gv * level[k] * seen * relative_flux(geometry, source, u, v)
        raw = _shoot(detector, dose, np.random.default_rng([seed, 2, k]))
        name = f"frame_{k:03d}.tif"
        tifffile.imwrite(out / "frames" / name, raw, photometric="minisblack")
        table.append(f"{name},0,{encoder[k]:.4f}")
    (out / "frames" / "frames.csv").write_text("\n".join(table) + "\n")

    flux = relative_flux(geometry, geometry.source(0.0), u, v)
    _exposures(out / "darks", detector, np.zeros_like(flux), DARKS, [seed, 3])
    _exposures(out / "flats", detector, full_gv * flux, FLATS, [seed, 4])
    return CutScan(
        calibrate=_write(out / "calibrate.toml", _calibrate_text(panel)),
        stitch=_write(out / "stitch.toml", _stitch_text(panel)),
        encoder_mm=encoder,
        position_mm=position,
        axial_mm=axial,
        level=level,
        z_first_mm=z_first,
        panel=panel,
        geometry=geometry,
        full_gv=full_gv,
        slope_gv=plan.slope_gv,
    )


def _shoot(detector: Detector, dose_gv: FloatArray, rng: np.random.Generator) -> np.ndarray:
    signal: FloatImage = respond(detector, dose_gv.astype(np.float32))
    return record(detector, signal, (), rng)


def _exposures(
    folder: Path, detector: Detector, dose_gv: FloatArray, count: int, seed: list[int]
) -> None:
    folder.mkdir()
    for k in range(count):
        raw = _shoot(detector, dose_gv, np.random.default_rng([*seed, k]))
        tifffile.imwrite(folder / f"{k:02d}.tif", raw, photometric="minisblack")


def _write(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


def _panel_text(panel: Panel) -> str:
    return f"""\
[panel]
rows = {panel.rows}
columns = {panel.columns}
pitch_mm = {panel.pitch_mm}
serial = "{SERIAL}"
"""


def _calibrate_text(panel: Panel) -> str:
    return f"""\
{_panel_text(panel)}
[[exposures]]
kind = "dark"
folder = "darks"

[[exposures]]
kind = "flat"
folder = "flats"
dose = 1.0
"""


def _stitch_text(panel: Panel) -> str:
    """An arc of pipe, not a ring; source and panel are known to stand right to
    0.05 mm and 0.02°: an arc alone hardly tells (a turned panel on a wandering carriage gives the
    same strip, turned)."""
    return f"""\
{_panel_text(panel)}
[weld]
id = "real-radiograph"
diameter_mm = {DIAMETER_MM}
wall_mm = 10.0

[geometry]
standoff_mm = {STANDOFF_MM}
source_offset_sigma_mm = 0.05
roll_sigma_deg = 0.02
standoff_sigma_mm = 0.005
lift_off_sigma_mm = 0.005

[scan]
ring = false

[strip]
pitch_mm = {PITCH_MM}

[stages]
sequence = ["flat_field", "bad_pixels", "distortion", "registration", "blending"]
"""


if __name__ == "__main__":
    chosen = PICTURES[sys.argv[1]]
    cut_into_scan(
        chosen.radiograph(),
        Path(sys.argv[2]),
        panel_columns=chosen.panel_columns,
        step_mm=chosen.step_mm,
        seed=5,
    )
