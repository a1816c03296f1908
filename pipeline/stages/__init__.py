"""The stages by name, in the order in which they usually run."""

from __future__ import annotations

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
