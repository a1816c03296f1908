"""What the finished strip says about frames that don't lie on each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.kernels.resample import BLOCK
from pipeline.kernels.spread import CELL_ROWS
from pipeline.model import Placement, Strip, StripGrid
from pipeline.stages.blending import Blending
from pipeline.stages.disagreement import worst_cells
from tests.stages.cut_scans import NOISE, PITCH, Cut, cut, with_noise


def shifted(scan: Cut, frame: int, *, s_mm: float = 0.0, z_mm: float = 0.0) -> Cut:
    """The scan with one frame told to lie elsewhere than it does."""
    placed = scan.placement
    position, axial = placed.position_mm.copy(), placed.axial_mm.copy()
    position[frame] += s_mm
    axial[frame] += z_mm
    return replace(
        scan,
        placement=Placement(placed.frames, position, placed.sigma_mm, axial, placed.level),
    )


def seams_of(scan: Cut) -> list[float]:
    at = np.sort(scan.placement.position_mm)
    return [float(s) for s in (at[:-1] + at[1:]) / 2]


@pytest.mark.parametrize("taper_px", [1, 64])
def test_noise_alone_is_one_everywhere(taper_px: int) -> None:
    scan = cut(14)
    strip, _, _ = replace(scan, frames=with_noise(scan, 3)).compose(Blending(taper_px=taper_px))
    told = strip.disagreement[strip.disagreement > 0]
    assert strip.disagreement.shape == (2, -(-scan.grid.columns // BLOCK))
    # The second row of cells is 3 strip rows high: too little to tell anything.
    assert len(told) == strip.disagreement.shape[1]
    assert not strip.disagreement[1].any()
    # A cell has up to 17 · 64 sampled pixels, perhaps a third of them independent, one degree of
    # freedom each: its root scatters by √(1/2/360) = 4 %, more where few are shared.
    assert np.median(told) == pytest.approx(1, abs=0.03)
    assert told.max() < 1.35


@pytest.mark.parametrize(("s_mm", "z_mm"), [(2 * PITCH, 0.0), (0.0, 2 * PITCH)])
def test_a_frame_beside_its_place_is_seen_there(s_mm: float, z_mm: float) -> None:
    scan = cut(14)
    good = replace(scan, frames=with_noise(scan, 3))
    bad = shifted(good, 6, s_mm=s_mm, z_mm=z_mm)
    strip, _, _ = bad.compose()
    seams = seams_of(good)
    worst = worst_cells(strip, seams, scan.geometry.circumference_mm)
    sigmas = [0.0 if cell is None else cell.sigmas for cell in worst]
    # Smooth waves of 4 mm and longer: 1,600 GV high with slopes of some 800 GV/mm along the pipe
    # and twice that along the scan; two frames 0.4 mm apart differ by 300 GV or more, where noise
    # makes 100.
    assert max(sigmas) > 1.5
    found = worst[int(np.argmax(sigmas))]
    assert found is not None
    # A frame reaches 16 mm to both sides.
    assert abs(found.s_mm - good.placement.position_mm[6]) < 17
    far = [k for k, s in enumerate(seams) if abs(s - good.placement.position_mm[6]) > 30]
    assert max(sigmas[k] for k in far) < 1.35


def strip_of(cells: np.ndarray, grid: StripGrid) -> Strip:
    nothing, flags = np.zeros(grid.shape, np.uint16), np.zeros(grid.shape, np.uint8)
    return Strip(grid, nothing, nothing, flags, flags, 1.0, cells.astype(np.float32))


def test_a_cell_is_named_by_its_middle() -> None:
    grid = StripGrid(CELL_ROWS + 20, 2 * BLOCK + 10, 0.5, 3.0, -4.0, False)
    cells = np.zeros((2, 3))
    cells[1, 2] = 7.0
    (worst,) = worst_cells(strip_of(cells, grid), [0.0], None)
    assert worst is not None and worst.sigmas == 7.0
    # Both the last cells: 10 columns wide and 20 rows high.
    assert worst.s_mm == pytest.approx(3.0 + 0.5 * (2 * BLOCK + 4.5))
    assert worst.z_mm == pytest.approx(-4.0 + 0.5 * (CELL_ROWS + 9.5))


def test_each_seam_has_its_own_cells_also_across_the_datum() -> None:
    columns = 10 * BLOCK
    grid = StripGrid(CELL_ROWS, columns, 1.0, 0.0, 0.0, True, 30)
    cells = np.linspace(1, 2, 10)[np.newaxis]
    cells[0, 9] = 5.0
    near_datum, far, none = worst_cells(
        strip_of(cells, grid), [20.0, 0.5 * columns, 0.5 * columns], float(columns)
    )
    assert near_datum is not None and near_datum.s_mm == pytest.approx(9 * BLOCK + 31.5)
    assert far is not None and far.s_mm < 8 * BLOCK
    assert none is None  # the same place again: nothing is nearer to it


def test_nothing_shared_and_no_seam() -> None:
    grid = StripGrid(CELL_ROWS, BLOCK, 1.0, 0.0, 0.0, False)
    strip = strip_of(np.zeros((1, 1)), grid)
    assert worst_cells(strip, [5.0], None) == [None]
    assert worst_cells(strip, [], None) == []


def test_one_frame_alone_tells_nothing() -> None:
    strip, _, _ = cut(positions=[5.0], noise=NOISE).compose()
    assert not strip.disagreement.any()
