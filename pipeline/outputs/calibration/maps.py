"""The maps of a calibration's page: pictures, their scales, what to see, and groups ringed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.calibration.compare import Comparison
from pipeline.calibration.grouping import BadGroup, GroupKind, group_bad_pixels
from pipeline.calibration.product import CalibrationSet
from pipeline.model import FlagImage, PixelClass
from pipeline.outputs.calibration.panel_pictures import (
    CLASS_COLOURS,
    COME_COLOUR,
    GONE_COLOUR,
    KEPT_COLOUR,
    MapPicture,
    bad_pixel_picture,
    change_picture,
    changed_pixel_picture,
    gray_picture,
)
from pipeline.outputs.drawing import words

MAX_RINGS, MAX_LABELS = 60, 8
"""So many groups are ringed and so many named, the largest first; more would hide the map."""

_LETTER_PX, _LETTER_HEIGHT_PX = 8.5, 13.0

LABELS = (
    "Labels: rc8x5-12 is a cluster 8 rows high and 5 columns wide, 12 of whose pixels have too few "
    "good neighbours; l1x300 is a line, 1 row high and 300 columns wide."
)


@dataclass(frozen=True, slots=True)
class PageMap:
    """One map of the page: title, what to see, picture, and the unit and ends of its scale."""

    title: str
    what_to_see: str
    picture: MapPicture
    low: str = ""
    high: str = ""
    colours: tuple[tuple[str, str], ...] = ()
    rings: tuple[Ring, ...] = ()
    signed: bool = False


@dataclass(frozen=True, slots=True)
class Ring:
    """A frame round a group of bad pixels, in the picture's pixels, and its label."""

    x: float
    y: float
    width: float
    height: float
    label: str
    text_x: float
    text_y: float


def panel_maps(calibration: CalibrationSet) -> tuple[PageMap, ...]:
    """Bad pixels, gain and dark of one calibration."""
    good = calibration.classes == 0
    gain, dark = gray_picture(calibration.gain, good), gray_picture(calibration.dark, good)
    kinds = [kind for kind in PixelClass if np.any(calibration.classes & np.uint8(kind))]
    bad = bad_pixel_picture(calibration.classes)
    return (
        PageMap(
            "Bad pixels",
            "Single ones strewn about are ordinary. Ringed are lines and clusters that their "
            "neighbours can't fill well; look whether the weld runs there. " + LABELS,
            bad,
            colours=tuple(
                (CLASS_COLOURS[kind], str(kind.name).lower().replace("_", " ")) for kind in kinds
            ),
            rings=_rings(calibration.classes, bad),
        ),
        PageMap(
            "Gain",
            "Relative response. Blocks and stripes are the read-out's and belong there; spots and "
            "blots are dust, or something that lay in the beam.",
            gain,
            low=words.number(gain.low, 3),
            high=words.number(gain.high, 3),
        ),
        PageMap(
            "Dark",
            "What the panel shows without radiation. A bright corner or edge is warm electronics "
            "or light that leaks in.",
            dark,
            low=f"{words.number(dark.low, 0)} GV",
            high=f"{words.number(dark.high, 0)} GV",
        ),
    )


def change_maps(since: Comparison, first: FlagImage, now: FlagImage) -> tuple[PageMap, ...]:
    """What changed since the panel's first calibration, whose pixel classes are ``first``."""
    good, dark_change = since.both_good, since.dark_change - np.float32(since.dark.median)
    gain = change_picture(since.gain_change, good, noise=since.gain.expected or 0.0)
    dark = change_picture(dark_change, good, noise=since.dark.expected or 0.0)
    kept = (first != 0) & (now != 0)
    return (
        PageMap(
            "Bad pixels come and gone",
            f"{since.pixels.come} turned bad, {since.pixels.gone} are good again. Many of both "
            "is exposures too noisy to tell; many new ones close together is damage.",
            changed_pixel_picture(since.pixels.come_map, since.pixels.gone_map, kept),
            colours=((COME_COLOUR, "new"), (GONE_COLOUR, "good again"), (KEPT_COLOUR, "as before")),
        ),
        PageMap(
            "Change of the gain",
            "A smooth slope is the beam or the source's place; blocks are the read-out; a sharp "
            "outline is something in the beam. Pale grain is the exposures' noise.",
            gain,
            low=f"{words.number(100 * (gain.low or 0), sign=True)} %",
            high=f"{words.number(100 * (gain.high or 0), sign=True)} %",
            signed=True,
        ),
        PageMap(
            "Change of the dark",
            f"Without its median change of {words.number(since.dark.median, 1, sign=True)} GV. "
            "A pattern is temperature or light.",
            dark,
            low=f"{words.number(dark.low, 1, sign=True)} GV",
            high=f"{words.number(dark.high, 1, sign=True)} GV",
            signed=True,
        ),
    )


def _rings(classes: FlagImage, picture: MapPicture) -> tuple[Ring, ...]:
    """Frames round lines and relevant clusters, the largest first."""
    kinds = (GroupKind.LINE, GroupKind.RELEVANT_CLUSTER)
    groups = [group for group in group_bad_pixels(classes).groups if group.kind in kinds]
    groups.sort(key=lambda group: (-group.pixels, group.row, group.column))
    scale = picture.width_px / classes.shape[1]
    rings: list[Ring] = []
    for group in groups[:MAX_RINGS]:
        ring = _ring(group, scale, picture)
        named = [one for one in rings if one.label]
        if len(named) >= MAX_LABELS or any(_on_each_other(ring, one) for one in named):
            ring = replace(ring, label="")
        rings.append(ring)
    return tuple(rings)


def _on_each_other(one: Ring, other: Ring) -> bool:
    """Whether two labels would be written over each other."""
    (left, right), (start, end) = _reach(one), _reach(other)
    return left < end and start < right and abs(one.text_y - other.text_y) < _LETTER_HEIGHT_PX


def _reach(ring: Ring) -> tuple[float, float]:
    """Where a label begins and ends; it stands to the left of its ring where it must."""
    width = _LETTER_PX * len(ring.label)
    left = ring.text_x - width if ring.text_x < ring.x else ring.text_x
    return left, left + width


def _ring(group: BadGroup, scale: float, picture: MapPicture) -> Ring:
    margin = 5.0
    x, y = group.column * scale - margin, group.row * scale - margin
    width, height = group.columns * scale + 2 * margin, group.rows * scale + 2 * margin
    right = x + width + 3
    beyond = right + _LETTER_PX * len(group.label) > picture.width_px
    return Ring(
        x=round(x, 1),
        y=round(y, 1),
        width=round(width, 1),
        height=round(height, 1),
        label=group.label,
        text_x=round(x - 3 if beyond else right, 1),
        text_y=round(min(max(y + 10, 10), picture.height_px - 2), 1),
    )
