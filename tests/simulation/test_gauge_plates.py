from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from pipeline.calibration.duplex import measure_duplex
from pipeline.simulation.gauge_plates import DotPlate, DuplexGauge, StepWedge, wire_transmission
from pipeline.simulation.layout import DUPLEX_MM
from pipeline.simulation.spectrum import attenuation_per_mm, panel_signal
from tests.calibration import duplex_theory

SHAPE = (224, 704)
PITCH_MM = 0.1
KV = 120.0


@pytest.fixture(scope="module")
def duplex() -> np.ndarray:
    return DuplexGauge(82.0, 112.0).dose(SHAPE, PITCH_MM, 0.6, KV)


def test_wires_take_away_what_their_material_does() -> None:
    passed = wire_transmission(5, KV)
    assert passed[0] == 1
    assert (np.diff(passed) < 0).all()
    # One energy would give a straight line; a spectrum hardens, so the logarithm bends upwards,
    # and lies between what the most and the least penetrating energies that count would do
    # (just below platinum's K edge at 78.4 keV it attenuates least).
    fall = -np.diff(np.log(passed)) / 0.002
    assert (np.diff(fall) < 0).all()
    low, high = (float(attenuation_per_mm("Pt", 21.45, energy)) for energy in (78.0, 40.0))
    assert low < fall[-1] < fall[0] < high
    assert (wire_transmission(0, KV) != passed).any()  # tungsten


def test_the_gauge_takes_away_what_its_wires_hold(duplex: np.ndarray) -> None:
    """Summed over a row, blur and sampling take nothing away: 1 − dose is the wires' own."""
    table = np.linspace(0, 0.8, 401)
    expected = 0.0
    for number, diameter in enumerate(DUPLEX_MM):
        x = (np.arange(4000) + 0.5) / 4000 * diameter - diameter / 2
        chord = 2 * np.sqrt((diameter / 2) ** 2 - x**2)
        lost = 1 - np.interp(chord, table, wire_transmission(number, KV))
        expected += 2 * lost.mean() * diameter / PITCH_MM / np.cos(np.radians(3.0))
    for row in (80, 112, 140):
        # Parts of 1/16 px: the thinnest wires' round ends are drawn to some per cent.
        assert (1 - duplex[row].astype(float)).sum() == pytest.approx(expected, rel=0.003)
    assert duplex[:30].min() == duplex[-30:].min() == 1.0


def test_wires_lie_where_the_truth_says(duplex: np.ndarray) -> None:
    gauge = DuplexGauge(82.0, 112.0)
    for offset in (-40, 0, 40):
        row = 1 - duplex[112 + offset].astype(float)
        for centre in gauge.pair_columns(PITCH_MM):
            there = centre + offset * np.tan(np.radians(3.0))
            columns = np.arange(round(there) - 20, round(there) + 21)
            assert np.average(columns, weights=row[columns]) == pytest.approx(there, abs=0.1)


@pytest.mark.parametrize("blur_px", [0.45, 0.6, 0.8])
def test_the_gauge_shows_the_sr_b_of_its_blur(blur_px: float) -> None:
    """Theory takes thin wires only: of the pairs round 20 %, all are platinum."""
    picture = DuplexGauge(82.0, 112.0).dose(SHAPE, PITCH_MM, blur_px, KV) * np.float32(20000)
    found = measure_duplex(picture, pitch_mm=PITCH_MM)
    table = np.linspace(0, 0.8, 401)

    def passed(chord_mm: np.ndarray) -> np.ndarray:
        return np.interp(chord_mm, table, wire_transmission(5, KV))

    truth = duplex_theory.sr_b_mm(blur_px * PITCH_MM, PITCH_MM, passed)
    # Steps of 1/8 px in the profile and of 1/16 px in the drawing: σ² + (0.0125² + 0.00625²)/12.
    assert found.sr_b_mm == pytest.approx(truth, rel=0.007)


@pytest.mark.parametrize("bend_px", [0.0, 1.0])
def test_dots_lie_where_the_truth_says(bend_px: float) -> None:
    plate = DotPlate(spacing_mm=3.0, dot_mm=1.0, corner_bend_px=bend_px, roll_deg=5.0)
    dose = plate.dose(SHAPE, PITCH_MM, 0.6)
    dots = plate.dots(SHAPE, PITCH_MM)
    assert len(dots) > 100
    for _, _, column, row in dots:
        if not (14 < column < 690 and 14 < row < 210):
            continue
        columns = np.arange(round(column) - 10, round(column) + 11)
        rows = np.arange(round(row) - 10, round(row) + 11)
        lost = 1 - dose[np.ix_(rows, columns)].astype(float)
        # A centroid of the drawn disc, parts of 1/4 px with soft edges.
        assert np.average(columns, weights=lost.sum(axis=0)) == pytest.approx(column, abs=0.01)
        assert np.average(rows, weights=lost.sum(axis=1)) == pytest.approx(row, abs=0.01)
    # π/4 mm² seen 1.048² larger on 0.01 mm² pixels, of which 65 % is taken away.
    assert lost.sum() == pytest.approx(0.65 * np.pi / 4 * (700 / 668) ** 2 / 0.01, rel=0.02)


def test_the_plates_projection_is_one_through_the_source() -> None:
    """Rays traced one by one, from the plate's points in space to the panel's plane."""
    plate = DotPlate(corner_bend_px=0.0)
    matrix = plate.homography(SHAPE, PITCH_MM)
    a, b, c = (np.radians(v) for v in (1.5, -0.8, 0.35))
    rolled = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0]])
    axis = np.cross([0, 0, 1.0], [-np.tan(a), -np.tan(b), 1.0])
    angle = np.arctan(np.hypot(np.tan(a), np.tan(b)))
    turn, _ = cv2.Rodrigues(axis / np.linalg.norm(axis) * angle)
    origin = np.array([3.4 * PITCH_MM, -2.7 * PITCH_MM, 700.0]) * 668 / 700
    for x, y in ((0.0, 0.0), (20.0, -7.0), (-30.0, 10.0)):
        point = origin + turn @ (x * rolled[0] + y * rolled[1])
        on_panel = point[:2] * 700 / point[2] / PITCH_MM + np.array([703, 223]) / 2
        seen = matrix @ np.array([x, y, 1.0])
        np.testing.assert_allclose(seen[:2] / seen[2], on_panel, atol=1e-9)


def test_the_wedge_has_its_steps() -> None:
    wedge = StepWedge((2.0, 5.0, 9.0))
    dose = wedge.dose((200, 600), 0.6, KV)
    edges = wedge.step_columns(600)
    assert len(edges) == 4
    expected = panel_signal(KV, np.array([0.0, 2.0, 5.0, 9.0]))
    for number, thickness in enumerate(expected[1:] / expected[0]):
        middle = (edges[number] + edges[number + 1]) // 2
        assert dose[100, middle] == pytest.approx(thickness, rel=1e-5)
    assert dose[10, 300] == dose[100, 5] == 1.0


def test_a_smaller_or_turned_gauge_is_drawn_too() -> None:
    upright = replace(DuplexGauge(60.0, 100.0), tilt_deg=0.0, length_mm=6.0)
    dose = upright.dose((200, 680), PITCH_MM, 0.6, KV)
    assert np.ptp(dose[90:110], axis=0).max() < 1e-6  # no tilt: every row alike
    assert (dose[:50] == 1).all()
