"""What a calibration's figures are held against: the config's table ``acceptance``.

The limits of ASTM E2737 and E2597 are agreed between the parties, so none is reproduced here.
Every default is common practice, no published source, unless said otherwise.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

_Part = Annotated[float, Field(gt=0)]


@dataclass(frozen=True, slots=True, config=ConfigDict(extra="forbid", allow_inf_nan=False))
class AcceptanceLimits:
    """Limits of a calibration's figures.

    Keys ending in ``_change`` limit the relative change since the panel's first calibration.
    """

    offset_change: _Part = 0.25
    """Level of the dark."""
    offset_drift: _Part = 1.0
    """Drift of the dark while the exposures were shot, in read noises of one pixel."""
    read_noise_change: _Part = 0.25
    sensitivity_change: _Part = 0.10
    """Gray values for the same dose."""
    snr_change: _Part = 0.10
    """SNR at the same dose."""
    snr_n: _Part | None = None
    """Least normalised SNR of one brightest flat; no limit unless the config gives one."""
    uniformity: _Part = 0.01
    """Spread of a corrected flat; the standard's limit for single pixels is ±1 %."""
    flat_shape: _Part = 0.02
    """Smooth shape by which flats differ, within a set or between sets (``set_shape.LIMIT``)."""
    shading_change: _Part = 0.05
    """Smooth part of the gain's change, from its least to its greatest."""
    pixel_gain_change: _Part = 0.005
    """Rest of the gain's change, rms, noise taken off."""
    linearity: _Part = 0.02
    lag_first_frame: _Part = 0.05
    lag_change: _Part = 0.5
    sr_b_mm: _Part | None = None
    """Greatest basic spatial resolution; no limit unless the config gives one."""
    sr_b_change: _Part = 0.10
    contrast_sensitivity_change: _Part = 0.20
    bad_fraction: Annotated[float, Field(gt=0, lt=1)] = 0.01
    new_bad_fraction: Annotated[float, Field(gt=0, lt=1)] = 0.001
    """Pixels that turned bad since the first calibration."""
    relevant_clusters: Annotated[int, Field(ge=0)] | None = None
    """Clusters with pixels that have too few good neighbours; no limit unless the config gives
    one: nearly every panel has some from its first day on."""
    new_relevant_clusters: Annotated[int, Field(ge=0)] = 0
    """The same, more than in the first calibration."""
    new_lines: Annotated[int, Field(ge=0)] = 0
    fail_factor: Annotated[float, Field(ge=1)] = 2.0
    """So many times its limit a figure fails; up to there it asks for attention."""
