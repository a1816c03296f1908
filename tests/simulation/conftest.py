"""One short scan of the small weld, made once for all tests of the simulation."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.simulation.presets import Preset, get_preset
from pipeline.simulation.scan import Scene, build_scene


@pytest.fixture(scope="session")
def short_preset() -> Preset:
    small = get_preset("small")
    return replace(
        small,
        carriage=replace(small.carriage, stops=4, slips=1),
        dark_frames=3,
        flat_frames=2,
    )


@pytest.fixture(scope="session")
def scene(short_preset: Preset) -> Scene:
    return build_scene(short_preset, 7)
