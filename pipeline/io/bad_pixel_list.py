"""``bad_pixels.csv``: every bad pixel of a calibration with its classes and its group, for people.

Derived from the bad-pixel map and never read back; the map is what counts.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from pipeline.calibration.grouping import GroupRules, group_bad_pixels
from pipeline.model import FlagImage, PixelClass

COLUMNS = ("row", "column", "classes", "group", "kind", "label", "kernel")


def write_bad_pixel_list(path: Path, classes: FlagImage, limits: Mapping[str, float]) -> None:
    """Write a line for each bad pixel of a map (uint8 bits of ``PixelClass``), top left first.

    ``row`` and ``column`` count from 0; ``classes`` are names joined by ``+``; ``group`` counts
    from 1, pixels of one group have the same; ``kind`` and ``label`` are the group's (see
    ``calibration.grouping``) by the calibration's ``limits``, the usual ones where it doesn't
    tell; ``kernel`` is 1 for a kernel pixel, else 0. A panel without bad
    pixels has the header only.
    """
    usual = GroupRules()
    rules = GroupRules(
        int(limits.get("kernel_good_neighbours", usual.kernel_good_neighbours)),
        int(limits.get("line_min_px", usual.line_min_px)),
        limits.get("line_max_adjacent", usual.line_max_adjacent),
    )
    found = group_bad_pixels(classes, rules)
    names = {
        bits: "+".join(str(kind.name).lower() for kind in PixelClass if bits & kind)
        for bits in np.unique(classes).tolist()
    }
    rows, columns = np.nonzero(classes)
    with path.open("w", encoding="ascii", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row, column, bits, number, kernel in zip(
            rows.tolist(),
            columns.tolist(),
            classes[rows, columns].tolist(),
            found.numbers[rows, columns].tolist(),
            found.kernel[rows, columns].tolist(),
            strict=True,
        ):
            group = found.groups[number - 1]
            writer.writerow(
                (row, column, names[bits], number, group.kind, group.label, int(kernel))
            )
