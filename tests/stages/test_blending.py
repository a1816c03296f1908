"""Blending: a known surface cut into frames by exact projection, the whole strip demanded back."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import pytest

from pipeline.calibration.product import CalibrationSet, NoiseModel
from pipeline.geometry import Panel, ScanGeometry
from pipeline.kernels.resample import BLOCK
from pipeline.model import Frame, FrameFlag, Origin, Placement, Strip, StripGrid
from pipeline.quality.coverage import find_gaps
from pipeline.stages.blending import Blending, Composition
from pipeline.stages.distortion import Distortion
from tests.stages.invented import calibration_of, frame_of, waves

PITCH = 0.2
PANEL = Panel(120, 200, PITCH)
NOISE = NoiseModel(16.0, 0.5)


@dataclass(frozen=True)
class Cut:
    """A scan with its truth."""

    geometry: ScanGeometry
    panel: Panel
    grid: StripGrid
    placement: Placement
    frames: tuple[Frame, ...]
    calibration: CalibrationSet

    def composition(self) -> Composition:
        return Composition(
            geometry=self.geometry,
            flat_geometry=replace(self.geometry, source_x_mm=0.0, source_y_mm=0.0),
            panel=self.panel,
            distortion=Distortion(),
            grid=self.grid,
            calibration=self.calibration,
            usual_level_gv=20_000.0,
        )

    def truth(self) -> np.ndarray:
        s = self.grid.s_first_mm + np.arange(self.grid.shape[1]) * self.grid.pitch_mm
        z = self.grid.z_first_mm + np.arange(self.grid.rows)[:, np.newaxis] * self.grid.pitch_mm
        return SURFACE(s, z)

    def compose(self, blending: Blending | None = None, threads: int = 2) -> tuple[Strip, int, int]:
        with ThreadPoolExecutor(threads) as pool:
            return (blending or Blending()).compose(
                copies(self.frames), self.placement, self.composition(), pool
            )


GEOMETRY = ScanGeometry(40.0, 10.0)
SURFACE = waves(GEOMETRY.circumference_mm)


def copies(frames: Iterable[Frame]) -> Iterable[Frame]:
    return (Frame(f.index, f.values.copy(), f.flags.copy()) for f in frames)


def cut(
    count: int = 12,
    *,
    geometry: ScanGeometry = GEOMETRY,
    panel: Panel = PANEL,
    ring: bool = True,
    overrun: int = 100,
    positions: list[float] | None = None,
    axial_mm: float = 0.0,
    noise: NoiseModel | None = None,
    seed: int = 0,
    rows: int = 67,  # 6.6 mm up and down; at the seams a frame sees 7.4 mm
) -> Cut:
    rng = np.random.default_rng(seed)
    once = geometry.circumference_mm
    if ring:
        columns = round(once / PITCH)
        pitch = once / columns
        position = np.arange(count) * once / count + rng.uniform(-1, 1, count)
        grid = StripGrid(rows, columns, pitch, 0.0, -(rows // 2) * pitch, True, overrun)
    else:
        position = -3.0 + 18.0 * np.arange(count)
        low, high = Distortion().reach_mm(geometry, panel)
        first, last = np.ceil((position[0] + low) / PITCH), np.floor((position[-1] + high) / PITCH)
        grid = StripGrid(
            rows, int(last - first) + 1, PITCH, first * PITCH, -(rows // 2) * PITCH, False
        )
    if positions is not None:
        position = np.array(positions)
    axial = axial_mm * rng.uniform(-1, 1, len(position))
    level = np.exp(rng.normal(0, 0.05, len(position)))
    frames = tuple(
        frame_of(SURFACE, geometry, panel, p, a, index=k, level=q, noise=noise, seed=seed)
        for k, (p, a, q) in enumerate(zip(position, axial, level, strict=True))
    )
    placement = Placement(np.arange(len(position)), position, np.zeros(len(position)), axial, level)
    return Cut(geometry, panel, grid, placement, frames, calibration_of(panel, NOISE))


# The place on the panel is good to float32 (6e-5 px of up to 2,300 GV a millimetre, 0.03 GV) and
# to half a gray value of rounding; six points pass waves of 20 px and more to 1e-5 of 1,600 GV.
EXACT_GV = 0.5 + 0.1


@pytest.mark.parametrize(
    ("geometry", "panel", "axial_mm"),
    [
        (GEOMETRY, PANEL, 0.0),
        (GEOMETRY, PANEL, 1.0),
        (GEOMETRY, replace(PANEL, roll_rad=0.012), 0.5),
        (GEOMETRY, replace(PANEL, roll_rad=-0.006, offset_y_mm=0.7, offset_z_mm=-0.4), 0.0),
    ],
    ids=["plain", "wandering", "rolled", "rolled and shifted"],
)
def test_a_ring_cut_into_frames_comes_back_whole(
    geometry: ScanGeometry, panel: Panel, axial_mm: float
) -> None:
    scan = cut(14, geometry=geometry, panel=panel, axial_mm=axial_mm)
    strip, filled, clipped = scan.compose()
    assert (filled, clipped) == (0, 0)
    assert strip.values.shape == scan.grid.shape
    assert (strip.count > 0).all() and (strip.origin == Origin.MEASURED).all()
    assert find_gaps(strip.origin, scan.grid) == []
    # All of it: every seam, the one over the datum and the overrun too.
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV
    assert scan.grid.columns % BLOCK != 0  # the last block is a partial one
    for image in (strip.values, strip.sigma, strip.count, strip.origin):
        np.testing.assert_array_equal(image[:, scan.grid.columns :], image[:, : scan.grid.overrun])


@pytest.mark.parametrize("source_mm", [(2.0, 0.0), (-1.0, 2.0)])
def test_an_off_centre_sources_beam_and_distortion_are_taken_out(
    source_mm: tuple[float, float],
) -> None:
    geometry = replace(GEOMETRY, source_x_mm=source_mm[0], source_y_mm=source_mm[1])
    scan = cut(14, geometry=geometry)
    strip, _, _ = scan.compose()
    assert (strip.origin == Origin.MEASURED).all()
    # The beam's shape is taken at the panel's middle row; 8 mm off it on the panel an offset of 2
    # of 50 mm changes the flux by 3 * (2 / 50) * (8 / 50)² = 3e-3.
    assert np.abs(strip.values / scan.truth() - 1).max() < 4e-3
    middle = scan.grid.rows // 2
    off = strip.values[middle].astype(float) - scan.truth()[middle]
    assert np.abs(off).max() <= EXACT_GV + 0.5


def test_an_arc_comes_back_from_its_first_to_its_last_column() -> None:
    scan = cut(4, ring=False)
    strip, _, _ = scan.compose()
    assert scan.grid.s_first_mm < -10  # it begins before the datum
    seen = strip.count > 0
    assert seen[:, 3:-3].all()
    assert find_gaps(strip.origin, scan.grid) == []
    assert np.abs(strip.values - scan.truth())[seen].max() <= EXACT_GV


def test_a_single_frame() -> None:
    scan = cut(1, ring=False)
    strip, _, _ = scan.compose()
    seen = strip.count > 0
    assert set(np.unique(strip.count)) <= {0, 1} and seen.mean() > 0.97
    assert np.abs(strip.values - scan.truth())[seen].max() <= EXACT_GV


def test_a_single_frame_of_a_ring_leaves_the_rest_uncovered() -> None:
    scan = cut(positions=[1.0])
    strip, _, _ = scan.compose()
    seen = strip.origin != Origin.NOT_COVERED
    assert 0.1 < seen.mean() < 0.2
    assert np.abs(strip.values - scan.truth())[seen].max() <= EXACT_GV
    assert not strip.values[~seen].any() and not strip.sigma[~seen].any()
    ((first, last),) = find_gaps(strip.origin, scan.grid)
    assert last - first == pytest.approx(GEOMETRY.circumference_mm - 28, abs=1.5)


def test_a_scan_that_runs_past_the_datum() -> None:
    """The last frames lie where the first ones did, counted on: both are used."""
    once = GEOMETRY.circumference_mm
    scan = cut(positions=[k * once / 14 for k in range(16)])
    strip, _, _ = scan.compose()
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV
    usual, _, _ = cut(positions=[k * once / 14 for k in range(14)]).compose()
    assert strip.count[:, :50].max() > usual.count[:, :50].max()


def test_frames_before_the_datum_and_in_any_order() -> None:
    once = GEOMETRY.circumference_mm
    positions = [k * once / 14 - 9.0 for k in (5, 0, 1, 2, 9, 3, 4, 6, 7, 8, 13, 10, 11, 12)]
    scan = cut(positions=positions)
    strip, _, _ = scan.compose()
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV


def test_no_overlap_leaves_a_gap_that_is_not_filled() -> None:
    once = GEOMETRY.circumference_mm
    positions = [k * once / 14 for k in range(14) if k not in (6, 7)]
    strip, _, _ = cut(positions=positions).compose()
    (gap,) = find_gaps(strip.origin, cut(positions=positions).grid)
    # Three steps of 17.95 mm less twice the 14.2 mm that a frame reaches: 25.4 mm.
    assert gap[1] - gap[0] == pytest.approx(25.4, abs=1.0)
    assert (gap[0] + gap[1]) / 2 == pytest.approx(6.5 * once / 14, abs=0.3)
    bare = strip.origin == Origin.NOT_COVERED
    assert not strip.values[bare].any()


# ---- bad pixels ---------------------------------------------------------------------------------


def test_what_another_frame_measured_is_never_filled() -> None:
    """A bad cluster on the panel: where two frames overlap, the other one counts."""
    scan = cut(24)
    for frame in scan.frames:
        frame.flags[50:56, 90:96] = FrameFlag.BAD
        frame.values[50:56, 90:96] = 65_000
        # The interpolation's neighbours see an estimate, as the bad-pixel stage leaves it.
        frame.values[50:56, 90:96] = frame.values[50, 89]
    strip, filled, _ = scan.compose()
    assert filled == 0
    assert (strip.origin == Origin.MEASURED).all()
    usual, _, _ = cut(24).compose()
    less = usual.count.astype(int) - strip.count
    assert set(np.unique(less)) <= {0, 1, 2} and less.max() >= 1
    # Beside the cluster the interpolation still leans on the estimate: at most 0.12 of its error.
    off = np.abs(strip.values - scan.truth())
    assert off[less == 0].max() < 150 and np.median(off) < 0.5


@pytest.mark.parametrize(("radius", "closes"), [(0, False), (1, False), (3, True)])
def test_what_no_frame_measured_is_filled_and_said_so(radius: int, closes: bool) -> None:
    scan = cut(1, ring=False)
    flags = scan.frames[0].flags
    flags[60:64, 100:104] = FrameFlag.BAD
    strip, filled, _ = scan.compose(Blending(fill_radius_px=radius))
    hole = strip.count == 0
    hole[:, :5] = hole[:, -5:] = False
    assert 12 <= hole.sum() <= 25  # four panel pixels of 0.16 mm and what leans on them: 0.8 mm
    if closes:
        assert filled == hole.sum()
        assert (strip.origin[hole] == Origin.FILLED).all()
        assert (strip.sigma[hole] > 0).all()
        # A mean of neighbours up to 3 px away on waves of 20 px: 300 of 20,000.
        assert np.abs(strip.values - scan.truth())[hole].max() < 400
    else:
        assert (strip.origin[hole] == Origin.NOT_COVERED).all()
        assert not strip.values[hole].any()


def test_a_hole_on_the_datum_is_filled_from_its_own_side_and_the_overrun_repeats_it() -> None:
    scan = cut(positions=[2.0])
    middle = 100 - round(2.0 / PITCH * 50 / 40)  # where the panel sees the datum
    scan.frames[0].flags[58:61, middle - 1 : middle + 2] = FrameFlag.BAD
    strip, filled, _ = scan.compose()
    assert filled > 0
    overrun = strip.origin[:, scan.grid.columns :]
    np.testing.assert_array_equal(overrun, strip.origin[:, : scan.grid.overrun])
    assert (overrun[:, :4] == Origin.FILLED).any()


def test_a_frame_that_is_flagged_all_over_adds_nothing() -> None:
    scan = cut(14)
    scan.frames[3].flags[:] = FrameFlag.SATURATED
    without = replace(
        scan,
        frames=(*scan.frames[:3], *scan.frames[4:]),
        placement=Placement(
            *(np.delete(getattr(scan.placement, k), 3) for k in Placement.__slots__)
        ),
    )
    (ours, _, _), (theirs, _, _) = scan.compose(), without.compose()
    np.testing.assert_array_equal(ours.values, theirs.values)
    np.testing.assert_array_equal(ours.sigma, theirs.sigma)


def test_a_panel_column_that_is_bad_all_along_is_no_trouble() -> None:
    scan = cut(24)
    scan.calibration.classes[:, 77] = 1
    for frame in scan.frames:
        frame.flags[:, 77] = FrameFlag.BAD
    strip, _, _ = scan.compose()
    assert (strip.origin == Origin.MEASURED).all()
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV


# ---- weights and noise --------------------------------------------------------------------------


@pytest.mark.parametrize("taper_px", [1, 64, 200])
def test_the_taper_moves_weight_not_values(taper_px: int) -> None:
    scan = cut(14)
    strip, _, _ = scan.compose(Blending(taper_px=taper_px))
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV


def test_sigma_is_the_scatter_of_strips_made_again() -> None:
    strips = [cut(14, noise=NOISE, seed=0) for _ in range(1)]
    truth = strips[0].truth()
    z = []
    for seed in range(4):
        scan = strips[0]
        rng = np.random.default_rng(seed)
        frames = tuple(
            Frame(
                f.index,
                (
                    g.values + np.sqrt(16 + 0.5 * g.values) * rng.standard_normal(g.values.shape)
                ).astype(np.float32),
                f.flags,
            )
            for f, g in zip(scan.frames, cut(14).frames, strict=True)
        )
        strip, _, _ = replace(scan, frames=frames).compose()
        z.append((strip.values - truth) / (strip.sigma * strip.sigma_scale))
    # 400,000 pixels of which perhaps a third are independent: 0.3 %. Sigma is stored in steps of
    # 0.25 of some 70 GV; it takes the value's own noise for the true one (1e-4).
    assert np.std(z) == pytest.approx(1.0, abs=0.02)
    assert abs(np.mean(z)) < 0.02


def test_the_brighter_frame_weighs_more() -> None:
    """Same place seen by two frames of unlike level: the variance is that of noise weights."""
    bright_only, dim_only, both = (cut(positions=p) for p in ([5.0], [5.2], [5.0, 5.2]))
    levels = {"bright": 1.5, "dim": 0.5}

    def with_level(scan: Cut, *level: float) -> Strip:
        placement = replace(scan.placement, level=np.array(level))
        frames = tuple(
            Frame(f.index, f.values * np.float32(q / old), f.flags)
            for f, q, old in zip(scan.frames, level, scan.placement.level, strict=True)
        )
        return replace(scan, placement=placement, frames=frames).compose()[0]

    sigma = [
        with_level(scan, *level).sigma[33, 20:30].astype(float)
        for scan, level in (
            (bright_only, (levels["bright"],)),
            (dim_only, (levels["dim"],)),
            (both, (levels["bright"], levels["dim"])),
        )
    ]
    ideal = 1 / np.sqrt(1 / sigma[0] ** 2 + 1 / sigma[1] ** 2)
    # Weights know the frames' noise but not the interpolation's phase: 0.5 … 1 in variance.
    assert (sigma[2] < sigma[0]).all()
    np.testing.assert_allclose(sigma[2], ideal, rtol=0.06)


def test_too_bright_for_sixteen_bits_is_counted_and_held() -> None:
    scan = cut(14)
    placement = replace(scan.placement, level=scan.placement.level / 3.4)
    strip, _, clipped = replace(scan, placement=placement).compose()
    assert 0 < clipped < strip.values.size
    assert strip.values.max() == 65_535
    once = strip.values[:, : scan.grid.columns]
    assert abs(int((once == 65_535).sum()) - clipped) <= 40  # some are 65535 truly


@pytest.mark.parametrize("threads", [1, 3])
def test_threads_change_nothing(threads: int) -> None:
    scan = cut(14, noise=NOISE)
    (a, *_), (b, *_) = scan.compose(threads=threads), scan.compose(threads=2)
    for name in ("values", "sigma", "count", "origin"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))


def test_a_strip_pixel_does_not_depend_on_its_block() -> None:
    """The same arc counted from another first column: the same bits, columns shifted."""
    scan = cut(4, ring=False, noise=NOISE)
    skip = 37
    grid = replace(
        scan.grid,
        columns=scan.grid.columns - skip,
        s_first_mm=scan.grid.s_first_mm + skip * scan.grid.pitch_mm,
    )
    (whole, _, _), (part, _, _) = scan.compose(), replace(scan, grid=grid).compose()
    # The columns' places are computed from another origin: they differ by rounding only.
    assert (np.abs(part.values.astype(int) - whole.values[:, skip:]) <= 1).all()
    assert (part.values == whole.values[:, skip:]).mean() > 0.98


@pytest.mark.parametrize(
    ("name", "value"),
    [("taper_px", 0), ("taper_px", 513), ("fill_radius_px", -1), ("fill_radius_px", 11)],
)
def test_parameters_have_their_bounds(name: str, value: int) -> None:
    with pytest.raises(ValueError, match=name):
        Blending(**{name: value})
