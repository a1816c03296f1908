"""Whole runs over simulated scans, against the truth they were made from.

``shipped`` are runs of the configs as the simulation writes them: the source stands off the axis
in ``small`` and ``arc``, the panel is rolled, and nobody says so. ``known`` are runs that are told
both, for what is compared with the true strip pixel by pixel, and for the arc: part of a ring has
no closure, and to first order an off-centre source and a roll look there like a stretched and a
climbing carriage, so its frames alone leave them open by what the log states as their sigma.
"""

from __future__ import annotations

import json
import math
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from scipy import ndimage

from pipeline.cli import run
from pipeline.config.weld import load_weld_config
from pipeline.errors import CalibrationError
from pipeline.geometry import Arrangement, Panel, ScanGeometry, pixel_to_surface
from pipeline.io.positions import read_positions
from pipeline.io.strip import StripMaps, read_maps, read_strip
from pipeline.model import Origin
from pipeline.quality.log import QualityLog
from pipeline.run import run_weld
from pipeline.simulation.presets import get_preset
from tests.io.frame_files import write_dicom
from tests.weld_folder import (
    RESULT_FILES,
    ShippedResult,
    WeldFolder,
    digests,
    leftovers,
    read_json,
    simulate,
)

PRESETS = ("small", "arc", "two_wall")
PANEL_PITCH_MM = 0.1
EDGE_PX = 4  # stages.distortion.edge_px: the border that is never used


@dataclass(frozen=True)
class Stitched:
    """A result beside the truth of its scan."""

    scan: Path
    folder: Path

    @cached_property
    def truth(self) -> Any:
        return read_json(self.scan / "truth" / "truth.json")

    @cached_property
    def log(self) -> QualityLog:
        return QualityLog.from_json((self.folder / "quality.json").read_text(encoding="ascii"))

    @cached_property
    def strip(self) -> np.ndarray:
        return read_strip(self.folder / "strip.tif")[0]

    @cached_property
    def maps(self) -> StripMaps:
        return read_maps(self.folder / "maps.tif")

    @cached_property
    def placed(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Position found and true, axial place found and true, of every used frame, mm."""
        found = {row.file: row for row in read_positions(self.folder / "positions.csv") if row.used}
        true = [frame for frame in self.truth["frames"] if frame["file"] in found]
        rows = [found[frame["file"]] for frame in true]
        return (
            np.array([row.position_mm for row in rows], dtype=np.float64),
            np.array([frame["position_mm"] for frame in true]),
            np.array([row.axial_mm for row in rows], dtype=np.float64),
            np.array([frame["axial_mm"] for frame in true]),
        )

    @cached_property
    def true_strip(self) -> np.ndarray:
        """The true strip at the places of the strip's pixels, in its gray values."""
        facts, true = self.log.strip, self.truth["strip"]
        image = tifffile.imread(self.scan / "truth" / "strip.tif").astype(np.float64)
        border = 8  # past the datum, for the interpolation
        wrapped = np.pad(image, ((0, 0), (border, border)), mode="wrap")
        z = facts.z_first_mm + facts.pitch_mm * np.arange(facts.rows)
        s = facts.s_first_mm + facts.pitch_mm * np.arange(facts.columns)
        rows = (z - true["z_first_mm"]) / true["pitch_mm"]
        columns = np.mod(s / true["pitch_mm"], true["columns"]) + border
        where = np.meshgrid(rows, columns, indexing="ij")
        found = ndimage.map_coordinates(wrapped, where, order=3, mode="nearest")
        measured = self.maps.origin == Origin.MEASURED
        return np.asarray(found * np.median(self.strip[measured] / found[measured]))


def told(scan: Path) -> dict[str, object]:
    """The parts of the true geometry that the frames alone can't tell, as overrides."""
    truth = read_json(scan / "truth" / "truth.json")["geometry"]
    known: dict[str, object] = {}
    if truth["arrangement"] == "panoramic":
        known["geometry.source_offset_mm"] = [truth["source_x_mm"], truth["source_y_mm"]]
        known["geometry.source_offset_sigma_mm"] = 0.0
    if scan.name == "arc":
        for name in ("roll", "yaw", "pitch"):
            known |= {f"geometry.{name}_deg": truth[f"{name}_deg"]}
            known |= {f"geometry.{name}_sigma_deg": 0.0}
    return known


@pytest.fixture(scope="module")
def make(
    request: pytest.FixtureRequest,
    shipped_result: ShippedResult,
    tmp_path_factory: pytest.TempPathFactory,
) -> Callable[[str, bool], Stitched]:
    """Stitches a preset, with the geometry told or not, once."""
    made: dict[tuple[str, bool], Stitched] = {}

    def stitched(preset: str, is_told: bool) -> Stitched:
        if (preset, is_told) not in made:
            if is_told:
                scan: Path = request.getfixturevalue(f"{preset}_scan")
                out = tmp_path_factory.mktemp("runs") / preset
                overrides = told(scan) | {"output.folder": out}
                run_weld(load_weld_config(scan / "stitch.toml", overrides))
            else:
                scan, out, _ = shipped_result(preset)
            made[preset, is_told] = Stitched(scan, out)
        return made[preset, is_told]

    return stitched


@pytest.fixture(params=PRESETS)
def shipped(request: pytest.FixtureRequest, make: Callable[[str, bool], Stitched]) -> Stitched:
    """Each preset as its config comes with the simulation."""
    return make(request.param, False)


@pytest.fixture(params=PRESETS)
def known(request: pytest.FixtureRequest, make: Callable[[str, bool], Stitched]) -> Stitched:
    """Each preset with the geometry told."""
    return make(request.param, True)


# ---- where the frames are -----------------------------------------------------------------------


def test_positions_are_true_to_a_tenth_of_a_pixel(shipped: Stitched) -> None:
    found, true, *_ = shipped.placed
    off_px = (found - true) / PANEL_PITCH_MM
    off_px -= off_px.mean()  # where the datum lies is only known from the encoder
    assert np.sqrt(np.mean(off_px**2)) <= 0.10
    assert np.abs(off_px).max() <= 0.3


def test_stated_uncertainties_are_true(shipped: Stitched) -> None:
    """Four standard deviations: chance passes that bound once in 10 000 values; here are 100."""
    positions = {row.file: row for row in read_positions(shipped.folder / "positions.csv")}
    frames = [f for f in shipped.truth["frames"] if positions[f["file"]].used]
    rows = [positions[frame["file"]] for frame in frames]
    off = np.array([r.position_mm - f["position_mm"] for r, f in zip(rows, frames, strict=True)])
    sigma = np.array([row.sigma_mm for row in rows])
    assert np.all(np.abs(off - off[0])[1:] <= 4 * sigma[1:])
    solved, true = shipped.log.geometry, shipped.truth["geometry"]
    for name in ("source_x", "source_y", "roll", "yaw", "pitch"):
        unit = "mm" if name.startswith("source") else "deg"
        if f"{name}_{unit}" in solved.refined:
            error = getattr(solved, f"{name}_{unit}") - true[f"{name}_{unit}"]
            assert abs(error) <= 4 * getattr(solved, f"{name}_sigma_{unit}")


def test_the_ring_closes(shipped: Stitched) -> None:
    checks = {check.id: check for check in shipped.log.checks}
    if not shipped.log.strip.ring:
        assert "registration.closure_mm" not in checks
        return
    closure = checks["registration.closure_mm"].value
    assert closure is not None
    assert closure <= 0.2


@pytest.mark.parametrize(
    ("preset", "is_told"), [("small", False), ("two_wall", False), ("small", True), ("arc", True)]
)
def test_the_ruler_is_true_inside_the_frames(
    preset: str, is_told: bool, make: Callable[[str, bool], Stitched]
) -> None:
    """50 points anywhere on the panel: where they are, and where the result puts them."""
    result = make(preset, is_told)
    found, true, axial, true_axial = result.placed
    true_facts, solved = result.truth["geometry"], result.log.geometry
    geometry = ScanGeometry(
        true_facts["radius_mm"],
        true_facts["standoff_mm"],
        Arrangement(true_facts["arrangement"]),
        true_facts["source_x_mm"],
        true_facts["source_y_mm"],
        source_distance_mm=true_facts["source_distance_mm"],
    )
    size = result.truth["panel"]
    panel = Panel(
        size["rows"], size["columns"], size["pitch_mm"], math.radians(true_facts["roll_deg"])
    )
    rng = np.random.default_rng(50)
    frame = rng.integers(0, len(found), 50)
    column = rng.uniform(EDGE_PX, panel.columns - 1 - EDGE_PX, 50)
    row = rng.uniform(EDGE_PX, panel.rows - 1 - EDGE_PX, 50)
    really, _ = pixel_to_surface(geometry, panel, true[frame], true_axial[frame], column, row)
    said, _ = pixel_to_surface(
        replace(geometry, source_x_mm=solved.source_x_mm, source_y_mm=solved.source_y_mm),
        replace(
            panel,
            roll_rad=math.radians(solved.roll_deg),
            yaw_rad=math.radians(solved.yaw_deg),
            pitch_rad=math.radians(solved.pitch_deg),
        ),
        found[frame],
        axial[frame],
        column,
        row,
    )
    beside_position = said - really - (found - true)[frame]
    assert np.sqrt(np.mean(beside_position**2)) <= 0.02
    assert np.abs(beside_position).max() <= 0.06


def test_frames_of_the_ramp_up_are_left_out_and_named(shipped: Stitched) -> None:
    ramping = {frame["file"] for frame in shipped.truth["frames"] if frame["ramping"]}
    assert len(ramping) == 2
    left_out = {f.file: f.why_not for f in shipped.log.frames if not f.used}
    assert left_out.keys() == ramping
    assert all(why.startswith("ramp_up: ") for why in left_out.values())
    assert all(
        re.search(r"0\.\d\d of the scan's level, \d+ of \d+ kV", w) for w in left_out.values()
    )
    assert shipped.log.verdict != "fail"


# ---- the strip against the true one -------------------------------------------------------------

WINDOW = 16  # columns over which a shift is measured


def test_no_column_is_shifted_doubled_or_missing(known: Stitched) -> None:
    """Least-squares shift of every 16 columns against the true strip.

    A column too many or too few shifts half a window by half a pixel and all that follow by one.
    What the frames' own position errors explain (tested above) may remain; beside that 0.1 px and
    four standard deviations of the measured shift.
    """
    true, strip, maps = known.true_strip, known.strip.astype(np.float64), known.maps
    usable = maps.origin == Origin.MEASURED
    sigma = np.where(usable, maps.sigma * maps.metadata["sigma_scale"], np.inf)
    down, across = np.gradient(true)
    shift, spread, s_mm = [], [], []
    for first in range(0, strip.shape[1] - WINDOW + 1, WINDOW):
        part = (slice(None), slice(first, first + WINDOW))
        parts = [image[part].ravel() for image in (across, down, true)]
        design = np.stack(parts, axis=1) / sigma[part].reshape(-1, 1)
        seen = ((strip - true)[part] / sigma[part]).ravel()
        normal = design.T @ design
        shift.append(-np.linalg.solve(normal, design.T @ seen)[0])
        spread.append(np.sqrt(np.linalg.inv(normal)[0, 0]))
        s_mm.append((first + (WINDOW - 1) / 2) * known.log.strip.pitch_mm)
    found, positions, *_ = known.placed
    expected = np.interp(
        np.array(s_mm) + known.log.strip.s_first_mm,
        positions,
        found - positions,
        period=known.log.strip.circumference_mm,
    )
    left = np.array(shift) - expected / known.log.strip.pitch_mm
    left -= np.median(left)
    assert len(left) > 100
    assert np.all(np.abs(left) <= 0.1 + 4 * np.array(spread))
    # Most of the weld tells its place well, so that the bound above means something.
    assert np.median(spread) < 0.05


def test_no_gray_step_at_any_seam(known: Stitched) -> None:
    """Mean of 32 columns right of each seam over those left of it, against the true strip.

    The noise of such a mean over half the rows is 0.4 %/√(32 · 130) = 0.006 %.
    """
    rows = known.strip.shape[0]
    middle = slice(rows // 4, rows - rows // 4)
    measured = (known.maps.origin == Origin.MEASURED)[middle]
    ratio = np.where(measured, known.strip[middle] / known.true_strip[middle], np.nan)
    profile = np.nanmean(ratio, axis=0)
    facts = known.log.strip
    seams = [round((seam.s_mm - facts.s_first_mm) / facts.pitch_mm) for seam in known.log.seams]
    inside = [j for j in seams if 32 <= j <= len(profile) - 32]
    assert len(inside) >= len(known.log.frames) - 4
    steps = [profile[j : j + 32].mean() / profile[j - 32 : j].mean() - 1 for j in inside]
    assert np.abs(steps).max() <= 0.003
    stated = [abs(seam.level_step) for seam in known.log.seams if seam.level_step is not None]
    assert max(stated) <= 0.003


def test_noise_is_what_the_frames_allow(known: Stitched) -> None:
    """Deviation from the true strip over the predicted noise, where nothing steep is near.

    Ideal is the predicted noise: it follows from the noise model and the weights of the frames
    that saw each pixel. Levels (which the seams test) are taken out block by block; over 10⁵
    pixels of a sixth of that many independent ones a robust deviation is good to 1 %.
    """
    block = 64
    sigma = known.maps.sigma * known.maps.metadata["sigma_scale"]
    measured = (known.maps.origin == Origin.MEASURED) & (sigma > 0)
    safe = np.where(measured, sigma, 1)
    # Indications, lead and the sides of the cap: there a tenth of a pixel is more than the noise.
    steep = np.hypot(*np.gradient(known.true_strip)) / safe > 3
    calm = measured & ~ndimage.binary_dilation(steep, np.ones((9, 9)))
    deviation = (known.strip - known.true_strip) / safe
    kept = []
    rows, columns = deviation.shape
    for top in range(0, rows - block + 1, block):
        for left in range(0, columns - block + 1, block):
            part = (slice(top, top + block), slice(left, left + block))
            values = deviation[part][calm[part]]
            if values.size >= block * block // 4:
                kept.append(values - np.median(values))
    together = np.concatenate(kept)
    assert together.size > 100_000
    assert 1.4826 * np.median(np.abs(together)) == pytest.approx(1.0, abs=0.05)


# ---- the maps -----------------------------------------------------------------------------------


def test_the_maps_tell_the_same_story(shipped: Stitched) -> None:
    maps, strip = shipped.maps, shipped.strip
    assert maps.count.shape == maps.origin.shape == maps.sigma.shape == strip.shape
    measured, filled = maps.origin == Origin.MEASURED, maps.origin == Origin.FILLED
    bare = maps.origin == Origin.NOT_COVERED
    assert np.all(measured | filled | bare)
    assert np.array_equal(measured, maps.count > 0)
    assert np.all(maps.sigma[measured | filled] > 0)
    assert np.all(strip[bare] == 0)
    assert np.all(maps.sigma[bare] == 0)


def test_only_holes_inside_are_filled(shipped: Stitched) -> None:
    """A filled pixel has measured ones on both sides, along its row or its column, ≤ 7 away."""
    facts = shipped.log.strip
    once = round(facts.circumference_mm / facts.pitch_mm) if facts.ring else facts.columns
    origin = shipped.maps.origin[:, :once]
    filled = np.argwhere(origin == Origin.FILLED)
    assert len(filled) > 0  # the panel has a dead line and clusters: the test is not idle
    reach = 7
    padded = np.pad(origin == Origin.MEASURED, reach)
    for row, column in filled + reach:
        across = padded[row, column - reach : column + reach + 1]
        along = padded[row - reach : row + reach + 1, column]
        assert any(line[:reach].any() and line[reach + 1 :].any() for line in (across, along))


def test_past_its_end_the_ring_repeats_its_beginning(
    make: Callable[[str, bool], Stitched],
) -> None:
    result = make("small", False)
    facts = result.log.strip
    overrun = round(facts.overrun_mm / facts.pitch_mm)
    assert overrun == 500  # strip.overrun_mm = 50
    maps = result.maps
    for image in (result.strip, maps.count, maps.origin, maps.sigma):
        assert np.array_equal(image[:, -overrun:], image[:, :overrun])
    once = facts.columns - overrun
    assert once * facts.pitch_mm == pytest.approx(facts.circumference_mm, rel=1e-12)


@pytest.mark.parametrize("frames", [5, 6, 8, 10])
def test_an_arc_covers_its_strip_from_end_to_end(small_weld: WeldFolder, frames: int) -> None:
    """A piece of the ring as an arc: it runs from where its first frame begins to where its last
    one ends, so nothing in it is a gap."""
    small_weld.edit_config("ring = true", "ring = false")
    small_weld.write_table(small_weld.table()[: frames + 1])
    log = run_weld(load_weld_config(small_weld.config)).log
    assert log.gaps == ()
    assert log.strip.ring is False
    assert log.strip.overrun_mm == 0


# ---- the same input, the same bytes -------------------------------------------------------------


def files_but_timing(folder: Path) -> dict[str, str]:
    found = digests(folder)
    assert found.keys() == RESULT_FILES
    del found["timing.json"]
    return found


def test_twice_and_on_any_number_of_threads_the_bytes_are_the_same(
    small_scan: Path, tmp_path: Path
) -> None:
    made = []
    for number, threads in enumerate((2, 2, 1)):
        # Always the same place: the config, and with it every file, names the output folder.
        out = tmp_path / "out"
        config = str(small_scan / "stitch.toml")
        options = ["--out", str(out), "--threads", str(threads), "--quiet"]
        assert run(["stitch", config, *options]) == 0
        made.append(files_but_timing(out))
        assert read_json(out / "timing.json")["threads"] == threads
        out.rename(tmp_path / f"out_{number}")
    assert made[0] == made[1]
    assert made[0] == made[2]


def test_the_resolved_config_makes_the_same_bytes_in_its_own_place(small_weld: WeldFolder) -> None:
    assert run(["stitch", str(small_weld.config), "--quiet"]) == 0
    first = files_but_timing(small_weld.result)
    again = ["stitch", str(small_weld.result / "config.toml"), "--quiet"]
    assert run(again) == 2  # the older result is in the way
    assert files_but_timing(small_weld.result) == first
    assert run([*again, "--replace"]) == 0
    assert files_but_timing(small_weld.result) == first
    assert leftovers(small_weld.path) == []


def test_raw_data_are_only_read(small_scan: Path, tmp_path: Path) -> None:
    before = digests(small_scan)
    stamps = {path: path.stat().st_mtime_ns for path in small_scan.rglob("*")}
    run_weld(load_weld_config(small_scan / "stitch.toml", {"output.folder": tmp_path / "out"}))
    assert digests(small_scan) == before
    assert {path: path.stat().st_mtime_ns for path in small_scan.rglob("*")} == stamps


# ---- the quality log ----------------------------------------------------------------------------


def test_the_log_is_whole_finite_and_without_clocks(shipped: Stitched) -> None:
    text = (shipped.folder / "quality.json").read_text(encoding="ascii")
    record = read_json(shipped.folder / "quality.json")
    assert QualityLog.from_json(text).to_json() == text
    assert record["schema"] == "girthstrip.quality/5"
    assert record["verdict"] == shipped.log.verdict
    # When the frames were shot stands there, when they were stitched doesn't.
    told = {record["exposure"].pop(name) for name in ("first_time", "last_time")}
    assert None not in told
    assert not re.search(r"\d\d:\d\d|20\d\d-\d\d", json.dumps(record))
    assert str(shipped.scan) not in text
    assert str(shipped.folder) not in text
    listed = {entry.path: entry.sha256 for entry in shipped.log.inputs}
    on_disk = digests(shipped.scan)
    assert listed == {
        name: digest
        for name, digest in on_disk.items()
        if name.startswith(("frames/", "calibration/"))
    }
    assert len({check.id for check in shipped.log.checks}) == len(shipped.log.checks)
    assert all(check.basis for check in shipped.log.checks)


def test_positions_and_log_agree(shipped: Stitched) -> None:
    rows = read_positions(shipped.folder / "positions.csv")
    assert len(rows) == len(shipped.log.frames) == len(shipped.truth["frames"])
    for row, frame in zip(rows, shipped.log.frames, strict=True):
        assert (row.file, row.used, row.why_not) == (frame.file, frame.used, frame.why_not)
        assert row.encoder_mm == pytest.approx(frame.encoder_mm, abs=1e-3)
        if frame.used:
            assert row.position_mm == pytest.approx(frame.position_mm, abs=5.1e-5)


# ---- other files, other stages ------------------------------------------------------------------


def stack_of(weld: WeldFolder) -> np.ndarray:
    return np.stack([tifffile.imread(weld.frames / line[0]) for line in weld.table()[1:]])


def in_one_file(weld: WeldFolder, name: str) -> None:
    """Let the table name pages of one file, and delete the others."""
    lines = weld.table()
    for page, line in enumerate(lines[1:]):
        (weld.frames / line[0]).unlink()
        line[0], line[1] = name, str(page)
    weld.write_table(lines)


def as_multi_page_tiff(weld: WeldFolder) -> None:
    images = stack_of(weld)
    in_one_file(weld, "scan.tif")
    tifffile.imwrite(weld.frames / "scan.tif", images, photometric="minisblack", compression="zlib")


def as_dicom(weld: WeldFolder) -> None:
    lines = weld.table()
    for line in lines[1:]:
        path = weld.frames / line[0]
        write_dicom(path.with_suffix(".dcm"), tifffile.imread(path))
        path.unlink()
        line[0] = path.with_suffix(".dcm").name
    weld.write_table(lines)
    weld.edit_config('table = "frames.csv"', 'format = "dicom"')


def as_binary(weld: WeldFolder) -> None:
    images = stack_of(weld)
    in_one_file(weld, "scan.raw")
    body = b"".join(image.astype(">u2").tobytes() + b"gap!" for image in images)
    (weld.frames / "scan.raw").write_bytes(b"HEADER.." + body)
    layout = (
        'format = "binary"\n[frames.binary]\nrows = 320\ncolumns = 384\nheader_bytes = 8\n'
        'frame_gap_bytes = 4\nbyte_order = "big"'
    )
    weld.edit_config('table = "frames.csv"', layout)


@pytest.mark.parametrize("convert", [as_multi_page_tiff, as_dicom, as_binary])
def test_the_same_scan_in_other_files_gives_the_same_strip(
    convert: Callable[[WeldFolder], None],
    small_weld: WeldFolder,
    make: Callable[[str, bool], Stitched],
) -> None:
    convert(small_weld)
    run_weld(load_weld_config(small_weld.config))
    reference = make("small", False).folder
    for name in ("strip.tif", "maps.tif"):
        assert (small_weld.result / name).read_bytes() == (reference / name).read_bytes()


def test_a_panel_mounted_upside_down_is_turned(
    small_weld: WeldFolder, make: Callable[[str, bool], Stitched]
) -> None:
    for image in (*small_weld.frames.glob("*.tif"),):
        turned = np.ascontiguousarray(tifffile.imread(image)[::-1, ::-1])
        tifffile.imwrite(image, turned, photometric="minisblack")
    keys = "flip_rows = true\nflip_columns = true\n"
    small_weld.edit_config("[geometry]", keys + "[geometry]")
    run_weld(load_weld_config(small_weld.config))
    expected = (make("small", False).folder / "strip.tif").read_bytes()
    assert (small_weld.result / "strip.tif").read_bytes() == expected


LAG = (0.06, 0.025)
# So short an arc hardly tells the stand-off: free, it would stretch each strip by another part.
KNOWN_STANDOFF = {"geometry.standoff_sigma_mm": 0.0, "geometry.lift_off_sigma_mm": 0.0}


@pytest.fixture(scope="module")
def lag_strips(tmp_path_factory: pytest.TempPathFactory) -> dict[str, np.ndarray]:
    """Strips of one short scan: panel without lag, panel with strong lag left and corrected."""
    small = get_preset("small")
    short = replace(
        small,
        carriage=replace(small.carriage, stops=8),
        ring=False,
        dark_frames=6,
        flat_frames=4,
    )
    strips = {}
    for name, lag in (("free", ()), ("left", LAG)):
        preset = replace(short, detector=replace(small.detector, lag=lag))
        scan = simulate(preset, tmp_path_factory.mktemp("lag") / name)
        run_weld(load_weld_config(scan / "stitch.toml", KNOWN_STANDOFF))
        strips[name] = read_strip(scan / "result" / "strip.tif")[0]
    config = scan / "stitch.toml"
    text = config.read_text(encoding="utf-8").replace('"flat_field", ', '"flat_field", "lag", ')
    config.write_text(text + f"\n[stages.lag]\nfractions = {list(LAG)}\n", encoding="utf-8")
    shutil.rmtree(scan / "result")
    run_weld(load_weld_config(config, KNOWN_STANDOFF))
    strips["corrected"] = read_strip(scan / "result" / "strip.tif")[0]
    return strips


def test_the_lag_stage_takes_ghosts_away(lag_strips: dict[str, np.ndarray]) -> None:
    """Against the same panel without lag, the same noise drawn, so that the ghosts remain."""

    def ghosts(name: str) -> float:
        # An arc's last column follows from the solved positions: a pixel more or less.
        width = min(strip.shape[1] for strip in lag_strips.values())
        free = lag_strips["free"][:, 100 : width - 100].astype(np.float64)
        shown = lag_strips[name][:, 100 : width - 100]
        assert abs(lag_strips[name].shape[1] - lag_strips["free"].shape[1]) <= 3
        # Nor does every strip reach as far at its upper and lower edge.
        both = (free > 0) & (shown > 0)
        assert both.mean() > 0.9
        ratio = np.divide(shown, free, out=np.ones_like(free), where=both)
        return float(np.std(ndimage.uniform_filter(ratio, 5)))

    assert ghosts("corrected") < 0.25 * ghosts("left")


def test_lag_without_fractions_is_refused_clearly(small_weld: WeldFolder) -> None:
    small_weld.edit_config('"flat_field", ', '"flat_field", "lag", ')
    with pytest.raises(CalibrationError, match=r"neither the config nor the calibration says") as e:
        run_weld(load_weld_config(small_weld.config))
    assert "stages.lag.fractions" in str(e.value)
    assert not small_weld.result.exists()
    assert leftovers(small_weld.path) == []
