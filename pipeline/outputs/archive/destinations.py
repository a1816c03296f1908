"""Whether copies can be put where they are to go, said before anything is read or written."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import OutputError
from pipeline.io.folders import require_outside
from pipeline.outputs.archive.devices import disk_of, independent
from pipeline.outputs.archive.weld_source import WeldSource

_ELSEWHERE = "Name a folder elsewhere with --to"


def require_destinations(roots: Sequence[Path], wanted: int, same_device: bool) -> None:
    """Raise OutputError unless the places can make the copies that are wanted."""
    for root in roots:
        try:
            require_outside(root / "x")
        except OutputError as error:
            raise OutputError(error.what, where=str(root), remedy=_ELSEWHERE) from error
    places = [root.resolve() for root in roots]
    if len(set(places)) < len(places):
        raise OutputError(
            "is named twice",
            where=str(next(one for one in places if places.count(one) > 1)),
            expected="as many places as copies",
        )
    if len(roots) < wanted:
        raise OutputError(
            f"{len(roots)} destination for {wanted} copies",
            expected=f"{wanted} times --to, each on a disk of its own",
            remedy="Or --copies 1, where the others are made later from this one; archive status "
            "tells what is lacking",
        )
    disks = [disk_of(root) for root in roots if os.path.isdir(root)]  # noqa: PTH112 - never raises
    if len(disks) == len(roots) and independent(disks, same_device=same_device) < wanted:
        raise OutputError(
            "lie on one disk, which can be lost as a whole: " + ", ".join(map(str, roots)),
            where="destinations",
            expected=f"{wanted} disks",
            remedy="Is every drive connected? With --same-device copies on one disk count too",
        )


def require_beside(source: WeldSource, roots: Sequence[Path]) -> None:
    """Raise OutputError if a place lies in a folder that is archived, which would grow."""
    folders = {
        "result": source.result,
        "frames' folder": source.job.frames.folder,
        "calibration": source.job.calibration.folder,
    }
    for root in roots:
        for what, folder in folders.items():
            if folder is not None and root.resolve().is_relative_to(folder.resolve()):
                raise OutputError(
                    f"lies in the {what} {folder}, which is archived itself",
                    where=str(root),
                    remedy=_ELSEWHERE,
                )


def require_another_place(bag: Path, roots: Sequence[Path]) -> None:
    """Raise OutputError if a bag would only be copied to where it lies."""
    if all(root.resolve() == bag.resolve().parent for root in roots):
        raise OutputError(
            "is where the bag itself lies: that makes no copy",
            where=str(roots[0]),
            remedy=_ELSEWHERE,
        )
