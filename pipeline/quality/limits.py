"""The limits that a strip's checks compare their values with: the config's table ``limits``."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass


@dataclass(frozen=True, slots=True, config=ConfigDict(extra="forbid", allow_inf_nan=False))
class Limits:
    """What the quality log's checks compare their values with."""

    closure_mm: Annotated[float, Field(gt=0)] = 0.2
    """How far a ring may miss itself."""
    seam_level_step: Annotated[float, Field(gt=0)] = 0.003
    """Relative gray step at a seam."""
    filled_fraction: Annotated[float, Field(ge=0, le=1)] = 0.001
    """Part of the covered pixels that no frame measured."""
    residual_px: Annotated[float, Field(gt=0)] = 0.5
    """Typical misfit of the overlaps, in strip pixels."""
    standoff_off_mm: Annotated[float, Field(gt=0)] = 0.2
    """How far the stand-off that the frames tell may lie from the one told."""
    ruler_sigma_mm: Annotated[float, Field(gt=0)] = 0.03
    """Standard deviation of places inside a frame: two of them are the 0.06 mm aimed at."""
    min_overlap_frames: Annotated[float, Field(ge=0)] = 1.0
    """Frames that must have measured nearly every pixel."""
