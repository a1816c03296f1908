"""``[[exposures]]``: the sets that a calibration is made from, and which keys each kind has."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from pipeline.config.faults import Fault
from pipeline.config.panel import BinaryLayout, FrameFormat, Panel, binary_faults
from pipeline.config.records import Folder, Section

SAME_TEMPERATURE_C = 2.0
"""Flats and the darks that belong to them may differ by so much; common practice, no source."""

_NEEDED = {
    "dark": "what the panel shows without radiation",
    "flat": "its gain",
}

_KEYS = {
    "dose": ("flat",),
    "temperature_c": ("dark", "flat"),
    "frame_time_s": ("dark",),
    "source_distance_mm": ("flat", "dot_grid"),
    "dot_spacing_mm": ("dot_grid",),
    "thickness_mm": ("step_wedge",),
}
"""The kinds that a key is for; the others' sets must not have it."""


class Exposures(Section):
    """One set of exposures, all alike, in a folder of their own."""

    kind: Literal["dark", "flat", "step_off", "duplex_wire", "dot_grid", "step_wedge"]
    folder: Folder
    dose: float | None = Field(default=None, gt=0, description="tube charge in mA·s")
    temperature_c: Annotated[float, Field(ge=-60, le=100)] | None = None
    frame_time_s: Annotated[float, Field(gt=0)] | None = None
    source_distance_mm: Annotated[float, Field(gt=0)] | None = None
    dot_spacing_mm: Annotated[float, Field(gt=0)] | None = None
    thickness_mm: tuple[Annotated[float, Field(gt=0)], ...] = ()
    format: FrameFormat = "tiff"
    binary: BinaryLayout | None = None


def exposure_faults(exposures: tuple[Exposures, ...], panel: Panel) -> Iterator[Fault]:
    """Darks and flats must both be there, each set once, with the keys of its kind only."""
    for kind, use in _NEEDED.items():
        if all(exposure.kind != kind for exposure in exposures):
            yield Fault(
                ("exposures",), f'needs at least one set of kind = "{kind}": it gives {use}'
            )
    seen: dict[Path, int] = {}
    for index, exposure in enumerate(exposures):
        key = ("exposures", index)
        yield from _missing(key, exposure)
        yield from _out_of_place(key, exposure)
        first = seen.setdefault(exposure.folder, index)
        if first != index:
            yield Fault(
                (*key, "folder"),
                f"is the folder of exposures[{first}] too; each set needs its own",
                exposure.folder,
            )
        yield from binary_faults(key, exposure.format, exposure.binary, panel)
    yield from _temperature_faults(exposures)
    yield from _untold_faults(exposures)


def _missing(key: tuple[str | int, ...], exposure: Exposures) -> Iterator[Fault]:
    if exposure.kind == "flat" and exposure.dose is None:
        yield Fault((*key, "dose"), "is missing: flats need their tube charge in mA·s")
    if exposure.kind == "dot_grid" and exposure.dot_spacing_mm is None:
        yield Fault((*key, "dot_spacing_mm"), "is missing: how far apart the plate's dots are")
    if exposure.kind == "step_wedge" and len(exposure.thickness_mm) < 2:
        yield Fault(
            (*key, "thickness_mm"), "must name the thickness of each step, in order, at least two"
        )


def _out_of_place(key: tuple[str | int, ...], exposure: Exposures) -> Iterator[Fault]:
    for name, kinds in _KEYS.items():
        value = getattr(exposure, name)
        if value not in (None, ()) and exposure.kind not in kinds:
            whose = " and ".join(f"{kind}s" if kind in _NEEDED else kind for kind in kinds)
            yield Fault((*key, name), f"is only for {whose}", value)


def _temperature_faults(exposures: tuple[Exposures, ...]) -> Iterator[Fault]:
    """The first set of darks belongs to the flats, so they must have been as warm."""
    darks = [one for one in exposures if one.kind == "dark"]
    if not darks or darks[0].temperature_c is None:
        return
    for index, one in enumerate(exposures):
        if one.kind != "flat" or one.temperature_c is None:
            continue
        if abs(one.temperature_c - darks[0].temperature_c) > SAME_TEMPERATURE_C:
            yield Fault(
                ("exposures", index, "temperature_c"),
                f"is not that of the first set of darks ({darks[0].temperature_c:g} °C), which "
                "belongs to the flats; name the darks first that were shot with them",
                one.temperature_c,
            )


def _untold_faults(exposures: tuple[Exposures, ...]) -> Iterator[Fault]:
    """Darks can be held apart by a condition only if all of them tell it, the first above all."""
    darks = [(k, one) for k, one in enumerate(exposures) if one.kind == "dark"]
    for name, what in (("temperature_c", "temperature"), ("frame_time_s", "frame time")):
        told = [k for k, one in darks if getattr(one, name) is not None]
        if not told:
            continue
        for k, one in darks:
            if getattr(one, name) is None:
                yield Fault(
                    ("exposures", k, name),
                    f"is missing: exposures[{told[0]}] tells its {what}; where one set of darks "
                    "does, all must",
                )
