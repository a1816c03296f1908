"""Figures and facts of a calibration that come from more than mean darks and flats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.calibration.dose_line import DoseLine
from pipeline.calibration.gather import Darks, Flats, Group
from pipeline.calibration.levels import Level
from pipeline.calibration.linearity import Curvature
from pipeline.calibration.noise import BlockNoise, photon_transfer, typical_noise
from pipeline.calibration.product import NoiseModel
from pipeline.calibration.set_shape import bend_between, dark_shape
from pipeline.calibration.step_off import LagMeasured


def more_figures(
    dark: Group,
    noise: NoiseModel,
    line: DoseLine | None,
    lag: LagMeasured | None,
) -> dict[str, float]:
    """Figures of drift of the flats' ``dark``, of photon transfer, linearity and lag."""
    figures = {"dark_drift_gv": dark.last_gv - dark.first_gv} | photon_transfer(noise)
    if line is not None and line.max_deviation is not None:
        figures["linearity_deviation"] = line.max_deviation
    if lag is not None:
        figures["lag_first_frame"] = lag.lag.first_frame
        figures["lag_second_frame"] = lag.lag.second_frame
    return figures


def level_figures(
    levels: Sequence[Level], line: DoseLine | None, noise: Sequence[Sequence[BlockNoise]]
) -> dict[str, float]:
    """What was measured of every level of flats, as ``flat_1_…``, ``flat_2_…``, dimmest first.

    Frames, dose and distance where they are told, the panel's median signal (GV), how far it lies
    off the line against dose (relative), and ``noise_gv``, ``variance_gv2``: a point of the photon
    transfer, from the pairs that gave ``noise``.
    """
    figures: dict[str, float] = {}
    off_line = [None] * len(levels) if line is None else line.off_line
    for number, (level, off, blocks) in enumerate(zip(levels, off_line, noise, strict=True), 1):
        signal, variance = typical_noise(blocks) if blocks else (None, None)
        told = {
            "frames": float(level.frames),
            "dose": level.dose,
            "distance_mm": level.distance_mm,
            "gv": level.median,
            "off_line": off,
            "noise_gv": signal,
            "variance_gv2": variance,
        }
        figures |= {
            f"flat_{number}_{name}": value for name, value in told.items() if value is not None
        }
    return figures


def shape_figures(dark: Darks, flat: Flats) -> dict[str, float]:
    """How far flats differ by a smooth shape, within a set and between sets; the smooth shape of
    the first darks and what is allowed, GV (see ``set_shape.py``); the other darks' levels."""
    whole = dark.groups[0].whole
    read_noise = float(np.median(np.sqrt(whole.variance))) if whole.frames > 1 else None
    shape, allowed = dark_shape(whole.mean, read_noise)
    levels = {
        f"dark_{k}_level_gv": float(np.median(group.whole.mean))
        for k, group in enumerate(dark.groups[1:], 1)
    }
    return {
        "flat_shape_within": flat.bend,
        "flat_shape_between": bend_between(flat.sets),
        "dark_shape_gv": shape,
        "dark_shape_allowed_gv": allowed,
    } | levels


def with_snr_n(figures: dict[str, float]) -> dict[str, float]:
    """With the normalised SNR of one brightest flat, where SR_b is known: SNR · 88.6 µm/SR_b.

    88.6 µm is the side of the square as large as the 100 µm circle that film was measured with.
    """
    if "sr_b_mm" not in figures:
        return figures
    return figures | {"snr_n": figures["flat_snr"] * 0.0886 / figures["sr_b_mm"]}


def linearity_facts(
    line: DoseLine | None, curvature: Curvature | None
) -> Mapping[str, float] | None:
    """``facts.linearity``: the panel's line against dose, and what its pixels' curvature is like.

    ``reference_gv``: where a curved response and the gain agree; ``panel_curvature``,
    ``curvature_std`` and what of that is noise, in 1/GV.
    """
    lines = None if line is None else line.facts()
    if curvature is None:
        return lines
    return (lines or {}) | {
        "reference_gv": curvature.reference_gv,
        "panel_curvature": curvature.panel,
        "curvature_std": curvature.measured_std,
        "curvature_noise_std": curvature.noise_std,
    }
