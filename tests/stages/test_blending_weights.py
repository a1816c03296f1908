"""Blending: weights, predicted noise, and what must change nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.product import NoiseModel
from pipeline.model import Frame, Strip
from pipeline.stages.blending import Blending
from tests.stages.cut_scans import EXACT_GV, NOISE, Cut, cut, with_noise
from tests.stages.invented import calibration_of


@pytest.mark.parametrize("taper_px", [1, 64, 200])
def test_the_taper_moves_weight_not_values(taper_px: int) -> None:
    scan = cut(14)
    strip, _, _ = scan.compose(Blending(taper_px=taper_px))
    assert np.abs(strip.values - scan.truth()).max() <= EXACT_GV


def test_sigma_is_the_scatter_of_strips_made_again() -> None:
    scan = cut(14)
    truth, z = scan.truth(), []
    for seed in range(4):
        strip, _, _ = replace(scan, frames=with_noise(scan, seed)).compose()
        z.append((strip.values - truth) / (strip.sigma * strip.sigma_scale))
    # 400,000 pixels of which perhaps a third are independent: 0.3 %. Sigma is stored in steps of
    # 0.25 of some 70 GV; it takes the value's own noise for the true one (1e-4).
    assert np.std(z) == pytest.approx(1.0, abs=0.02)
    assert abs(np.mean(z)) < 0.02


@pytest.mark.parametrize(
    "noise",
    [NOISE, NoiseModel(144.0, 3.1), NoiseModel(40_000.0, 0.5)],
    ids=["usual", "SNR 80", "dark"],
)
def test_sigma_holds_wherever_frames_overlap(noise: NoiseModel) -> None:
    """By the number of frames in a pixel, and again where one of them is within its taper."""
    scan = cut(22, seed=3)
    scan = replace(scan, calibration=calibration_of(scan.panel, noise))
    truth, once = scan.truth(), np.s_[:, : scan.grid.columns]
    z = []
    for seed in range(6):
        strip, _, _ = replace(scan, frames=with_noise(scan, seed, noise)).compose()
        z.append(((strip.values - truth) / (strip.sigma * strip.sigma_scale))[once])
    pulls, count = np.stack(z), strip.count[once]
    assert set(np.unique(count)) >= {2, 3}
    for frames in np.unique(count):
        here = count == frames
        if here.sum() > 3000:  # 6 · 3000 pixels, a third of them independent: 1 %
            assert np.std(pulls[:, here]) == pytest.approx(1, abs=0.04)
    # Beside a step in the count a frame begins, with hardly any weight.
    begins = np.zeros(count.shape, dtype=bool)
    begins[:, 1:] = np.diff(count.astype(int), axis=1) != 0
    begins |= np.roll(begins, 3, axis=1) | np.roll(begins, -3, axis=1)
    assert np.std(pulls[:, begins]) == pytest.approx(1, abs=0.05)


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
