"""Calibrations from more than plain darks and flats: states, sequences, distances, odd frames."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from pipeline.calibration.acceptance import remarks
from pipeline.calibration.build import BuildPlan, Conditions, build_calibration
from pipeline.calibration.dark_states import dark_at
from pipeline.calibration.product import CalibrationSet, DarkConditions, content_identity
from pipeline.calibration.step_off import LagPlan
from pipeline.errors import CalibrationError
from pipeline.model import PixelClass
from tests.calibration.simulated_panel import (
    BRIGHT_GV,
    READ_GV,
    SLOPE_GV,
    SimulatedExposures,
    SimulatedPanel,
)

COLD, USUAL, HOT = (DarkConditions(warm, 2.0) for warm in (10.0, 20.0, 30.0))


def build(panel: SimulatedPanel, darks: list, flats: list, **options: object) -> CalibrationSet:
    return build_calibration(
        darks,
        flats,
        rows=panel.rows,
        columns=panel.columns,
        saturation_gv=65_000,
        conditions=Conditions("P-1"),
        **options,
    )


@dataclass
class Changed:
    """Exposures whose frames are changed after they were made: ``change(index, raw float)``."""

    plain: SimulatedExposures
    change: Callable[[int, np.ndarray], np.ndarray]
    conditions: DarkConditions = field(default_factory=DarkConditions)
    source_distance_mm: float | None = None

    @property
    def frames(self) -> int:
        return self.plain.frames

    @property
    def dose(self) -> float | None:
        return self.plain.dose

    def name(self, index: int) -> str:
        return self.plain.name(index)

    def read(self, index: int, out: np.ndarray) -> None:
        self.plain.read(index, out)
        out[:] = np.clip(np.rint(self.change(index, out.astype(np.float64))), 0, 65_535)


def std(values: np.ndarray) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


# Dark states.


def warm_dark(panel: SimulatedPanel, conditions: DarkConditions, frames: int) -> Changed:
    """20 GV/s at 20 °C, doubling in 7 °C, each pixel's own current with 30 % scatter."""
    current = np.random.default_rng(9).normal(20, 6, panel.dark.shape)
    assert conditions.temperature_c is not None and conditions.frame_time_s is not None
    more = conditions.frame_time_s * current * 2 ** ((conditions.temperature_c - 20) / 7)
    seed = 1000 + int(10 * conditions.temperature_c + 100 * conditions.frame_time_s)
    plain = replace(panel.darks(frames), seed=seed)
    return Changed(plain, lambda _, raw: raw + more, conditions)


def test_darks_at_several_temperatures_become_states_and_serve_between_them() -> None:
    panel = SimulatedPanel(192, 256, seed=3)
    sets = [warm_dark(panel, one, 20) for one in (USUAL, COLD, HOT)]
    flats = Changed(panel.flats(8), sets[0].change, USUAL)
    made = build(panel, [*sets, warm_dark(panel, USUAL, 4)], [flats])
    assert made.facts.dark_conditions == USUAL
    assert made.facts.dark_states == (COLD, HOT)
    assert made.facts.acceptance["dark_frames"] == 24  # like conditions are one state
    assert made.identity == content_identity(
        made.facts, made.dark, made.gain, made.classes, dark_states=made.dark_states
    )
    good = made.classes == 0
    assert np.mean(~good) < 2e-4
    truth = warm_dark(panel, DarkConditions(25.0, 2.0), 1).change(0, panel.dark.astype(float))
    error = (dark_at(made, 25, 2) - truth)[good]
    # At the read-noise limit of 20 frames (two states of them), each rounded to whole GV.
    assert std(error) < 1.1 * np.hypot(READ_GV, 12**-0.5) / np.sqrt(20)
    # The panel's growth is measured on means known to 1/√(20·49152) GV; the search's step of 2.3 %
    # leaves 0.2 % of the rise of 68 GV.
    assert abs(np.median(error)) < 0.2


# Frames that don't belong.


def leak(index: int, raw: np.ndarray) -> np.ndarray:
    raw[30:90, 40:120] += 60 * (index == 7)
    return raw + 80 * 0.4**index * (index < 2)


def test_odd_frames_are_left_out_by_name_and_leave_no_trace() -> None:
    panel = SimulatedPanel(192, 256, seed=5)
    clean = build(panel, [panel.darks(12)], [panel.flats(12)])
    made = build(
        panel,
        [Changed(panel.darks(12), leak)],
        [Changed(panel.flats(12), lambda k, raw: raw * (0.7 if k == 3 else 1.0))],
    )
    told = {one["file"]: one["reason"] for one in made.facts.rejected}
    assert list(told) == ["dark 0", "dark 1", "dark 7", "flat 3"]
    assert [why.split(":")[0] for why in told.values()] == [
        "afterglow",
        "afterglow",
        "light_leak",
        "other_dose",
    ]
    assert made.facts.acceptance["dark_frames"] == 9
    assert made.facts.acceptance["flat_frames"] == 11
    # Means of 9 and of 12 of the same frames differ by READ_GV·√(1/9 − 1/12).
    assert std(made.dark - clean.dark) == pytest.approx(READ_GV * (1 / 36) ** 0.5, rel=0.1)
    assert abs(np.median(made.dark - clean.dark)) < 0.05
    assert any("dark 7" in remark for remark in remarks(made.facts))


def test_a_flat_with_an_object_is_left_out_with_its_place() -> None:
    panel = SimulatedPanel(192, 256, seed=5)

    def shadow(index: int, raw: np.ndarray) -> np.ndarray:
        raw[96:144, 32:80] *= 0.85 if index == 2 else 1
        return raw

    made = build(panel, [panel.darks(6)], [Changed(panel.flats(8), shadow)])
    assert [one["file"] for one in made.facts.rejected] == ["flat 2"]
    assert "object: something in the beam, rows 96–143, columns 32–79" in str(made.facts.rejected)


@pytest.mark.parametrize(
    ("change_dark", "change_flat", "said"),
    [
        (lambda k, raw: raw + 90 * (k % 2), None, r"darks: .*(frames are not like|scatter by)"),
        (
            lambda k, raw: raw + 90 * (k > 4),
            None,
            r"darks: 3 of 8 frames differ from the set's median",
        ),
        (None, lambda k, raw: raw * (1 + k % 2), r"flats: 8 of 8 frames .*other_dose"),
        (None, lambda k, raw: raw * (1 + 0.3 * (k % 2)), r"flats: \d of 8 frames .*other_dose"),
    ],
)
def test_mixed_sets_are_refused(change_dark: object, change_flat: object, said: str) -> None:
    panel = SimulatedPanel(64, 96, seed=5)
    plain = lambda _, raw: raw  # noqa: E731
    with pytest.raises(CalibrationError, match=said):
        build(
            panel,
            [Changed(panel.darks(8), change_dark or plain)],
            [Changed(panel.flats(8), change_flat or plain)],
        )


def test_sets_of_one_dose_that_differ_are_refused() -> None:
    panel = SimulatedPanel(64, 96, seed=5)
    with pytest.raises(CalibrationError, match="flats at dose 2: sets of this dose show"):
        build(panel, [panel.darks(4)], [panel.flats(4, dose=2), panel.flats(4, 9e3, dose=2)])


def test_flats_of_another_gain_mode_are_refused() -> None:
    """Half the gain: half the signal and a quarter of the variance, as twice the electrons."""
    panel = SimulatedPanel(192, 256, seed=5)

    def halved(_: int, raw: np.ndarray) -> np.ndarray:
        return panel.dark + (raw - panel.dark) / 2

    mixed = Changed(panel.flats(6, 2 * BRIGHT_GV, dose=2), halved)
    with pytest.raises(CalibrationError, match=r"noise of the flats at dose \d .*gain mode"):
        build(panel, [panel.darks(4)], [panel.flats(6, BRIGHT_GV / 2, dose=1), mixed])


# Step-off sequences.


def sequence(panel: SimulatedPanel, fractions: tuple[float, ...], extra: np.ndarray) -> Changed:
    """Four lit frames of a panel that was lit before, then five dark ones."""
    lit = BRIGHT_GV * panel.response
    left = [0.0] * 4 + [sum(fractions[k:]) for k in range(len(fractions))] + [0.0] * 9

    def change(index: int, raw: np.ndarray) -> np.ndarray:
        if index < 4:
            return raw + lit * (1 + sum(fractions))
        return raw + lit * (left[index] + extra * (index == 4))

    return Changed(replace(panel.darks(9), seed=77), change)


@pytest.mark.parametrize("fractions", [(0.003, 0.001), (0.04, 0.01)])
def test_lag_and_persistent_pixels_come_from_a_step_off(fractions: tuple[float, float]) -> None:
    panel = SimulatedPanel(384, 512, seed=3)
    (places,) = panel.choose(50)
    extra = np.zeros(panel.dark.shape)
    extra[places] = 0.15
    made = build(
        panel,
        [panel.darks(20)],
        [panel.flats(10)],
        step_offs=[sequence(panel, fractions, extra)],
        plan=BuildPlan(lag=LagPlan(2, (3, 4))),
    )
    # Issue: within 5 %. Noise: 192 cells of 400 samples of 4 GV: 0.015 GV of the 20 GV of the
    # second fraction; the mean dark's common error adds as much.
    assert made.facts.lag_fractions == pytest.approx(fractions, rel=0.02)
    figures = made.facts.acceptance
    total = sum(fractions)
    assert figures["lag_first_frame"] == pytest.approx(total / (1 + total), rel=0.02)
    assert figures["lag_second_frame"] == pytest.approx(fractions[1] / (1 + total), rel=0.02)
    regions = np.array(made.facts.lag_regions)
    assert regions.shape == (3, 4)
    np.testing.assert_allclose(regions, figures["lag_first_frame"], rtol=0.05)
    assert made.facts.lag_shares == ()  # alike everywhere
    found = (made.classes & np.uint8(PixelClass.PERSISTENT)) != 0
    assert found[places].all()
    assert np.count_nonzero(found) - 50 <= 2e-4 * found.size
    assert made.facts.bad_pixels["persistent"] == np.count_nonzero(found)


def test_several_sequences_are_averaged_and_a_bad_one_is_named() -> None:
    panel = SimulatedPanel(96, 128, seed=3)
    none = np.zeros(panel.dark.shape)
    made = build(
        panel,
        [panel.darks(20)],
        [panel.flats(4)],
        step_offs=[sequence(panel, fractions, none) for fractions in ((0.02, 0.0), (0.04, 0.0))],
    )
    assert made.facts.lag_fractions[0] == pytest.approx(0.03, rel=0.02)
    with pytest.raises(CalibrationError, match=r"step_off: the beam doesn't end"):
        build(panel, [panel.darks(4)], [panel.flats(4)], step_offs=[panel.flats(5)])


# Photon transfer, linearity, beam.


def test_photon_transfer_gives_electrons() -> None:
    panel = SimulatedPanel(384, 512, seed=3)
    made = build(panel, [panel.darks(10)], [panel.flats(10)])
    figures = made.facts.acceptance
    # Four pairs of 196,608 pixels: √(2/786432) = 0.16 %.
    assert figures["electrons_per_gv"] == pytest.approx(1 / SLOPE_GV, rel=0.01)
    assert figures["read_noise_electrons"] == pytest.approx(READ_GV / SLOPE_GV, rel=0.01)
    offset = READ_GV**2 + 1 / 12
    assert figures["quantum_limited_from_gv"] == pytest.approx(offset / SLOPE_GV, rel=0.02)
    assert abs(figures["dark_drift_gv"]) < 0.5


@pytest.mark.parametrize("mode", ["pixel", "dose"])
def test_linearity_makes_bent_pixels_straight(mode: str) -> None:
    panel = SimulatedPanel(192, 256, seed=3)
    panel.bend[:, 100:140] = 0.006  # less than makes a pixel bad
    doses = (0.25, 0.5, 1.0)
    flats = [panel.flats(20, BRIGHT_GV * dose, dose=dose, tube_std=0.001) for dose in doses]
    made = build(panel, [panel.darks(20)], flats, plan=BuildPlan(linearity=mode))
    assert made.curvature is not None and made.facts.linearity is not None
    assert made.identity == content_identity(
        made.facts, made.dark, made.gain, made.classes, curvature=made.curvature
    )
    reference = made.facts.linearity["reference_gv"]
    dim = 0.15 * BRIGHT_GV
    signal = panel.response * dim * (1 + panel.bend * 0.15)
    v = signal / made.gain
    straight = v * (1 + made.curvature * (v - reference))

    def step(values: np.ndarray) -> float:
        values = values / np.median(values)
        return float(abs(np.median(values[:, 100:140]) - 1))

    assert step(v) > 0.003
    # Shrunk by the share of the scatter that is noise: of columns of 192 pixels little.
    assert step(straight) < 0.15 * step(v)


def test_flats_at_two_distances_give_a_gain_without_beam() -> None:
    panel = SimulatedPanel(192, 256, seed=3)
    pitch_mm = 0.5
    y, x = np.mgrid[-1 : 1 : 192 * 1j, -1 : 1 : 256 * 1j]
    u, v = x * 255 / 2 * pitch_mm, y * 191 / 2 * pitch_mm
    own = panel.response.astype(float)
    own /= (1 + 0.35 * x**2 + 0.25 * y**2) ** -1.5  # what is the beam of the simulated panel
    panel.response[:] = own / np.median(own)

    def at(distance: float) -> Callable[[int, np.ndarray], np.ndarray]:
        beam = (1 + (u**2 + v**2) / distance**2) ** -1.5
        return lambda _, raw: panel.dark + (raw - panel.dark) * beam

    flats = [
        Changed(panel.flats(20, BRIGHT_GV, dose=1), at(300), source_distance_mm=300),
        Changed(panel.flats(20, BRIGHT_GV / 4, dose=1), at(600), source_distance_mm=600),
    ]
    made = build(
        panel,
        [panel.darks(20)],
        flats,
        plan=BuildPlan(separate_beam=True, pitch_mm=pitch_mm),
    )
    assert made.facts.beam is not None and made.facts.beam["residual"] < 2e-3
    good = made.classes == 0
    assert np.mean(~good) < 2e-4
    ratio = made.gain / panel.response
    cells = ratio.reshape(6, 32, 8, 32).mean(axis=(1, 3))
    # As in test_beam: cells' noise 1e-4, magnified by foot against heel.
    assert np.ptp(cells) / cells.mean() < 4e-3
    lines = made.facts.linearity
    # Doses as they reach the panel at 600 mm: four times 1 from 300 mm. One level from each
    # distance tells no offset.
    assert lines is not None and "intercept" not in lines
    assert lines["slope"] == pytest.approx(made.facts.acceptance["flat_2_gv"] / 4)
