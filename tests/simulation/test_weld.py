from __future__ import annotations

import numpy as np
import pytest

from pipeline.simulation.features import stamp
from pipeline.simulation.layout import DUPLEX_MM, WIRES_MM
from pipeline.simulation.presets import get_preset
from pipeline.simulation.scan import Scene
from pipeline.simulation.thickness import empty_map
from pipeline.simulation.weld import add_weld


@pytest.fixture(scope="module")
def plain() -> np.ndarray:
    """The small weld without anything laid on it: rows of thickness."""
    target = empty_map(359.1, 12.0)
    add_weld(target, get_preset("small").shape, np.random.default_rng(6))
    return target.values


def test_plate_is_as_thick_as_the_wall_and_not_blank(plain: np.ndarray) -> None:
    plate = plain[:40]
    # The wall drifts by 0.05 mm over the ring, four draws or so: its mean by half of that.
    assert plate.mean() == pytest.approx(6.0, abs=0.1)
    texture = plate - plate.mean(axis=1, keepdims=True)
    assert 0.02 < texture.std() < 0.12


def test_the_cap_is_highest_in_the_middle_and_the_root_lies_below_it(plain: np.ndarray) -> None:
    middle = plain.shape[0] // 2
    assert plain[middle].mean() == pytest.approx(6.0 + 1.4 + 0.9, abs=0.2)
    beside_the_root = plain[middle + 60].mean()  # 3 mm
    assert 6.5 < beside_the_root < plain[middle].mean()


def test_the_ring_closes_without_a_step(plain: np.ndarray) -> None:
    across = np.abs(plain[:, 0] - plain[:, -1])
    inside = np.abs(np.diff(plain, axis=1)).max(axis=1)
    assert (across <= inside).all()


def test_ripples_are_not_quite_regular(plain: np.ndarray) -> None:
    line = plain[plain.shape[0] // 2 + 50].astype(float)
    power = np.abs(np.fft.rfft(line - line.mean())) ** 2
    ripples = power[150:450]  # 359 mm with 1.4 mm a ripple: about 256 of them
    assert ripples.max() / ripples.sum() < 0.2


def test_everything_that_belongs_on_a_weld_is_there(scene: Scene) -> None:
    kinds = {item.kind for item in scene.items}
    assert kinds == {
        "tick", "lead_text", "wire", "duplex", "pore", "slag_line", "crack_like", "undercut",
        "spatter",
    }  # fmt: skip
    wires = [item for item in scene.items if item.kind == "wire"]
    assert len(wires) == 3 * len(WIRES_MM)
    assert len([i for i in scene.items if i.kind == "duplex"]) == 3 * len(DUPLEX_MM)
    ring = scene.preset.geometry.circumference_mm
    first = sorted(wire.s_mm for wire in wires if wire.name == "W10")
    # Three gauges share the ring about equally: no gap wider than 40 % of it.
    assert max(np.diff([*first, first[0] + ring])) < 0.4 * ring
    numbers = [i.name for i in scene.items if i.kind == "lead_text" and i.name.isdigit()]
    assert numbers == ["0", "10", "20", "30"]
    ticks = [item.s_mm for item in scene.items if item.kind == "tick"]
    np.testing.assert_allclose(ticks, 10.0 * np.arange(len(ticks)))
    assert len(ticks) == 36


@pytest.mark.parametrize("kind", ["pore", "tick", "wire", "duplex", "spatter"])
def test_things_are_where_the_truth_says(scene: Scene, kind: str) -> None:
    for item in [item for item in scene.items if item.kind == kind][1:4]:
        alone = empty_map(scene.preset.geometry.circumference_mm, 14.0)
        for stroke in item.strokes:
            stamp(alone, stroke)
        steel = alone.values.astype(float)
        centre_s = (steel.sum(axis=0) @ alone.s_mm()) / steel.sum()
        centre_z = (steel.sum(axis=1) @ alone.z_mm()) / steel.sum()
        # A tenth of the fine drawing step, 0.0125 mm.
        assert centre_s == pytest.approx(item.s_mm, abs=0.00125)
        assert centre_z == pytest.approx(item.z_mm, abs=0.00125)
        # Blur lowers what is about as wide as itself; nothing rises above its depth.
        extreme = steel.min() if item.depth_mm < 0 else steel.max()
        assert 0 < extreme / item.depth_mm < 1.0001


def test_the_scene_is_weld_and_items_together(scene: Scene, plain: np.ndarray) -> None:
    lead = max(item.depth_mm for item in scene.items if item.kind == "tick")
    assert scene.thickness.values.max() > 6.0 + 0.9 * lead
    assert scene.thickness.values.min() > 0
    assert plain.max() < 6.0 + 0.9 * lead
