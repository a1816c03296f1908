"""The stages by name, in the order in which they usually run."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

from pipeline.stages.bad_pixels import BadPixels
from pipeline.stages.blending import Blending
from pipeline.stages.distortion import Distortion
from pipeline.stages.flat_field import FlatField
from pipeline.stages.lag import Lag
from pipeline.stages.registration import Registration

Stage = FlatField | Lag | BadPixels | Distortion | Registration | Blending

STAGES: dict[str, type[Stage]] = {
    kind.name: kind for kind in (FlatField, Lag, BadPixels, Distortion, Registration, Blending)
}

_Kind = TypeVar("_Kind", bound=Stage)


def stage_of(stages: Iterable[Stage], kind: type[_Kind]) -> _Kind:
    """The one stage of this kind in a sequence that has been checked to hold it."""
    return next(stage for stage in stages if isinstance(stage, kind))
