"""The ``[stages]`` section: which stages run, in which order, with which parameters.

The rules follow the shapes of the stages (``pipeline.stages.base``) and what each says it must
come after, so a new stage brings its own rules with it and
needs only its field here.
"""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from typing import Any

from pydantic import Field, SerializerFunctionWrapHandler, model_serializer

from pipeline.config.faults import Fault
from pipeline.config.records import Section
from pipeline.stages import STAGES, Stage
from pipeline.stages.bad_pixels import BadPixels
from pipeline.stages.base import Shape
from pipeline.stages.blending import Blending
from pipeline.stages.distortion import Distortion
from pipeline.stages.flat_field import FlatField
from pipeline.stages.lag import Lag
from pipeline.stages.registration import Registration

_ORDER = tuple(Shape)

_NEEDED = {
    "flat_field": "without it gray values are not linear in dose",
    "bad_pixels": "without it bad pixels would count as measurements",
    "distortion": "registration and blending need its map from the flat panel to the round pipe",
}


class Stages(Section):
    """The sequence, and one table of parameters for each stage there is, run or not."""

    sequence: tuple[str, ...] = Field(description="the stages in the order in which they run")
    flat_field: FlatField = FlatField()
    lag: Lag = Lag()
    bad_pixels: BadPixels = BadPixels()
    distortion: Distortion = Distortion()
    registration: Registration = Registration()
    blending: Blending = Blending()

    @property
    def records(self) -> tuple[Stage, ...]:
        """The parameter records of the stages that run, in their order."""
        return tuple(getattr(self, name) for name in self.sequence)

    @model_serializer(mode="wrap")
    def _only_the_sequence(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Leave out the tables of stages that don't run: a config file may not have them."""
        dumped = handler(self)
        return {name: dumped[name] for name in ("sequence", *self.sequence)}


def sequence_faults(sequence: tuple[str, ...]) -> Iterator[Fault]:
    """Everything that keeps this sequence from working."""
    known = [name for name in sequence if name in STAGES]
    for index, name in enumerate(sequence):
        if name not in STAGES:
            yield Fault(("stages", "sequence", index), _unknown_stage(name), name)
        elif name in sequence[:index]:
            yield Fault(("stages", "sequence", index), "stands twice in the sequence", name)
        else:
            yield from _order_faults(index, sequence)
    whole = ("stages", "sequence")
    for shape, noun in ((Shape.PLACE, "places the frames"), (Shape.COMPOSE, "makes the strip")):
        of_shape = dict.fromkeys(name for name in known if STAGES[name].shape is shape)
        if len(of_shape) != 1:
            choice = " or ".join(name for name, kind in STAGES.items() if kind.shape is shape)
            rule = f"needs exactly one stage that {noun} ({choice}), found {len(of_shape)}"
            yield Fault(whole, rule, sequence)
    for name, reason in _NEEDED.items():
        if name not in known:
            yield Fault(whole, f"{name} is missing: {reason}", sequence)


def unused_faults(stages: Stages) -> Iterator[Fault]:
    """Parameters of stages that don't run: whoever wrote them believes that they do something."""
    for name in STAGES:
        if name in stages.model_fields_set and name not in stages.sequence:
            yield Fault(
                ("stages", name),
                f"has parameters, but {name} is not in stages.sequence, so they would do nothing; "
                "add it to the sequence or remove this table",
            )


def _order_faults(index: int, sequence: tuple[str, ...]) -> Iterator[Fault]:
    """What comes after the stage at ``index`` but must come before it."""
    name = sequence[index]
    stage = STAGES[name]
    key = ("stages", "sequence", index)
    for later in dict.fromkeys(sequence[index + 1 :]):
        if later not in STAGES:
            continue
        other = STAGES[later].shape
        if later in stage.after:
            yield Fault(key, f"must come after {later}", name)
        elif _ORDER.index(other) < _ORDER.index(stage.shape):
            yield Fault(
                key,
                f"must come after {later}: stages that {other} come before those that "
                f"{stage.shape}",
                name,
            )


def _unknown_stage(name: str) -> str:
    near = get_close_matches(name, STAGES, n=1)
    guess = f"did you mean {near[0]}? " if near else ""
    return f"there is no such stage; {guess}Stages: {', '.join(STAGES)}"
