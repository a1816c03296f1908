"""What of a marked region stands out in the picture: where its edge is and how large it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatImage, StripGrid
from pipeline.quality.noted.indication import Figure, SeenExtent
from pipeline.quality.noted.local_contrast import Mask, Patch, Region

_LIMIT = 3.0  # standard deviations above what the same region shows elsewhere along the weld
_EDGE = 0.5  # of the greatest contrast
_PART = 0.25  # of the greatest contrast: what is fainter beside it is noise, or the metal's own
_LEAST = 1e-5  # contrast that a limit is at least: a step of 16 bits is more
_SMOOTH_PX = 1.0  # of a Gaussian: what lies in fewer pixels can't be told from noise
_ALONG_MM = 1.0  # of a Gaussian along a long region: lines are steadier along themselves than metal
_LONG_MM = 4.0
_DETAIL_MM = 0.15, 0.6  # of the Gaussians whose difference brings out what is small or thin
_CLEARLY = 2.0  # times the limit: fainter outlines fall to pieces in noise


@dataclass(frozen=True, slots=True)
class Smoothing:
    """A Gaussian of these standard deviations in pixels; ``less`` is that of a wider one, the same
    both ways, that is taken away, 0 for none."""

    along: float
    across: float
    less: float = 0.0


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What regions of the same size show at other places along the weld, smoothed in one way.

    ``limit`` is what their greatest contrast hardly ever reaches, ``spread`` the standard deviation
    of the smoothed contrast of their pixels; both from medians, so that a gauge does no harm.
    """

    smoothing: Smoothing
    limit: float
    spread: float


@dataclass(frozen=True, slots=True)
class Outline:
    """The pixels of a patch that stand out, ``sign`` 1 where they are brighter than beside them.

    ``stands_out`` is the greatest contrast over its limit; ``pixels`` are None where that is less
    than 1. ``wider`` and ``narrower`` are the outlines one standard deviation further out and in.
    """

    sign: int
    stands_out: float
    pixels: Mask | None
    wider: Mask
    narrower: Mask


def smoothings(region: Region, pitch_mm: float) -> tuple[Smoothing, ...]:
    """How a region is looked at: smoothed a little, with the metal's slower shape taken away, and
    a long one along itself."""
    along = _ALONG_MM / pitch_mm
    found = [
        Smoothing(_SMOOTH_PX, _SMOOTH_PX),
        Smoothing(_DETAIL_MM[0] / pitch_mm, _DETAIL_MM[0] / pitch_mm, _DETAIL_MM[1] / pitch_mm),
    ]
    if np.ptp(region.columns) * pitch_mm >= _LONG_MM:
        found.append(Smoothing(along, _SMOOTH_PX))
    if np.ptp(region.rows) * pitch_mm >= _LONG_MM:
        found.append(Smoothing(_SMOOTH_PX, along))
    return tuple(found)


def learn_elsewhere(patches: Sequence[Patch], smoothing: Smoothing) -> Elsewhere | None:
    """The limit and the spread that patches at other places tell; None for fewer than three."""
    if len(patches) < 3:
        return None
    smooth = [np.abs(_inside(patch, smoothing)) for patch in patches]
    greatest = np.array([values.max() for values in smooth])
    middle = float(np.median(greatest))
    # A few maxima tell their own spread poorly; that of a maximum is a tenth of it or more.
    away = max(spread_of(greatest), 0.1 * middle)
    # Half of a normal deviation's absolute values lie below 0.6745 of its standard deviation.
    spread = float(np.median([np.median(values) for values in smooth])) / 0.6745
    return Elsewhere(smoothing, max(middle + _LIMIT * away, _LEAST), spread)


def find_outline(patch: Patch, elsewhere: Sequence[Elsewhere], slack_px: int) -> Outline:
    """The outline of what stands out in the patch's region and up to ``slack_px`` beside it.

    Of each part that hangs together and has a pixel beyond the limit it holds those with half of
    the part's own greatest contrast or more: of a cluster a fainter part isn't lost beside a
    stronger one, as long as it has a quarter of that one's contrast. Of the smoothings the first
    counts if it stands out well by it, as the others blur its ends; else that by which it stands
    out most.
    """
    greatest = [_greatest(_inside(patch, one.smoothing)) for one in elsewhere]
    over = [abs(value) / one.limit for value, one in zip(greatest, elsewhere, strict=True)]
    best = 0 if over[0] >= _CLEARLY else int(np.argmax(over))
    sign, chosen = 1 if greatest[best] >= 0 else -1, elsewhere[best]
    where = patch.known & _grown(patch.inside, slack_px)
    if over[best] <= 1:
        nothing = np.zeros_like(where)
        return Outline(sign, over[best], None, nothing, nothing)
    height = np.where(where, sign * _smooth(patch, chosen.smoothing), 0)
    most = abs(greatest[best])
    ground, seed = min(_EDGE * most, chosen.limit), max(_PART * most, chosen.limit)
    pixels, wider, narrower = (
        _each_to_its_half(height, ground, seed, further)
        for further in (0.0, -chosen.spread, chosen.spread)
    )
    return Outline(sign, over[best], pixels, wider, narrower)


def measure_extent(
    outline: Outline, patch: Patch, grid: StripGrid, slack_px: int, unsharpness_mm: float
) -> SeenExtent:
    """How large the outline is; it must have pixels.

    The standard deviations add a pixel's part at both ends to half the difference between the wider
    and the narrower outline, and half the picture's unsharpness: where in a blurred edge an outline
    is taken is a choice.
    """
    if outline.pixels is None:
        raise ValueError("nothing stands out, so nothing has an extent")
    pitch = grid.pitch_mm
    parts = _parts(outline.pixels)[0] - 1
    sizes, wider, narrower = (
        _sizes(mask) for mask in (outline.pixels, outline.wider, outline.narrower)
    )
    along, down, run, width, area = (
        0.5 * abs(one - other) for one, other in zip(wider, narrower, strict=True)
    )
    ends = 1 / math.sqrt(6)  # two edges, each anywhere in a pixel
    rim = math.sqrt(max(_rim(outline.pixels), 1) / 12)
    taken = unsharpness_mm / 2 / pitch
    along, down, run, width = (math.hypot(one, taken) for one in (along, down, run, width))
    area = math.hypot(area, taken * max(_rim(outline.pixels), 1) / 2)
    rows, columns = (np.flatnonzero(outline.pixels.any(axis=axis)) for axis in (1, 0))
    z_first = grid.z_first_mm + (patch.outer.rows[0] + int(rows[0]) - 0.5) * pitch
    s_first = grid.s_first_mm + (patch.outer.columns[0] + int(columns[0]) - 0.5) * pitch
    s_last = s_first + sizes[0] * pitch
    if grid.ring:
        s_first, s_last = (s % (grid.columns * pitch) for s in (s_first, s_last))
    return SeenExtent(
        s_first_mm=s_first,
        s_last_mm=s_last,
        z_first_mm=z_first,
        z_last_mm=z_first + sizes[1] * pitch,
        length_s_mm=Figure(sizes[0] * pitch, math.hypot(ends, along) * pitch),
        length_z_mm=Figure(sizes[1] * pitch, math.hypot(ends, down) * pitch),
        length_mm=Figure(sizes[2] * pitch, math.hypot(ends, run) * pitch),
        width_mm=Figure(sizes[3] * pitch, math.hypot(rim / sizes[2], width) * pitch),
        area_mm2=Figure(sizes[4] * pitch**2, math.hypot(rim, area) * pitch**2),
        goes_on=bool((outline.pixels & _border(patch, slack_px)).any()),
        parts=parts,
        remarks=_remarks(parts, sizes[3] * pitch, unsharpness_mm),
    )


def _remarks(parts: int, width_mm: float, unsharpness_mm: float) -> tuple[str, ...]:
    """What the reader of the sizes must mind."""
    said = []
    if parts > 1:
        said.append(
            f"{parts} parts stand out: the length is that of all of them, the area theirs "
            "together, the width the widest's"
        )
    if width_mm <= unsharpness_mm:
        said.append(
            f"its width is no more than the picture's unsharpness, {unsharpness_mm:.2f} mm: it may "
            "be much narrower in truth"
        )
    return tuple(said)


def _smooth(patch: Patch, smoothing: Smoothing) -> FloatImage:
    import cv2  # noqa: PLC0415

    def blurred(along: float, across: float) -> FloatImage:
        image = cv2.GaussianBlur(
            patch.signal, (0, 0), sigmaX=along, sigmaY=across, borderType=cv2.BORDER_REFLECT_101
        )
        return np.asarray(image, dtype=np.float32)

    image = blurred(smoothing.along, smoothing.across)
    return image - blurred(smoothing.less, smoothing.less) if smoothing.less else image


def _inside(patch: Patch, smoothing: Smoothing) -> FloatImage:
    """The smoothed contrast of the region's known pixels, (pixels,)."""
    return _smooth(patch, smoothing)[patch.inside & patch.known]


def _greatest(values: FloatImage) -> float:
    """The value that is furthest from 0."""
    return float(values[int(np.argmax(np.abs(values)))])


def _each_to_its_half(height: FloatImage, ground: float, seed: float, further: float) -> Mask:
    """Of the groups of pixels above ``ground`` that have one above ``seed``, each down to half of
    its own greatest height; both levels raised by ``further``."""
    import cv2  # noqa: PLC0415

    above = height >= max(ground + further, 1e-6)
    count, label = cv2.connectedComponents(above.astype(np.uint8), connectivity=8)
    greatest = np.zeros(count, height.dtype)
    np.maximum.at(greatest, label, height)
    level = np.where(greatest >= seed, np.maximum(_EDGE * greatest, ground) + further, np.inf)
    level[0] = np.inf
    return np.asarray(above & (height >= level[label]))


def _sizes(mask: Mask) -> tuple[float, float, float, float, float]:
    """Along s, along z, greatest extent, width, area, in pixels; zeros for no pixel."""
    import cv2  # noqa: PLC0415

    rows, columns = np.nonzero(mask)
    if not rows.size:
        return 0.0, 0.0, 0.0, 0.0, 0.0
    area = float(rows.size)
    along, down = float(np.ptp(columns) + 1), float(np.ptp(rows) + 1)
    middles = np.stack([columns, rows], axis=1).astype(np.float32)
    run = max(max(cv2.minAreaRect(middles)[1]) + 1.0, 1.0)
    count, label = _parts(mask)
    if count == 2:
        return along, down, run, _stadium_width(area, run), area
    return along, down, run, max(_sizes(label == k)[3] for k in range(1, count)), area


def _parts(mask: Mask) -> tuple[int, NDArray[Any]]:
    """How many labels there are, 0 for the ground among them, and each pixel's."""
    import cv2  # noqa: PLC0415

    count, label = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    return int(count), np.asarray(label)


def _stadium_width(area: float, length: float) -> float:
    """The width w of a shape with straight sides and round ends: w · length − (1 − π/4) w² = area.

    A disc's is its diameter; where the area is more than a disc's of that length, it is the length.
    """
    corner = 1 - math.pi / 4
    inner = length**2 - 4 * corner * area
    if inner <= 0:
        return length
    return min((length - math.sqrt(inner)) / (2 * corner), length)


def _rim(mask: Mask) -> int:
    """How many pixels lie at the mask's edge, inside."""
    import cv2  # noqa: PLC0415

    whole = mask.astype(np.uint8)
    inner = cv2.erode(whole, np.ones((3, 3), np.uint8), borderValue=0)
    return int(whole.sum() - inner.sum())


def _grown(mask: Mask, pixels: int) -> Mask:
    import cv2  # noqa: PLC0415

    size = 2 * pixels + 1
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((size, size), np.uint8)) > 0)


def _border(patch: Patch, slack_px: int) -> Mask:
    """The outermost pixels of where an outline is looked for."""
    return _grown(patch.inside, slack_px) & ~_grown(patch.inside, max(slack_px - 1, 0))


def spread_of(values: NDArray[Any]) -> float:
    """Standard deviation from the median deviation."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
