"""What resampling does to signal and noise, beside two packages that keep account of both.

Sources: drizzle (Space Telescope Science Institute; Fruchter and Hook 2002), which shares each
panel pixel out over the strip pixels that it covers, and reproject (Astropy), `reproject_exact`,
which does it by the polygons' true areas. Neither interpolates: over an area of many pixels their
means are the plain bookkeeping of what the panel measured.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from astropy.wcs import WCS
from drizzle.resample import Drizzle
from reproject import reproject_exact

from pipeline.geometry import Panel, ScanGeometry, pixel_to_surface, relative_flux
from pipeline.kernels.resample import C0, COLUMN_TABLE, R0, STEP, unroll
from tests.stages.cut_scans import GEOMETRY, NOISE, PANEL, PITCH, Cut, cut, with_noise
from tests.stages.invented import pixels

BLOCK_PX = 16
SCANS = {
    "one frame": (GEOMETRY, PANEL, [20.0]),
    "four frames": (GEOMETRY, PANEL, [14.0, 18.3, 21.9, 25.0]),
    "rolled, source off the axis": (
        replace(GEOMETRY, source_x_mm=2.0, source_y_mm=-1.0),
        replace(PANEL, roll_rad=0.012),
        [18.0, 22.1],
    ),
}
EVERY_SCAN = pytest.mark.parametrize(("geometry", "panel", "positions"), SCANS.values(), ids=SCANS)


def drizzled(scan: Cut) -> tuple[np.ndarray, np.ndarray]:
    """(values, weights) of the strip as drizzle makes it, all frames with equal weight."""
    grid = scan.grid
    out = Drizzle(kernel="square", out_shape=grid.shape, fillval="0")
    for frame, position, axial, level in zip(
        scan.frames,
        scan.placement.position_mm,
        scan.placement.axial_mm,
        scan.placement.level,
        strict=True,
    ):
        s, z = pixel_to_surface(scan.geometry, scan.panel, position, axial, *pixels(scan.panel))
        told = replace(scan.geometry, source_x_mm=0.0, source_y_mm=0.0)
        plane = scan.panel.to_plane(*pixels(scan.panel))
        turned = scan.geometry.source(position / scan.geometry.radius_mm)
        beam = relative_flux(scan.geometry, turned, *plane)
        beam /= relative_flux(told, told.source(0.0), *plane)
        x = (s - grid.s_first_mm) / grid.pitch_mm
        y = (z - grid.z_first_mm) / grid.pitch_mm
        out.add_image(
            (frame.values / level / beam).astype(np.float32),
            exptime=1.0,
            pixmap=np.stack([x, y], axis=-1),
            in_units="cps",
        )
    return out.out_img, out.out_wht


def block_means(image: np.ndarray) -> np.ndarray:
    rows, columns = (n // BLOCK_PX * BLOCK_PX for n in image.shape)
    shape = rows // BLOCK_PX, BLOCK_PX, columns // BLOCK_PX, BLOCK_PX
    return image[:rows, :columns].reshape(shape).astype(np.float64).mean(axis=(1, 3))


def middle_of(scan: Cut) -> tuple[slice, slice]:
    """Where every frame of the scans above sees the strip, clear of all its edges."""
    first = round((19.0 - scan.grid.s_first_mm) / PITCH)
    return slice(1, 65), slice(first - 16, first + 16)


@EVERY_SCAN
def test_the_same_signal_as_drizzle(
    geometry: ScanGeometry, panel: Panel, positions: list[float]
) -> None:
    scan = cut(3, geometry=geometry, panel=panel, positions=positions)
    strip, _, _ = scan.compose()
    theirs, weight = drizzled(scan)
    here = middle_of(scan)
    assert (weight[here] > 0).all() and (strip.count[here] == len(positions)).all()
    # Drizzle spreads a pixel by its own size: waves of 4 mm and longer lose (π · 0.2/4)²/3, below
    # 1 % of 1,600 GV, of which a mean over 16 pixels keeps a fraction.
    apart = block_means(strip.values[here]) / block_means(theirs[here]) - 1
    assert np.abs(apart).max() < 2e-4


def noise_of(scan: Cut, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Block means of the noise in both strips, made from the same noisy frames."""
    here = middle_of(scan)
    noisy = replace(scan, frames=with_noise(scan, seed))
    ours = noisy.compose()[0].values[here].astype(float) - scan.compose()[0].values[here]
    theirs = drizzled(noisy)[0][here] - drizzled(scan)[0][here]
    return block_means(ours), block_means(theirs)


@pytest.mark.parametrize("name", ["one frame", "four frames"])
def test_the_same_noise_as_drizzle_over_an_area(name: str) -> None:
    geometry, panel, positions = SCANS[name]
    scan = cut(3, geometry=geometry, panel=panel, positions=positions)
    pairs = [noise_of(scan, seed) for seed in range(12)]
    ours, theirs = (np.stack(part).ravel() for part in zip(*pairs, strict=True))
    # The same photons in the same places, but for a block's border: 64 pixels of 256, of which
    # each shares about half with its neighbour; and a taper's weights instead of equal ones.
    assert np.corrcoef(ours, theirs)[0, 1] > 0.95
    assert ours.std() / theirs.std() == pytest.approx(1, abs=0.1)
    # And as large as the photons make it: a block's panel pixels, each with its own noise.
    stretch = (geometry.panel_distance_mm / geometry.radius_mm) ** 2
    one = np.sqrt(NOISE.offset + NOISE.slope * 20_000) / BLOCK_PX / np.sqrt(stretch)
    # 96 numbers scatter by 7 %; three times that.
    assert ours.std() == pytest.approx(one / np.sqrt(len(positions)), rel=0.22)


@pytest.mark.parametrize("step", [0.8, 1.0, 1.23])
def test_the_same_means_as_reproject_on_a_plane(step: float) -> None:
    """A stretched and shifted copy of white noise: reproject shares it out by exact areas."""
    rng = np.random.default_rng(4)
    image = rng.normal(1000, 30, (120, 140)).astype(np.float32)
    n, rows, first = 64, 64, (10.3, 8.7)
    table = np.zeros((COLUMN_TABLE, n), np.float32)
    table[C0], table[R0], table[STEP] = first[1] + step * np.arange(n), first[0], step
    ours = unroll(image, table, rows)

    def plane(pixel: float, origin: tuple[float, float]) -> WCS:
        wcs = WCS(naxis=2)
        wcs.wcs.ctype = ["RA---CAR", "DEC--CAR"]  # flat near the equator
        wcs.wcs.crval = [0, 0]
        wcs.wcs.cdelt = [1e-5 * pixel, 1e-5 * pixel]
        wcs.wcs.crpix = [1 - origin[1] / pixel, 1 - origin[0] / pixel]
        return wcs

    theirs, _ = reproject_exact(
        (image, plane(1.0, (0, 0))), plane(step, first), shape_out=(rows, n), parallel=False
    )
    a, b = block_means(ours), block_means(theirs)
    # Means of 16 × 16 white pixels scatter by 30/16/step = 2; the two differ at the border only.
    assert np.abs(a - b).max() < 0.8
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.97
    # By pixel they differ: sharing out smooths, six points hardly do.
    assert theirs.std() < ours.std() < 30
