from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.geometry import Arrangement
from pipeline.simulation.presets import PRESETS, get_preset


def test_presets_are_found_by_their_own_names() -> None:
    assert list(PRESETS) == [
        *("small", "two_wall", "arc", "ring24", "hard24", "tilted24", "continuous24"),
    ]
    for name in PRESETS:
        assert get_preset(name).name == name


def test_an_unknown_name_is_answered_with_all_names() -> None:
    with pytest.raises(
        InputError,
        match=r"no preset 'ring42'; expected one of small, .*, panel\. Did you mean 'ring24'",
    ):
        get_preset("ring42")
    with pytest.raises(InputError, match="expected one of small"):
        get_preset("")


@pytest.mark.parametrize("preset", PRESETS.values(), ids=PRESETS)
def test_scans_hang_together(preset) -> None:
    geometry, panel, carriage = preset.geometry, preset.panel, preset.carriage
    assert geometry.radius_mm == preset.shape.diameter_mm / 2
    span = carriage.stops * carriage.step_mm
    if preset.ring:  # the last frame stands one step before the first
        assert span == pytest.approx(geometry.circumference_mm, rel=1e-12)
    else:
        assert span < geometry.circumference_mm
    # Neighbours must overlap by a good part even after the largest slip.
    width = panel.columns * panel.pitch_mm * preset.half_height_mm
    width /= panel.rows * panel.pitch_mm / 2
    assert carriage.step_mm + carriage.slip_mm < 0.7 * width
    assert (geometry.source_distance_mm > geometry.radius_mm) == (
        geometry.arrangement is Arrangement.TWO_WALL
    )
    # Everything that is laid beside the weld is on the panel.
    assert preset.layout.tick_z_mm > preset.shape.cap_half_width_mm
    highest = preset.layout.tick_z_mm + preset.layout.tick_mm + 1.25 * preset.layout.digit_mm
    lowest = -preset.layout.duplex_z_mm + preset.layout.duplex_length_mm / 2
    assert max(highest, lowest) < preset.half_height_mm - 0.5
    assert preset.base_gv * 1.3 < 60000


def test_the_full_ring_is_the_one_that_was_asked_for() -> None:
    preset = get_preset("ring24")
    assert (preset.panel.rows, preset.panel.columns) == (1152, 1536)
    assert (preset.carriage.stops, len(preset.carriage.ramp_kv)) == (60, 4)
    assert preset.shape.wall_mm == 12.7
    offset = math.hypot(preset.geometry.source_x_mm, preset.geometry.source_y_mm)
    assert offset == pytest.approx(3.0)
    hard = get_preset("hard24").geometry
    assert math.hypot(hard.source_x_mm, hard.source_y_mm) == pytest.approx(8.0)
    assert get_preset("continuous24").carriage.stops == 400


def test_the_hard_ring_stands_off_by_more_and_less_all_the_way_round() -> None:
    hard = get_preset("hard24").geometry
    lift = np.asarray(hard.lift_mm(np.linspace(0, 2 * math.pi, 361)))
    assert lift.min() == pytest.approx(-1.5, abs=0.1)
    assert lift.max() == pytest.approx(1.5, abs=0.1)
    uneven = {name for name, preset in PRESETS.items() if preset.geometry.lift_off_mm}
    assert uneven == {"hard24", "tilted24"}
