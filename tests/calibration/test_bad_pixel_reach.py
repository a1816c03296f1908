"""How surely bad pixels are found: a panel of one megapixel with every class, clusters and lines.

Truth is drawn here, without the package's code. The panel: 0.3 % of its pixels bad, gain that
rolls off to half in the corners, 2 % pixel scatter; 30 darks, 20 flats of SNR 150 shot in two
sets, and one sequence with the beam switched off.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import ndimage

from pipeline.calibration.build import Conditions, build_calibration
from pipeline.calibration.grouping import GroupKind, group_bad_pixels
from pipeline.model import PixelClass
from tests.calibration.simulated_panel import (
    BRIGHT_GV,
    READ_GV,
    SLOPE_GV,
    SimulatedExposures,
    SimulatedPanel,
)

ROWS, COLUMNS = 1000, 1000
LAG = 0.004  # of the signal, in the first frame after it: 80 GV
DARK_LINE = np.s_[300:800, 411]
WIDE_LINE = np.s_[850:856, :]
EDGE_LINE = np.s_[:, -1]
BLOCK = np.s_[890:894, 200:205]
RING = (600, 800)  # a good pixel with eight dead ones round it


@dataclass
class Reach:
    """The map that was made, the flat indices that must be found, by class, and the limit."""

    classes: np.ndarray
    placed: dict
    limit: float
    groups: dict


@dataclass
class Part(SimulatedExposures):
    """One of two sets that a series of 20 flats was split into; ``panel.drift`` is in the late."""

    start: int = 0

    def read(self, index, out):
        SimulatedExposures(self.panel, 20, 1.0, self.level_gv, self.seed).read(
            self.start + index, out
        )


@dataclass
class StepOff(SimulatedExposures):
    """Four lit frames, then dark ones with what is left: ``kept`` (GV), half of it, …"""

    kept: np.ndarray | None = None

    def read(self, index, out):
        lit = index < 4
        SimulatedExposures(self.panel, 1, None, BRIGHT_GV * lit, 77 + index).read(0, out)
        if not lit:
            left = self.kept * 0.5 ** (index - 4)
            noise = np.random.default_rng([5, index]).normal(0, np.sqrt(SLOPE_GV * left))
            out[:] = np.clip(out + np.rint(left + noise), 0, 65_535)


def spread(rng, low, high, count):
    return rng.uniform(low, high, count) * rng.choice([-1, 1], count)


@pytest.fixture(scope="module")
def reach():
    panel = SimulatedPanel(ROWS, COLUMNS, seed=12)
    rng = np.random.default_rng(13)
    # Drawn among pixels that aren't beside each other; those that fall into a line or the block
    # are left out of what must be found as their own class.
    dead, stuck, hot, under, over, noisy, uneven, persistent = panel.choose(
        450, 100, 20, 450, 350, 400, 400, 200
    )
    lines = np.zeros((ROWS, COLUMNS), bool)
    for place in (DARK_LINE, WIDE_LINE, EDGE_LINE, BLOCK):
        lines[place] = True
    ring = np.s_[RING[0] - 1 : RING[0] + 2, RING[1] - 1 : RING[1] + 2]
    lines[ring] = True
    clusters = np.zeros_like(lines)
    for row, column in rng.integers(0, ROWS - 3, (30, 2)):
        clusters[row : row + 3, column : column + 3] = rng.random((3, 3)) < 0.6
    clusters &= ~ndimage.binary_dilation(lines, np.ones((3, 3)))  # or they'd belong to the line
    lines |= clusters
    healthy = panel.response.copy()

    # Response relative to the true gain of pixels around; each has 2 % of its own besides, so
    # 0.53 and 1.48 are at least 5 standard deviations beyond the limits of 0.6 and 1.3.
    panel.response[dead] *= rng.uniform(0, 0.03, len(dead[0]))
    panel.stuck_gv[stuck] = panel.dark[stuck] * rng.uniform(0.2, 3, len(stuck[0]))
    panel.stuck_gv[hot] = 65_535
    panel.response[under] *= rng.uniform(0.1, 0.53, len(under[0]))
    panel.response[over] *= rng.uniform(1.48, 2.5, len(over[0]))
    # 9 times the read noise is 1.5 times the limit, up to ten times that.
    panel.read_std[noisy] *= rng.uniform(9, 60, len(noisy[0]))
    # Two halves of 10 flats of SNR 150 differ by √(2/10)/150 = 0.30 % of noise (0.33 % where the
    # panel gets half the signal); 4.1 times that is the limit, more than the standard's 1 %.
    noise = np.sqrt(2 / 10 / (panel.response * BRIGHT_GV / SLOPE_GV))
    limit = np.maximum(0.01, 4.107 * noise)
    panel.drift[uneven] = spread(rng, 1.5, 4, len(uneven[0])) * limit[uneven]
    for place, factor in (
        (clusters, 0),
        (WIDE_LINE, 0.4),
        (DARK_LINE, 0),
        (EDGE_LINE, 0),
        (BLOCK, 0),
        (ring, 0),
        (RING, 1),
    ):  # where they lie, nothing else is wrong
        panel.response[place] = healthy[place] * factor
        panel.stuck_gv[place], panel.read_std[place], panel.drift[place] = -1, READ_GV, 0

    kept = LAG * BRIGHT_GV * panel.response
    kept[persistent] *= rng.uniform(3, 30, len(persistent[0]))  # 1.5 to 15 times the limit
    early, late = (Part(panel, 10, 1.0, BRIGHT_GV, 22_000, start=start) for start in (0, 10))
    made = build_calibration(
        [panel.darks(30)],
        [early, late],
        rows=ROWS,
        columns=COLUMNS,
        saturation_gv=65_000,
        conditions=Conditions("P-1"),
        step_offs=[StepOff(panel, 9, None, 0.0, 0, kept=kept)],
    )

    index = np.arange(ROWS * COLUMNS).reshape(ROWS, COLUMNS)
    single = {
        name: index[place][~lines[place]]
        for name, place in {
            "dead": dead,
            "stuck": stuck,
            "hot": hot,
            "under_responding": under,
            "over_responding": over,
            "noisy": noisy,
            "non_uniform": uneven,
            "persistent": persistent,
        }.items()
    }
    placed = single | {"lines": index[lines], "clusters": index[clusters]}
    facts = made.facts
    return Reach(made.classes, placed, facts.acceptance["non_uniform_limit"], facts.bad_groups)


def share(reach, name, *kinds):
    bits = np.uint8(sum(kinds))
    return np.mean((reach.classes.ravel()[reach.placed[name]] & bits) != 0)


def test_every_dead_and_wrongly_responding_pixel_is_found(reach):
    dead = PixelClass.DEAD
    assert share(reach, "dead", dead) == 1
    assert share(reach, "stuck", dead) == 1
    assert share(reach, "hot", dead, PixelClass.OVER_RESPONDING) == 1
    assert share(reach, "under_responding", PixelClass.UNDER_RESPONDING) == 1
    assert share(reach, "over_responding", PixelClass.OVER_RESPONDING) == 1


def test_every_line_and_cluster_is_found_whole(reach):
    assert share(reach, "clusters", PixelClass.DEAD) == 1
    classes = reach.classes
    assert np.all(classes[DARK_LINE] & PixelClass.DEAD)
    assert np.all(classes[EDGE_LINE] & PixelClass.DEAD)
    assert np.all(classes[WIDE_LINE] & (PixelClass.UNDER_RESPONDING | PixelClass.DEAD))
    assert np.all(classes[BLOCK] & PixelClass.DEAD)
    assert classes[RING] == PixelClass.BAD_NEIGHBOURHOOD


def test_the_others_are_found_beyond_one_and_a_half_times_their_limit(reach):
    assert share(reach, "noisy", PixelClass.NOISY) >= 0.98
    assert share(reach, "non_uniform", PixelClass.NON_UNIFORM) >= 0.98
    assert share(reach, "persistent", PixelClass.PERSISTENT) >= 0.98
    # Where the panel gets its median signal; see the fixture.
    assert reach.limit == pytest.approx(4.107 * np.sqrt(0.2) / 150, rel=0.03)


def test_hardly_a_good_pixel_is_called_bad(reach):
    truth = np.zeros(ROWS * COLUMNS, bool)
    for places in reach.placed.values():
        truth[places] = True
    assert 0.0025 < truth.mean() < 0.012  # singles 0.24 %, and the lines
    assert np.mean((reach.classes.ravel() != 0) & ~truth) <= 2e-4


def test_groups_are_those_that_were_put_in(reach):
    found = group_bad_pixels(reach.classes)
    # The last column is the line along the edge. Of a block only the corners have five good
    # neighbours; where it ends at the panel's edge, not even those.
    wide = found.groups[found.numbers[WIDE_LINE][3, 500] - 1]
    assert wide.kind is GroupKind.RELEVANT_CLUSTER
    assert (wide.columns, wide.kernel_pixels) == (COLUMNS - 1, 6 * (COLUMNS - 1))
    at = {(group.row, group.column): group for group in found.groups}
    assert at[RING[0] - 1, RING[1] - 1].label == "rc3x3-5"
    assert at[BLOCK[0].start, BLOCK[1].start].label == "rc4x5-16"
    for place, label in ((DARK_LINE, "l500x"), (EDGE_LINE, f"l{ROWS}x")):
        numbers, count = np.unique(found.numbers[place], return_counts=True)
        line = found.groups[numbers[np.argmax(count)] - 1]
        assert line.kind is GroupKind.LINE
        assert line.label.startswith(label)
        assert max(count) >= 0.99 * count.sum()
    assert found.counts()["line"] == 2
    assert found.counts() == reach.groups
