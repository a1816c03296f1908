"""The beam's shape told apart from a panel's gain that is itself uneven."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.beam import Beam, scan_beam, separate_beam, with_beam
from pipeline.calibration.levels import Level
from pipeline.errors import CalibrationError
from pipeline.geometry import Panel, ScanGeometry, relative_flux
from pipeline.kernels.flat_field import flat_field_curved
from pipeline.model import FloatImage
from tests.stages.invented import calibration_of

ROWS, COLUMNS, PITCH_MM = 384, 512, 0.3
RNG = np.random.default_rng(2)
U = (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * PITCH_MM
V = ((np.arange(ROWS) - (ROWS - 1) / 2) * PITCH_MM)[:, None]
GAIN = RNG.normal(1, 0.012, (ROWS, COLUMNS)) * (1 + 0.05 * np.cos(U / 40) * np.sin(V / 30 + 1))


def beam(distance_mm: float, foot: tuple[float, float], heel: tuple[float, ...]) -> np.ndarray:
    """The definition, written out again."""
    across, down = (U - foot[0]) / distance_mm, (V - foot[1]) / distance_mm
    plain = distance_mm**3 / (distance_mm**2 + (U - foot[0]) ** 2 + (V - foot[1]) ** 2) ** 1.5
    bent = heel[0] * across + heel[1] * down + heel[2] * across**2 + heel[3] * down**2
    return plain * np.exp(bent)


def levels(
    distances: tuple[float, ...],
    foot: tuple[float, float] = (0.0, 0.0),
    heel: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0),
) -> list[Level]:
    made = []
    for distance in distances:
        signal = GAIN * beam(distance, foot, heel)
        signal *= 20_000 * (300 / distance) ** 2 / np.median(signal)
        signal += RNG.normal(0, 1, signal.shape) * np.sqrt((0.9 * signal + 144) / 20)
        made.append(Level(1.0, 20, signal.astype(np.float32), float(np.median(signal)), distance))
    return made


def worst_cell(signal: FloatImage) -> float:
    """Largest relative error against the true gain, of means over 32×32 pixels."""
    ratio = signal / GAIN
    cells = (ratio / ratio.mean()).reshape(ROWS // 32, 32, COLUMNS // 32, 32).mean(axis=(1, 3))
    return float(np.abs(cells - 1).max())


@pytest.mark.parametrize(
    ("foot", "heel"),
    [((0, 0), (0, 0, 0, 0)), ((4, -7), (0.2, 0.05, -0.1, 0.1)), ((-9, 3), (-0.3, 0, 0, 0))],
)
def test_two_distances_tell_foot_and_heel(
    foot: tuple[float, float], heel: tuple[float, ...]
) -> None:
    made = levels((300, 600, 300), foot, heel)
    before = worst_cell(made[0].signal)
    plain, found = separate_beam(made, len(made), PITCH_MM)
    assert found.residual is not None and found.residual < 1e-3
    # A cell's sample is known to 6 % of 1.5 % gain scatter, which cancels, and of noise
    # (0.7 to 1.4e-3 a pixel): 1e-4; six parameters from 192 cells; foot against heel magnify it.
    for level in plain:
        assert worst_cell(level.signal) < 2.5e-3
    assert before > 0.07
    assert [level.median for level in plain] == [level.median for level in made]


def test_one_distance_gives_what_geometry_says() -> None:
    made = levels((300,))
    plain, found = separate_beam(made, 1, PITCH_MM)
    assert found == Beam(300, (COLUMNS - 1) / 2, (ROWS - 1) / 2)
    # Noise of a cell's mean: 1.5e-3/32; worst of 192: four of these.
    assert worst_cell(plain[0].signal) < 2e-4
    assert found.facts()["source_distance_mm"] == 300
    assert "residual" not in found.facts()


def test_flats_that_differ_by_more_than_distance_are_refused() -> None:
    near, far = levels((300, 600))
    far.signal[:, 300:] *= 0.9
    with pytest.raises(CalibrationError, match=r"300 and 600 mm differ by more than distance"):
        separate_beam([near, far], 2, PITCH_MM)


def test_a_level_without_its_distance_is_a_fault_of_the_caller() -> None:
    with pytest.raises(ValueError, match="no source distance"):
        separate_beam([replace(levels((300,))[0], distance_mm=None)], 1, PITCH_MM)


PANEL = Panel(ROWS, COLUMNS, PITCH_MM)
SCAN = ScanGeometry(radius_mm=250, standoff_mm=10, source_x_mm=3)


def test_a_calibration_without_beam_serves_a_scan_as_flats_shot_there_do() -> None:
    """Gain from flats at 600 mm, the beam of a scan from 260 mm put back."""
    plain, found = separate_beam(levels((600,)), 1, PITCH_MM)
    gain = plain[0].signal / np.float32(plain[0].median)
    made = replace(calibration_of(PANEL, beam=found.facts()), gain=gain)
    served = with_beam(made, scan_beam(SCAN, PANEL))
    u, v = PANEL.to_plane(np.arange(COLUMNS)[None, :], np.arange(ROWS)[:, None])
    there = relative_flux(SCAN, (0.0, 0.0, 0.0), u, v)  # told source: on the axis
    expected = GAIN * there
    ratio = served.gain / expected
    # Noise of one pixel of the far flats, 5000 GV: √((4500 + 144)/20)/5000 = 3.05e-3.
    assert np.std(ratio) / np.mean(ratio) < 3.4e-3
    cells = ratio.reshape(ROWS // 32, 32, COLUMNS // 32, 32).mean(axis=(1, 3))
    # A cell's mean 3.05e-3/32 = 1e-4; range of 192 of them: 5.5.
    assert np.ptp(cells) / np.mean(cells) < 8e-4
    assert served.identity == made.identity


def test_a_gain_with_its_beam_is_left_as_it_is() -> None:
    made = calibration_of(PANEL)
    assert with_beam(made, scan_beam(SCAN, PANEL)) is made


def test_curvature_goes_over_to_the_new_gain() -> None:
    curvature = RNG.normal(0, 2e-6, GAIN.shape).astype(np.float32)
    made = replace(
        calibration_of(PANEL, beam={"source_distance_mm": 600.0}, linearity={"reference_gv": 1e4}),
        gain=GAIN.astype(np.float32),
        curvature=curvature,
    )
    flux = scan_beam(SCAN, PANEL)
    served = with_beam(made, flux)
    raw = np.full(GAIN.shape, 15_000, np.uint16)
    results = []
    for one in (made, served):
        out = np.empty(GAIN.shape, np.float32)
        assert one.curvature is not None
        flat_field_curved(raw, one.dark, 1 / one.gain, one.curvature, np.float32(1e4), out)
        results.append(out)
    # The same exposure but for the beam; some roundings of float32.
    relative = flux / np.median(flux)
    np.testing.assert_allclose(results[1] * relative, results[0], rtol=2e-6)
