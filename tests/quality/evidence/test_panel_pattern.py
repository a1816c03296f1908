"""A frame belongs to the panel whose pixel pattern it shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.model import FloatImage, RawImage
from pipeline.quality.evidence.panel_pattern import PatternMatch, match_pattern, panel_pattern
from pipeline.simulation.detector import Detector, DetectorPlan, make_detector, record, respond
from tests.quality.evidence.welds import make_job, weld_thickness

_SIDE = 384


@dataclass(frozen=True)
class Panel:
    """A panel and the calibration that averaged exposures of it give."""

    detector: Detector
    dark: FloatImage
    gain: FloatImage


def make_panel(seed: int) -> Panel:
    rng = np.random.default_rng(seed)
    detector = make_detector(_SIDE, _SIDE, DetectorPlan(), rng)
    flat = respond(detector, np.full((_SIDE, _SIDE), 18000.0, np.float32))
    mean = np.mean([record(detector, flat, [], rng).astype(np.float32) for _ in range(8)], axis=0)
    signal = mean - detector.dark
    return Panel(detector, detector.dark, (signal / np.median(signal)).astype(np.float32))


@pytest.fixture(scope="module")
def panels() -> tuple[Panel, Panel]:
    return make_panel(1), make_panel(2)


@pytest.fixture(scope="module")
def metal() -> FloatImage:
    """A weld's shadow, magnified onto the panel, on other rows than where others lie."""
    job = make_job("small")
    thickness = np.kron(weld_thickness(job, 1)[:, :200], np.ones((6, 2)))[:_SIDE, :_SIDE]
    return (9000 * np.exp(-0.055 * (thickness - job.shape.wall_mm))).astype(np.float32)


def shoot(panel: Panel, metal: FloatImage, *, share: float = 1.0) -> RawImage:
    rng = np.random.default_rng(9)
    return record(panel.detector, respond(panel.detector, share * metal), [], rng)


def match(raw: RawImage, panel: Panel) -> PatternMatch:
    return match_pattern(
        raw,
        panel.dark,
        panel_pattern(panel.gain),
        panel.detector.classes,
        saturation_gv=65000,
    )


@pytest.mark.parametrize("share", [0.1, 0.3, 1.0])
def test_a_frame_shows_its_own_panel_and_no_other(
    panels: tuple[Panel, Panel], metal: FloatImage, share: float
) -> None:
    """At a tenth of the dose too, where noise is several times the pattern."""
    raw = shoot(panels[0], metal, share=share)
    assert match(raw, panels[0]).belongs
    stranger = match(raw, panels[1])
    assert stranger.told
    assert not stranger.belongs
    assert abs(stranger.sigmas) < 5


def test_the_correlation_is_what_numpy_finds(panels: tuple[Panel, Panel]) -> None:
    """On an even exposure without any metal the pattern is nearly all there is besides noise."""
    raw = shoot(panels[0], np.full((_SIDE, _SIDE), 30000.0, np.float32))
    panel = panels[0]
    good = panel.detector.classes == 0
    signal = np.log(raw.astype(np.float64) - panel.dark, where=good, out=np.zeros(raw.shape))
    gain = np.log(panel.gain, where=good, out=np.zeros(raw.shape))
    # Differences of pixels two columns apart: another high-pass than the one under test.
    both = good[:, 2:] & good[:, :-2]
    one, other = (image[:, 2:] - image[:, :-2] for image in (signal, gain))
    expected = float(np.corrcoef(one[both], other[both])[0, 1])
    assert match(raw, panel).correlation == pytest.approx(expected, abs=0.05)


def test_where_nothing_can_be_told_it_says_so(panels: tuple[Panel, Panel]) -> None:
    panel = panels[0]
    even = Panel(panel.detector, panel.dark, np.ones((_SIDE, _SIDE), np.float32))
    raw = shoot(panel, np.full((_SIDE, _SIDE), 9000.0, np.float32))
    assert not match(raw, even).told  # the panel corrects itself
    assert not match(np.full((_SIDE, _SIDE), 65535, np.uint16), panel).told  # saturated
    assert not match(np.zeros((_SIDE, _SIDE), np.uint16), panel).told  # dark
