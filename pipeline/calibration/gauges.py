"""Gauges on the panel, from their corrected pictures: duplex wire, dot grid, step wedge."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibration.dot_grid import measure_dot_grid
from pipeline.calibration.duplex import measure_duplex
from pipeline.calibration.exposure_reader import ExposureReader, frames_of
from pipeline.calibration.statistics import Exposures
from pipeline.calibration.step_wedge import measure_step_wedge
from pipeline.kernels.repair import fill_flagged
from pipeline.model import FlagImage, FloatImage

Picture = Callable[[Exposures], FloatImage]
"""Makes the corrected picture of a set of exposures."""


@dataclass(frozen=True, slots=True)
class DotGridShot:
    """A dot grid's exposures, and how far apart its dots are."""

    exposures: Exposures
    dot_spacing_mm: float


@dataclass(frozen=True, slots=True)
class StepWedgeShot:
    """A step wedge's exposures, and how thick its steps are."""

    exposures: Exposures
    thickness_mm: Sequence[float]


@dataclass(frozen=True, slots=True)
class Gauges:
    """Exposures with a gauge on the panel."""

    duplex_wires: Sequence[Exposures] = ()
    dot_grids: Sequence[DotGridShot] = ()
    step_wedges: Sequence[StepWedgeShot] = ()

    @property
    def frames(self) -> int:
        """All of their frames."""
        dots = [shot.exposures for shot in self.dot_grids]
        wedges = [shot.exposures for shot in self.step_wedges]
        return sum(one.frames for one in (*self.duplex_wires, *dots, *wedges))


@dataclass(frozen=True, slots=True)
class GaugeResults:
    """Figures for ``facts.acceptance``, ``facts.panel_geometry``, and name and reason of a duplex
    wire that says nothing."""

    figures: Mapping[str, float]
    panel_geometry: Mapping[str, float] | None
    rejected: tuple[tuple[str, str], ...] = ()


def picture_maker(
    reader: ExposureReader, dark: FloatImage, gain: FloatImage, classes: FlagImage
) -> Picture:
    """Mean of a set's frames, dark and gain corrected, bad pixels filled from their neighbours."""
    flags = (classes != 0).astype(np.uint8)
    inverse = np.where(flags == 0, 1 / np.where(flags == 0, gain, 1), 0).astype(np.float32)

    def picture(source: Exposures) -> FloatImage:
        image = reader.accumulate(frames_of([source])).result().mean
        image -= dark
        image *= inverse
        fill_flagged(image, flags, radius_px=2)
        return image

    return picture


def measure_gauges(gauges: Gauges, picture: Picture, pitch_mm: float) -> GaugeResults:
    """What the gauges say; of several of a kind the last one's figures.

    A duplex wire that gives no SR_b (every pair resolved, say) is named with the reason.

    Raises:
        CalibrationError: a dot grid or step wedge isn't seen.
    """
    figures: dict[str, float] = {}
    rejected: list[tuple[str, str]] = []
    geometry: Mapping[str, float] | None = None
    for source in gauges.duplex_wires:
        duplex = measure_duplex(picture(source), pitch_mm=pitch_mm)
        if duplex.sr_b_mm is None:
            rejected.append((source.name(0), f"duplex_wire: {duplex.why_not}"))
        else:
            figures["sr_b_mm"] = duplex.sr_b_mm
    for shot in gauges.dot_grids:
        grid = measure_dot_grid(
            picture(shot.exposures),
            dot_spacing_mm=shot.dot_spacing_mm,
            pitch_mm=pitch_mm,
            source_distance_mm=shot.exposures.source_distance_mm,
        )
        geometry = grid.facts()
    for wedge in gauges.step_wedges:
        steps = measure_step_wedge(picture(wedge.exposures), thickness_mm=wedge.thickness_mm)
        figures["contrast_sensitivity"] = steps.contrast_sensitivity
    return GaugeResults(figures, geometry, tuple(rejected))
