"""Sizes of what stands out of a drawn weld, against those it was drawn with."""

from __future__ import annotations

import math

import pytest

from pipeline.quality.noted.indications import measure_indications
from tests.quality.noted.marked import PIXEL_MM, box, one
from tests.quality.seen_strips import NOISE, PITCH_MM, Weld, grid_of


@pytest.mark.parametrize("contrast", [0.1, -0.1])
def test_a_spot_is_found_where_and_as_large_as_it_is(contrast: float) -> None:
    weld = Weld(grid_of())
    weld.disc(120.0, 2.0, 1.6, contrast)
    found = one(weld, box(118.6, 121.4, 0.6, 3.4))
    seen = found.seen
    assert seen is not None
    assert found.polarity == ("more_radiation" if contrast > 0 else "less_radiation")
    assert (seen.s_first_mm + seen.s_last_mm) / 2 == pytest.approx(120.0, abs=PITCH_MM)
    assert (seen.z_first_mm + seen.z_last_mm) / 2 == pytest.approx(2.0, abs=PITCH_MM)
    for length in (seen.length_mm, seen.length_s_mm, seen.length_z_mm, seen.width_mm):
        assert length.value == pytest.approx(1.6, abs=PIXEL_MM)
    # A rim of π · 1.6 mm, off by half a pixel on average at most.
    assert seen.area_mm2.value == pytest.approx(math.pi * 0.8**2, abs=math.pi * 1.6 * PITCH_MM / 2)
    assert not seen.goes_on
    # The mean takes in the blurred rim, a fifth of the pixels, at some three quarters.
    assert found.contrast.value == pytest.approx(contrast, rel=0.12)
    assert found.cnr.value == pytest.approx(found.contrast.value / NOISE, rel=0.03)
    assert found.contrast.sigma < 0.002  # some 200 pixels of 0.4 %, the background's share more


def test_a_tilted_line_has_its_own_length() -> None:
    weld = Weld(grid_of())
    weld.stadium((100.0, 0.0), (100 + 12 * 0.9, 12 * math.sqrt(0.19)), 0.6, 0.1)
    found = one(weld, box(98.5, 112.5, -1.5, 6.5, kind="line"))
    seen = found.seen
    assert seen is not None
    assert seen.length_mm.value == pytest.approx(12.6, abs=0.3)
    assert seen.length_s_mm.value == pytest.approx(12 * 0.9 + 0.6, abs=0.3)
    assert seen.length_z_mm.value == pytest.approx(12 * math.sqrt(0.19) + 0.6, abs=0.3)
    assert seen.width_mm.value == pytest.approx(0.6, abs=PIXEL_MM)


def test_sizes_scatter_as_told() -> None:
    """Over 12 draws of the noise the length stays within 4 of its standard deviations."""
    weld = Weld(grid_of())
    weld.disc(120.04, 2.0, 1.6, 0.03)
    mark = box(118.6, 121.4, 0.6, 3.4)
    lengths = [one(weld, mark, seed=seed).seen.length_s_mm for seed in range(12)]
    off = [abs(length.value - 1.6) / length.sigma for length in lengths]
    assert max(off) < 4
    assert min(length.sigma for length in lengths) > PITCH_MM / 4


def test_what_reaches_past_its_box_is_said_to_go_on() -> None:
    weld = Weld(grid_of())
    weld.box((102.0, 111.5), (1.0, 2.0), 0.08)
    found = one(weld, box(103.0, 110.0, 0.4, 2.6))
    assert found.seen.goes_on
    assert found.seen.length_s_mm.value == pytest.approx(8.0, abs=PIXEL_MM)  # half a mm more a side


def test_a_cluster_is_as_wide_as_its_widest_part() -> None:
    """Three discs of 1.2, 0.9 and 0.9 mm over 8 mm; their rims are off by half a pixel."""
    weld = Weld(grid_of())
    sizes = {100.0: 0.9, 104.0: 1.2, 108.0: 0.9}
    for s, size in sizes.items():
        weld.disc(s, 2.0, size, 0.1)
    seen = one(weld, box(98.0, 110.0, 0.6, 3.4)).seen
    assert seen.parts == 3
    assert seen.width_mm.value == pytest.approx(1.2, abs=PIXEL_MM)
    assert seen.length_mm.value == pytest.approx(8.9, abs=0.2)
    due = sum(math.pi * size**2 / 4 for size in sizes.values())
    assert seen.area_mm2.value == pytest.approx(due, abs=math.pi * 3.0 * PITCH_MM / 2)
    assert "3 parts stand out" in seen.remarks[0]


def test_a_fainter_part_of_a_cluster_is_not_lost_beside_a_stronger_one() -> None:
    """Discs with 1, 0.4 and 0.35 of the greatest contrast, each out to half of its own; one with
    an eighth of it doesn't count."""
    weld = Weld(grid_of())
    for s, contrast in {100.0: 0.16, 104.0: 0.064, 108.0: 0.056, 112.0: 0.02}.items():
        weld.disc(s, 2.0, 1.2, contrast)
    seen = one(weld, box(98.0, 114.0, 0.6, 3.4)).seen
    assert seen.parts == 3
    assert seen.length_s_mm.value == pytest.approx(9.2, abs=0.2)
    assert seen.width_mm.value == pytest.approx(1.2, abs=PIXEL_MM)


def test_sizes_are_as_uncertain_as_the_picture_is_blurred() -> None:
    """Half an unsharpness of 0.8 mm; a line 0.5 mm wide is no wider than that."""
    weld = Weld(grid_of())
    weld.box((100.0, 110.0), (1.0, 1.5), 0.1)
    (found,) = measure_indications(
        weld.picture(),
        [box(98.5, 111.5, 0.0, 2.5)],
        weld.places(),
        window_mm=300.0,
        weld=weld.line(),
        unsharpness_mm=0.8,
    ).indications
    assert found.seen.length_mm.sigma >= 0.4
    assert "no more than the picture's unsharpness, 0.80 mm" in found.seen.remarks[0]


def test_at_an_arcs_end_what_is_there_is_measured() -> None:
    weld = Weld(grid_of(ring=False))
    weld.box((0.5, 3.0), (1.0, 2.0), 0.08)
    found = one(weld, box(-1.0, 4.0, 0.4, 2.6))
    assert found.s_first_mm.value == -1.0
    assert found.seen.length_s_mm.value == pytest.approx(2.5, abs=PIXEL_MM)
    assert found.contrast.value == pytest.approx(0.08, rel=0.12)
