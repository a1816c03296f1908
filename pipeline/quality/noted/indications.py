"""What a reviewer noted, measured in the strip: place, size, contrast, lengths taken together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from pipeline.model import Origin, StripGrid
from pipeline.quality.asked.known import StripPicture
from pipeline.quality.noise.weld_line import WeldLine
from pipeline.quality.noted.aggregate_length import fullest_window, merged
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
    unsharpness_mm: float | None = None,
) -> IndicationList:
    """Every indication with its measures, and their lengths taken together over the whole weld and
    over any ``window_mm`` of it.

    ``weld`` is the weld's centre line, None where it isn't known: then nothing is told from it.
    With a plan ``suggest`` regions to look at are suggested as well. An indication that doesn't lie
    on the strip stays in the list with the reason. ``unsharpness_mm`` is the picture's, None where
    nobody measured it: then two pixels, the least it can be.
    """
    grid = picture.grid
    blur_mm = unsharpness_mm or 2 * grid.pitch_mm
    measured = [_measured(picture, mark, places, weld, blur_mm) for mark in marks]
    weld_length = places.turn_mm or grid.columns * grid.pitch_mm
    lengths = []
    if marks:
        for kind in ("", *dict.fromkeys(mark.kind for mark in marks)):
            of_kind = [one for one in measured if kind in ("", one.kind)]
            lengths.append(_together(kind, of_kind, places, window_mm, weld_length, grid))
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
    picture: StripPicture,
    mark: Indication,
    places: StripPlaces,
    weld: WeldLine | None,
    unsharpness_mm: float,
) -> MeasuredIndication:
    extent = marked_extent(mark, places)
    named = MeasuredIndication(mark.id, mark.kind, mark.note)
    if isinstance(extent, str):
        return replace(named, why_not=extent)
    region = marked_region(extent, picture.grid)
    if region is None:
        low, high = extent.z_mm
        end = places.first_turn(extent.s_mm + extent.length_mm)
        where = f"{extent.s_mm:.1f} to {end:.1f} mm, {low:+.1f} to {high:+.1f} mm along the pipe"
        return replace(named, why_not=f"lies off the strip: {where}")
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
    return _with_picture(placed, picture, region, unsharpness_mm)


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
    placed: MeasuredIndication, picture: StripPicture, region: Region, unsharpness_mm: float
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
    return replace(placed, seen=measure_extent(outline, patch, grid, slack, unsharpness_mm))


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
    grid: StripGrid,
) -> AggregateLength:
    """The lengths of these, where they overlap once; those that lie nowhere don't count."""
    told = [(one.s_first_mm, one.length_mm) for one in indications]
    known = [
        _on_strip(first.value, length.value, grid, places)
        for first, length in told
        if first and length
    ]
    firsts, lengths = merged(
        [first for first, _ in known], [length for _, length in known], turn_mm=places.turn_mm
    )
    sigma = np.array([places.length(length).sigma for length in lengths])
    total = min(sum(lengths), weld_length_mm)
    total_sigma = math.sqrt(float(np.sum(sigma**2)))
    most, begin, parts = fullest_window(
        firsts, lengths, window_mm=window_mm, turn_mm=places.turn_mm
    )
    held = math.sqrt(float(np.sum(sigma[parts > 0] ** 2))) if known else 0.0
    return AggregateLength(
        kind,
        len(known),
        Figure(total, total_sigma),
        Figure(total / weld_length_mm, total_sigma / weld_length_mm),
        Figure(most, held),
        begin,
        len(indications) - len(known),
    )


def _on_strip(
    first_mm: float, length_mm: float, grid: StripGrid, places: StripPlaces
) -> tuple[float, float]:
    """A stretch, of an arc only what of it the strip shows."""
    if places.turn_mm is not None:
        return first_mm, length_mm
    begin = grid.s_first_mm - grid.pitch_mm / 2
    end = begin + grid.columns * grid.pitch_mm
    low, high = max(first_mm, begin), min(first_mm + length_mm, end)
    return low, max(high - low, 0.0)
