"""What makes two calibrations hard to compare, as sentences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from pipeline.calibration.product import CalibrationFacts, CalibrationSet
from pipeline.model import FlagImage, PixelClass

_FEWEST_DEAD = 20
_LEAST_KEPT = 0.5
"""Of twenty dead pixels or more at least half must still be bad, or it is another panel: dead ones
don't recover, and by chance not one in a hundred is bad elsewhere."""


def compare_remarks(first: CalibrationSet, second: CalibrationSet) -> tuple[str, ...]:
    """Sentences about two calibrations of panels of one size; empty if they compare well."""
    return (
        *_conditions(first.facts, second.facts),
        *_other_panel(first.classes, second.classes),
        *_same_files(first.facts, second.facts),
    )


def _other_panel(first: FlagImage, second: FlagImage) -> Iterator[str]:
    dead = (first & np.uint8(PixelClass.DEAD)) != 0
    count, kept = int(np.count_nonzero(dead)), int(np.count_nonzero(second[dead]))
    if count >= _FEWEST_DEAD and kept < _LEAST_KEPT * count:
        yield (
            f"Of {count} dead pixels only {kept} are still bad, and dead pixels don't recover: "
            "these look like two panels, or pictures turned or mirrored; check the serial number."
        )


def _same_files(first: CalibrationFacts, second: CalibrationFacts) -> Iterator[str]:
    same = len(_digests(first) & _digests(second))
    if same:
        files, whose = ("file", "its") if same == 1 else ("files", "their")
        yield f"{same} {files} of exposures went into both: {whose} noise shows in no difference."


def _digests(facts: CalibrationFacts) -> set[str]:
    found: set[str] = set()
    for one in facts.exposures:
        files = one.get("files")
        if isinstance(files, list | tuple):
            told = (file.get("sha256") for file in files if isinstance(file, Mapping))
            found.update(digest for digest in told if isinstance(digest, str))
    return found


def _conditions(first: CalibrationFacts, second: CalibrationFacts) -> Iterator[str]:
    for name, one, other, unit in (
        ("detector serial", first.serial, second.serial, ""),
        ("gain mode", first.gain_mode, second.gain_mode, ""),
        ("frame time", first.frame_time_s, second.frame_time_s, " s"),
        ("lowest tube voltage", first.kv_min, second.kv_min, " kV"),
        ("highest tube voltage", first.kv_max, second.kv_max, " kV"),
        ("source distance", first.source_distance_mm, second.source_distance_mm, " mm"),
        ("binning", first.binning, second.binning, ""),
    ):
        if one != other:
            was, now = (
                "not told" if v is None else f"{v:g}{unit}" if isinstance(v, float | int) else v
                for v in (one, other)
            )
            yield f"The {name} differs: {was or 'none'}, then {now or 'none'}."
    if (first.beam is None) != (second.beam is None):
        yield "The beam's shape is in the gain of only one of them; so shading differs."
