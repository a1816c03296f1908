"""Suggested regions: found and false ones, on drawn and on simulated welds."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from pipeline.model import Origin, StripGrid
from pipeline.quality.asked.known import StripPicture
from pipeline.quality.noise.weld_line import WeldLine, find_weld_line
from pipeline.quality.noted.indication import Suggestion
from pipeline.quality.noted.indications import measure_indications
from pipeline.quality.noted.suggestions import SuggestionPlan, suggest_regions
from pipeline.simulation.features import stamp, stroke_through
from pipeline.simulation.layout import GAUGE_TURNS, Item
from pipeline.simulation.presets import PRESETS
from pipeline.simulation.scan import build_scene
from pipeline.simulation.truth import INDICATIONS, strip_grid, true_strip
from tests.quality.seen_strips import Weld, grid_of

PLAN = SuggestionPlan()


def suggested(weld: Weld, picture: StripPicture | None = None) -> tuple[Suggestion, ...]:
    return suggest_regions(picture or weld.picture(), weld.line(), PLAN)


def holds(one: Suggestion, s: float, z: float) -> bool:
    first, last, low, high = one.box_mm
    return first <= s <= last and low <= z <= high


def test_a_plain_weld_suggests_nothing() -> None:
    assert suggested(Weld(grid_of())) == ()


@pytest.mark.parametrize("contrast", [0.05, -0.05])
def test_a_spot_and_a_line_are_suggested_with_their_polarity(contrast: float) -> None:
    weld = Weld(grid_of())
    weld.disc(50.0, 2.0, 0.8, contrast)
    weld.box((150.0, 162.0), (-2.3, -2.0), contrast)
    spot, line = suggested(weld)
    assert holds(spot, 50.0, 2.0)
    assert spot.box_mm[1] - spot.box_mm[0] < 2.0  # 0.8 mm, 0.3 beside it, and the filter's reach
    assert holds(line, 151.0, -2.15)
    assert holds(line, 161.0, -2.15)
    sign = "more_radiation" if contrast > 0 else "less_radiation"
    assert spot.polarity == line.polarity == sign
    assert spot.strength > PLAN.strength


def test_one_at_the_datum_is_told_once() -> None:
    weld = Weld(grid_of(overrun=500))
    weld.box((299.0, 303.0), (1.0, 1.5), 0.05)
    (found,) = suggested(weld)
    first, last, *_ = found.box_mm
    assert 298.0 < first < 299.0
    assert 3.0 < last < 4.0


@pytest.mark.parametrize("seed", range(1, 9))
@pytest.mark.parametrize("s", [-0.1, -0.05, 0.0])
def test_a_pore_at_the_very_datum_is_told_once(s: float, seed: int) -> None:
    """What noise does to its outline may put its middle on either side of the datum."""
    weld = Weld(grid_of(overrun=500))
    for turn in (0.0, 300.0):
        weld.disc(s + turn, 2.0, 0.66, 0.04)
    (found,) = suggested(weld, weld.picture(seed))
    assert found.box_mm[0] > 298.0
    assert found.box_mm[1] < 2.0


def test_what_lies_right_across_the_weld_is_no_region() -> None:
    weld = Weld(grid_of())
    for s in (100.0, 105.0):
        weld.box((s, s + 0.4), (-9.5, 10.5), -0.03)
    assert suggested(weld) == ()


def test_nothing_is_told_of_what_was_not_measured() -> None:
    weld = Weld(grid_of())
    weld.disc(50.0, 2.0, 0.8, 0.05)
    picture = weld.picture()
    picture.values[100:140, 490:510] = 0
    picture.origin[100:140, 490:510] = Origin.NOT_COVERED
    assert suggested(weld, picture) == ()


def test_a_single_pixel_that_was_filled_in_hides_nothing() -> None:
    weld = Weld(grid_of())
    weld.disc(50.0, 2.0, 0.8, 0.05)
    picture = weld.picture()
    picture.origin[115, 507] = Origin.FILLED
    (found,) = suggested(weld, picture)
    assert holds(found, 50.0, 2.0)


def test_without_weld_or_noise_map_there_are_none() -> None:
    weld = Weld(grid_of())
    weld.disc(50.0, 2.0, 0.8, 0.05)
    unseen = replace(weld.line(), seen=np.zeros_like(weld.line().seen))
    assert suggest_regions(weld.picture(), unseen, PLAN) == ()
    assert suggested(weld, replace(weld.picture(), sigma=None)) == ()


def test_they_stand_in_the_list_only_when_asked_for() -> None:
    weld = Weld(grid_of())
    weld.disc(50.0, 2.0, 0.8, 0.05)
    told = {"picture": weld.picture(), "marks": [], "places": weld.places(), "window_mm": 300.0}
    assert measure_indications(**told, weld=weld.line()).suggestions is None
    assert len(measure_indications(**told, weld=weld.line(), suggest=PLAN).suggestions) == 1
    assert measure_indications(**told, suggest=PLAN).suggestions == ()  # no line to look along


def simulated(
    seed: int, more: tuple[Item, ...] = ()
) -> tuple[StripPicture, WeldLine, tuple[Item, ...]]:
    """The true strip of a small ring with noise as three frames leave it, and what is on it; with
    ``more`` than the simulation puts there."""
    scene = build_scene(PRESETS["small"], seed)
    for item in more:
        for stroke in item.strokes:
            stamp(scene.thickness, stroke)
    rows, columns, pitch, z_first = strip_grid(scene)
    true = 20_000 * true_strip(scene)
    noise = np.random.default_rng(seed).standard_normal(true.shape).astype(np.float32)
    noise = cv2.GaussianBlur(noise, (0, 0), 0.45)  # interpolation makes neighbours alike
    sigma = 0.0033 * np.sqrt(true * 20_000)
    values = true + sigma * noise / noise.std()
    grid = StripGrid(rows, columns, pitch, 0.0, z_first, ring=True)
    gray = np.clip(np.rint(values), 1, 65535).astype(np.uint16)
    picture = StripPicture(gray, grid, np.rint(4 * sigma).astype(np.uint16), sigma_scale=0.25)
    return picture, find_weld_line(gray, None, grid), (*scene.items, *more)


def crack(s_mm: float, length_mm: float, rng: np.random.Generator) -> Item:
    """A crack like the simulation's: 0.16 mm wide, 1.3 mm deep, wandering about the middle."""
    steps = round(length_mm / 0.7)
    run = s_mm + np.linspace(-length_mm / 2, length_mm / 2, steps)
    across = np.cumsum(rng.normal(0, 0.12, steps))
    across -= across.mean()
    points = list(zip(run.tolist(), across.tolist(), strict=True))
    stroke = stroke_through(points, 0.08, -1.3, rounded=True)
    return Item((stroke,), "crack_like", "", s_mm, 0.0, length_mm, 0.16, -1.3)


def overlaps(one: Suggestion, item: Item, turn_mm: float) -> bool:
    """Whether the item's box touches the region, 0.3 mm allowed; lines wander by half a mm."""
    first, last, low, high = one.box_mm
    along, across = item.length_mm, item.width_mm
    if item.kind == "wire":  # across the weld
        along, across = across, along
    slack = 0.3 + (0.5 if item.kind in ("slag_line", "crack_like", "undercut") else 0.0)
    off = (item.s_mm - first + turn_mm / 2) % turn_mm - turn_mm / 2
    inside = (last - first) % turn_mm
    beside = -along / 2 - 0.3 <= off <= inside + along / 2 + 0.3
    return beside and low - across / 2 - slack <= item.z_mm <= high + across / 2 + slack


@pytest.mark.parametrize("seed", [21, 23, 24])
def test_a_crack_under_or_beside_undeclared_wires_is_found(seed: int) -> None:
    """Under all seven wires of the first gauge, under two of the second, 2 mm before the third.
    Of 54 such cracks on 18 rings 52 were found, 6 of them only by the fainter limit."""
    preset, rng = PRESETS["small"], np.random.default_rng(seed)
    turn, spacing = np.pi * preset.shape.diameter_mm, preset.layout.wire_spacing_mm
    first, second, third = (part * turn for part in GAUGE_TURNS)
    cracks = (
        crack(first + 3 * spacing, 14.0, rng),
        crack(second + spacing, 8.0, rng),
        crack(third - 6.0, 8.0, rng),
    )
    picture, line, _ = simulated(seed, cracks)
    found = suggest_regions(picture, line, PLAN)
    at = picture.grid.columns * picture.grid.pitch_mm
    assert all(any(overlaps(one, item, at) for one in found) for item in cracks)


@pytest.mark.parametrize(("z", "found"), [(2.0, 1), (4.6, 0)])
def test_what_is_fainter_counts_only_between_the_toes(z: float, found: int) -> None:
    """A spot that stands out by 6.6 standard deviations, in the cap and at its toe at z = 5."""
    fainter = None
    for contrast in (0.05, 0.05 * 6.6):
        weld = Weld(grid_of())
        weld.disc(50.0, z, 0.8, contrast if fainter is None else contrast / fainter)
        told = suggest_regions(weld.picture(), weld.line(), PLAN)
        fainter = max((one.strength for one in told), default=None)
    assert len(told) == found


def test_simulated_lines_and_pores_are_found_and_little_else() -> None:
    """On 22 small and five 24-inch rings pores of 0.5 mm and more were found in 441 of 444 cases,
    lines, cracks and undercuts in 174 of 175; false was one in 17.5 m. This is one of the small
    ones, 0.36 m: one that lies at the limit may be missed."""
    picture, line, items = simulated(11)
    turn = picture.grid.columns * picture.grid.pitch_mm
    suggestions = suggest_regions(picture, line, PLAN)
    wanted = [
        item
        for item in items
        if item.kind in INDICATIONS and (item.kind != "pore" or item.width_mm >= 0.5)
    ]
    found = [item for item in wanted if any(overlaps(one, item, turn) for one in suggestions)]
    assert len(wanted) >= 15
    assert len(found) >= len(wanted) - 1
    false = [one for one in suggestions if not any(overlaps(one, item, turn) for item in items)]
    assert len(false) <= 1
