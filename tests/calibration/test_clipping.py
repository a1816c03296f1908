"""Flats cut off at the top: told as what they are, and single pixels that are stuck are not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.calibration.build import Conditions, build_calibration
from pipeline.calibration.clipping import clipped_share, saturated
from pipeline.errors import CalibrationError
from tests.calibration.simulated_panel import BRIGHT_GV, SimulatedExposures, SimulatedPanel

SATURATION_GV = 60_000.0


def shot(level_gv: float = BRIGHT_GV) -> np.ndarray:
    panel = SimulatedPanel()
    (stuck,) = panel.choose(90)  # 0.2 % of the panel
    panel.stuck_gv[stuck] = 65_535
    raw = np.empty((panel.rows, panel.columns), np.uint16)
    panel.flats(1, level_gv).read(0, raw)
    return raw


@pytest.mark.parametrize("level_gv", [3.0, 30.0, 400.0, BRIGHT_GV])
def test_flats_with_some_pixels_stuck_are_whole(level_gv: float) -> None:
    assert clipped_share(shot(level_gv), SATURATION_GV) == (0.0, 0)


@pytest.mark.parametrize("share", [0.03, 0.5, 0.9])
@pytest.mark.parametrize("factor", [1, 20])
def test_a_panel_that_ends_below_its_saturation_is_found(share: float, factor: int) -> None:
    raw = np.tile(shot(), (factor, 1))  # the larger one is looked at on a grid
    cut = int(np.quantile(raw, 1 - share))
    stuck = raw == 65_535
    raw[~stuck] = np.minimum(raw[~stuck], cut)
    found, value = clipped_share(raw, SATURATION_GV)
    assert value == cut
    # A grid of a quarter of a million pixels tells 3 % to 0.03 %, and 0.2 % are stuck above.
    assert found == pytest.approx(share, abs=0.005)


def test_what_reaches_saturation_is_cut_off() -> None:
    raw = shot()
    raw[:16, :64] = 65_535  # 2 % of 192 × 256
    found, value = clipped_share(raw, SATURATION_GV)
    assert value == SATURATION_GV
    assert found == pytest.approx(16 * 64 / raw.size, abs=0.003)


def test_a_few_frames_are_left_out_and_many_refused() -> None:
    cut, whole = (0.04, 37_000), (0.0, 0)
    assert saturated([cut, whole, whole], "flats") == {
        0: "saturated: 4.0 % of its pixels are cut off at 37000 GV"
    }
    with pytest.raises(
        CalibrationError, match=r"flats at dose 2: the flats are saturated: in 2 of 3 .* 37000 GV"
    ):
        saturated([cut, whole, cut], "flats at dose 2")


@pytest.mark.parametrize("cut_gv", [24_000, 65_535])
def test_a_saturated_set_is_refused_as_that_and_not_as_an_object(cut_gv: int) -> None:
    """In the brightest places every frame shows the same, whatever the tube gave."""
    panel = SimulatedPanel()
    panel.response[:40, :40] *= 1.6
    level_gv = BRIGHT_GV * cut_gv / 24_000

    @dataclass
    class Cut(SimulatedExposures):
        def read(self, index: int, out: np.ndarray) -> None:
            SimulatedExposures.read(self, index, out)
            np.minimum(out, cut_gv, out=out)

    flats = [
        Cut(panel, 8, dose, share * level_gv, 7 + k)
        for k, (dose, share) in enumerate(((1.0, 0.4), (2.5, 1.0)))
    ]
    with pytest.raises(CalibrationError, match=r"flats at dose 2\.5: the flats are saturated"):
        build_calibration(
            [panel.darks(6)],
            flats,
            rows=panel.rows,
            columns=panel.columns,
            saturation_gv=65_000,
            conditions=Conditions("P"),
        )
