"""Figures and facts of a calibration that come from more than mean darks and flats."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.calibration.gather import Group
from pipeline.calibration.linearity import Curvature
from pipeline.calibration.noise import photon_transfer
from pipeline.calibration.product import NoiseModel
from pipeline.calibration.step_off import LagMeasured


def more_figures(
    dark: Group,
    noise: NoiseModel,
    lines: Mapping[str, float] | None,
    lag: LagMeasured | None,
) -> dict[str, float]:
    """Figures of drift of the flats' ``dark``, of photon transfer, linearity and lag."""
    figures = {"dark_drift_gv": dark.last_gv - dark.first_gv} | photon_transfer(noise)
    if lines is not None and "max_deviation" in lines:
        figures["linearity_deviation"] = lines["max_deviation"]
    if lag is not None:
        figures["lag_first_frame"] = lag.lag.first_frame
        figures["lag_second_frame"] = lag.lag.second_frame
    return figures


def with_snr_n(figures: dict[str, float]) -> dict[str, float]:
    """With the normalised SNR of one brightest flat, where SR_b is known: SNR · 88.6 µm/SR_b.

    88.6 µm is the side of the square as large as the 100 µm circle that film was measured with.
    """
    if "sr_b_mm" not in figures:
        return figures
    return figures | {"snr_n": figures["flat_snr"] * 0.0886 / figures["sr_b_mm"]}


def linearity_facts(
    lines: Mapping[str, float] | None, curvature: Curvature | None
) -> Mapping[str, float] | None:
    """``facts.linearity``: the panel's line against dose, and what its pixels' curvature is like.

    ``reference_gv``: where a curved response and the gain agree; ``panel_curvature``,
    ``curvature_std`` and what of that is noise, in 1/GV.
    """
    if curvature is None:
        return lines
    return dict(lines or {}) | {
        "reference_gv": curvature.reference_gv,
        "panel_curvature": curvature.panel,
        "curvature_std": curvature.measured_std,
        "curvature_noise_std": curvature.noise_std,
    }
