"""Measured figures of a whole calibration against what its panel is made of."""

import pytest

from pipeline.calibration.build import Conditions, build_calibration
from tests.calibration.simulated_panel import BRIGHT_GV, READ_GV, SLOPE_GV, SimulatedPanel


def test_every_level_leaves_a_point_of_the_photon_transfer():
    panel = SimulatedPanel(192, 256, seed=1)
    levels_gv = BRIGHT_GV / 8, BRIGHT_GV / 2, BRIGHT_GV
    flats = [panel.flats(8, gv, dose=gv) for gv in levels_gv]
    figures = build_calibration(
        [panel.darks(8)],
        flats,
        rows=panel.rows,
        columns=panel.columns,
        saturation_gv=65_000,
        conditions=Conditions("P-1"),
    ).facts.acceptance
    for number, gv in enumerate(levels_gv, start=1):
        signal, variance = (
            figures[f"flat_{number}_{name}"] for name in ("noise_gv", "variance_gv2")
        )
        # Medians over 48 blocks of 32×32 whose signal falls off by half: the middle ones lie some
        # 3 % apart, and so do theirs from the pixels'.
        assert signal == pytest.approx(gv, rel=0.05)
        # 4 pairs of 48 blocks, 1023 degrees of freedom each: √(2/1023/192)·1.25 = 0.4 %; the two
        # medians may be those of blocks next to each other, another 1 %.
        assert variance == pytest.approx(READ_GV**2 + SLOPE_GV * signal, rel=0.025)
        assert abs(figures[f"flat_{number}_off_line"]) < 0.01
    assert figures["flat_levels"] == 3
