"""What a reviewer noted, measured in the strip: place, size, contrast, lengths taken together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from pipeline.model import Origin
from pipeline.quality.asked.known import StripPicture
from pipeline.quality.noise.weld_line import WeldLine
from pipeline.quality.noted.aggregate_length import fullest_window
from pipeline.quality.noted.indication import (
    AggregateLength,
    Figure,
    Indication,
    IndicationList,
    MeasuredIndication,
    Polarity,
    Suggestion,
)
from pipeline.quality.noted.local_contrast import Mask, Patch, Region, cut_patch
from pipeline.quality.noted.marked_extent import marked_extent, marked_region
from pipeline.quality.noted.seen_extent import (
    Outline,
    find_outline,
    learn_elsewhere,
    measure_extent,
    smoothings,
    spread_of,
)
from pipeline.quality.noted.strip_places import StripPlaces
from pipeline.quality.noted.suggestions import SuggestionPlan, suggest_regions

_AROUND_MM = 4.0  # of metal round the marked region that its contrast is taken with
_SLACK_MM = 0.5  # beside the marked region that an edge may lie in
_GAP_MM = 2.0  # between the places along the weld that are compared with
_ELSEWHERE_MM = 600.0  # along the weld that they are taken from, if that is enough of them
_ELSEWHERE = (6, 24)  # of them, at least and at most
_POLARITIES: Mapping[int, Polarity] = MappingProxyType(
    {0: "undecided", 1: "more_radiation", -1: "less_radiation"}
)
_LEAST_SIGNIFICANCE = 3.0  # standard deviations of contrast from which on its sign is told


def measure_indications(
    picture: StripPicture,
    marks: Sequence[Indication],
    places: StripPlaces,
    *,
    window_mm: float,
    weld: WeldLine | None = None,
    suggest: SuggestionPlan | None = None,
) -> IndicationList:
    """Every indication with its measures, and their lengths taken together over the whole weld and
    over any ``window_mm`` of it.

    ``weld`` is the weld's centre line, None where it isn't known: then nothing is told from it.
    With a plan ``suggest`` regions to look at are suggested as well. An indication that doesn't lie
    on the strip stays in the list with the reason.
    """
    measured = [_measured(picture, mark, places, weld) for mark in marks]
    grid = picture.grid
    weld_length = places.turn_mm or grid.columns * grid.pitch_mm
    lengths = []
    if marks:
        for kind in ("", *dict.fromkeys(mark.kind for mark in marks)):
            of_kind = [one for one in measured if kind in ("", one.kind)]
            lengths.append(_together(kind, of_kind, places, window_mm, weld_length))
    return IndicationList(
        window_mm,
        weld_length,
        tuple(measured),
        tuple(lengths),
        _suggested(picture, weld, suggest),
    )


def _suggested(
    picture: StripPicture, weld: WeldLine | None, plan: SuggestionPlan | None
) -> tuple[Suggestion, ...] | None:
    if plan is None:
        return None
    return () if weld is None else suggest_regions(picture, weld, plan)


def _measured(
    picture: StripPicture, mark: Indication, places: StripPlaces, weld: WeldLine | None
) -> MeasuredIndication:
    extent = marked_extent(mark, places)
    named = MeasuredIndication(mark.id, mark.kind, mark.note)
    if isinstance(extent, str):
        return replace(named, why_not=extent)
    region = marked_region(extent, picture.grid)
    if region is None:
        return replace(named, why_not="lies off the strip")
    edge = places.edge_sigma_mm
    middle = extent.s_mm + extent.length_mm / 2
    seam = places.nearest_seam(extent.s_mm, extent.length_mm)
    low, high = extent.z_mm
    placed = replace(
        named,
        s_first_mm=places.place(extent.s_mm),
        s_last_mm=places.place(extent.s_mm + extent.length_mm),
        z_first_mm=Figure(low, edge),
        z_last_mm=Figure(high, edge),
        length_mm=places.length(extent.length_mm),
        height_mm=Figure(high - low, math.sqrt(2) * edge),
        run_mm=None if extent.run_mm is None else places.length(extent.run_mm),
        clock_first_h=places.clock_h(extent.s_mm),
        clock_last_h=places.clock_h(extent.s_mm + extent.length_mm),
        axial_offset_mm=_axial_offset(middle, (low + high) / 2, edge, places, weld),
        seam=None if seam is None else seam[0],
        seam_distance_mm=None if seam is None else Figure(seam[1], places.place(middle).sigma),
    )
    return _with_picture(placed, picture, region)


def _axial_offset(
    s_mm: float, z_mm: float, edge_mm: float, places: StripPlaces, weld: WeldLine | None
) -> Figure | None:
    where = None if weld is None else weld.at(places.first_turn(s_mm))
    if weld is None or where is None:
        return None
    seen = np.flatnonzero(weld.seen)
    nearest = seen[np.argmin(np.abs(weld.s_mm[seen] - places.first_turn(s_mm)))]
    sigma = math.hypot(float(weld.z_sigma_mm[nearest]), edge_mm / math.sqrt(2))
    return Figure(z_mm - where[0], sigma)


def _with_picture(
    placed: MeasuredIndication, picture: StripPicture, region: Region
) -> MeasuredIndication:
    """The same with what the picture shows there."""
    grid = picture.grid
    if picture.origin is not None:
        measured = region.cut(picture.origin, grid) == Origin.MEASURED
        placed = replace(placed, measured_share=float(measured.mean()))
    patch = _cut(picture, region)
    others = _elsewhere(picture, region)
    ways = smoothings(region, grid.pitch_mm)
    elsewhere = [one for way in ways if (one := learn_elsewhere(others, way)) is not None]
    if patch is None or not elsewhere:
        return placed
    slack = round(_SLACK_MM / grid.pitch_mm)
    outline = find_outline(patch, elsewhere, slack)
    pixels = patch.inside & patch.known if outline.pixels is None else outline.pixels
    placed = _with_contrast(placed, picture, patch, pixels, others, outline)
    if outline.pixels is None:
        return placed
    return replace(placed, seen=measure_extent(outline, patch, grid, slack))


def _cut(picture: StripPicture, region: Region) -> Patch | None:
    pitch = picture.grid.pitch_mm
    return cut_patch(
        picture.values,
        picture.origin,
        picture.grid,
        region,
        slack_px=round(_SLACK_MM / pitch),
        around_px=round((_SLACK_MM + _AROUND_MM) / pitch),
    )


def _elsewhere(picture: StripPicture, region: Region) -> list[Patch]:
    """The same region at other places along the weld, to both sides in turn."""
    grid = picture.grid
    width = region.columns[1] - region.columns[0]
    step = width + round(_GAP_MM / grid.pitch_mm)
    least, most = _ELSEWHERE
    wanted = min(max(round(_ELSEWHERE_MM / (step * grid.pitch_mm)), least), most)
    if grid.ring:  # not twice the same place, and not the region itself
        wanted = min(wanted, max(grid.columns // step - 1, 0))
    found: list[Patch] = []
    for turn in range(1, 2 * most + 1):
        other = region.shifted(step * (turn // 2 + turn % 2) * (1 if turn % 2 else -1))
        if len(found) >= wanted:
            break
        if not grid.ring and not (other.columns[0] >= 0 and other.columns[1] <= grid.columns):
            continue
        patch = _cut(picture, other)
        if patch is not None:
            found.append(patch)
    return found


def _with_contrast(
    placed: MeasuredIndication,
    picture: StripPicture,
    patch: Patch,
    pixels: Mask,
    others: Sequence[Patch],
    outline: Outline,
) -> MeasuredIndication:
    """The same with the contrast of ``pixels`` and how much that varies along the weld."""
    contrast = float(np.expm1(patch.signal[pixels].mean(dtype=np.float64)))
    sigma = spread_of(np.array([_mean_at(other, patch, pixels) for other in others]))
    if outline.pixels is not None:
        polarity = outline.sign
    else:
        polarity = int(np.sign(contrast)) if abs(contrast) > _LEAST_SIGNIFICANCE * sigma else 0
    cnr = None
    if picture.sigma is not None:
        # Of the metal to its left and right, which is as thick as it would be here.
        beside = patch.known & ~pixels
        beside[~patch.inside.any(axis=1)] = False
        noise = patch.outer.cut(picture.sigma, picture.grid)[beside].astype(np.float64)
        noise_gv = picture.sigma_scale * math.sqrt(float(np.mean(noise**2))) if noise.size else 0.0
        if noise_gv > 0:
            in_noise = patch.background_gv / noise_gv
            cnr = Figure(contrast * in_noise, sigma * in_noise)
    return replace(
        placed,
        polarity=_POLARITIES[polarity],
        contrast=Figure(contrast, sigma),
        cnr=cnr,
        stands_out=outline.stands_out,
    )


def _mean_at(other: Patch, patch: Patch, pixels: Mask) -> float:
    """The mean contrast of the same shape, as far from the region, in a patch elsewhere."""
    rows, columns = np.nonzero(pixels)
    # An arc's end may cut one of the patches; their rows are the same.
    columns = columns + other.region_column - patch.region_column
    whole = (columns >= 0) & (columns < other.signal.shape[1])
    return float(other.signal[rows[whole], columns[whole]].mean(dtype=np.float64))


def _together(
    kind: str,
    indications: Sequence[MeasuredIndication],
    places: StripPlaces,
    window_mm: float,
    weld_length_mm: float,
) -> AggregateLength:
    """The lengths of these; those that lie nowhere don't count."""
    told = [(one.s_first_mm, one.length_mm) for one in indications]
    known = [(first, length) for first, length in told if first and length]
    sigma = np.array([length.sigma for _, length in known])
    total = sum(length.value for _, length in known)
    total_sigma = math.sqrt(float(np.sum(sigma**2)))
    most, begin, parts = fullest_window(
        [first.value for first, _ in known],
        [length.value for _, length in known],
        window_mm=window_mm,
        turn_mm=places.turn_mm,
    )
    held = math.sqrt(float(np.sum(sigma[parts > 0] ** 2))) if known else 0.0
    return AggregateLength(
        kind,
        len(known),
        Figure(total, total_sigma),
        Figure(total / weld_length_mm, total_sigma / weld_length_mm),
        Figure(most, held),
        begin,
    )
