"""The raw frames that saw a spot: cut out as read and corrected, side by side.

An indication is in every frame that saw its place; what is at one seam only is not.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.product import CalibrationSet
from pipeline.choose import calibration_for
from pipeline.errors import FrameError, InputError
from pipeline.io.frames import Scan, open_scan
from pipeline.kernels.repair import flag_saturated
from pipeline.model import Frame, FrameFlag
from pipeline.plan import scan_geometry, shooting_order
from pipeline.review.answers import BAD, RequestError
from pipeline.review.frames_there import PanelPlace, magnification, places_on_panel
from pipeline.review.weld import FRAMES, OpenWeld
from pipeline.stages.bad_pixels import BadPixels
from pipeline.stages.chain import CorrectionChain
from pipeline.stages.flat_field import FlatField
from pipeline.stages.lag import Lag

_MOST_FRAMES = 12
_MOST_HALF_MM = 25.0
_LOW, _HIGH = 0.5, 99.5
_POLARITY = "positive: a larger gray value, more radiation, is lighter"

Cut = NDArray[Any]


@dataclass(frozen=True, slots=True)
class _Frames:
    """A weld's frames and the calibration that corrects them."""

    scan: Scan
    calibration: CalibrationSet


def frames_available(weld: OpenWeld) -> bool:
    """Whether the frames' table and folder are where the config says."""
    job = weld.job
    return job is not None and (job.frames.folder / job.frames.table).is_file()


def spot(weld: OpenWeld, s_mm: float, z_mm: float, half_mm: float) -> dict[str, Any]:
    """Pictures of ``half_mm`` to each side of a place, in every frame that saw it.

    All as-read ones have one window, all corrected ones another; corrected ones are divided by
    their frame's level, as in the strip.

    Raises:
        RequestError: the place doesn't lie on the strip, or the frames are gone.
        InputError: frames or calibration are at fault.
    """
    weld.pixel(s_mm, z_mm)
    if not 0 < half_mm <= _MOST_HALF_MM:
        raise RequestError(
            BAD, "half_mm is out of range", expected=f"more than 0, {_MOST_HALF_MM:g} most"
        )
    job = weld.job
    if job is None or not frames_available(weld):
        raise RequestError(
            BAD,
            "the raw frames aren't where the result's config says",
            remedy="Put the frames back, or look at the strip alone",
        )
    geometry, panel = scan_geometry(job)
    half_px = max(4, round(half_mm * magnification(geometry, panel)))
    found = places_on_panel(weld, s_mm, z_mm)[:_MOST_FRAMES]
    told = [_describe(weld, place, half_px) for place in found]
    raw, corrected = _cut_all(weld, found, half_px, told)
    windows = {"raw": _window(raw), "corrected": _window(corrected)}
    for one, as_read, mended in zip(told, raw, corrected, strict=True):
        one["raw"] = None if as_read is None else _png(as_read, windows["raw"])
        one["corrected"] = None if mended is None else _png(mended, windows["corrected"])
    return {"spots": told, "polarity": _POLARITY, "window": windows, "half_mm": half_mm}


def _describe(weld: OpenWeld, place: PanelPlace, half_px: int) -> dict[str, Any]:
    rows, columns = _box(weld, place, half_px)
    return {
        "file": weld.log.frames[place.frame].file,
        "page": weld.log.frames[place.frame].page,
        "index": place.frame,
        "row": round(place.row, 2),
        "column": round(place.column, 2),
        "mark": {
            "x": round((place.column + 0.5 - columns.start) / (columns.stop - columns.start), 4),
            "y": round((place.row + 0.5 - rows.start) / (rows.stop - rows.start), 4),
        },
        "why_not": "",
    }


def _box(weld: OpenWeld, place: PanelPlace, half_px: int) -> tuple[slice, slice]:
    """What is cut from a frame; less where the panel ends."""
    job = weld.job
    assert job is not None
    row, column = round(place.row), round(place.column)
    return (
        slice(max(row - half_px, 0), min(row + half_px + 1, job.panel.rows)),
        slice(max(column - half_px, 0), min(column + half_px + 1, job.panel.columns)),
    )


def _cut_all(
    weld: OpenWeld, found: list[PanelPlace], half_px: int, told: list[dict[str, Any]]
) -> tuple[list[Cut | None], list[Cut | None]]:
    """What was cut from every frame, as read and corrected; why not stands in ``told``."""
    frames = _frames_of(weld)
    chain = _chain(weld, frames)
    raw: list[Cut | None] = []
    corrected: list[Cut | None] = []
    for place, one in zip(found, told, strict=True):
        box = _box(weld, place, half_px)
        as_read = _read(weld, frames.scan, place.frame)
        raw.append(None if as_read is None else as_read.values[box].copy())
        mended = None if as_read is None else chain.frame(place.frame)
        level = weld.log.frames[place.frame].level or 1.0
        corrected.append(None if mended is None else mended.values[box] / np.float32(level))
        if as_read is None:
            one["why_not"] = "the frame can't be read any more"
    return raw, corrected


def _frames_of(weld: OpenWeld) -> _Frames:
    """The weld's frames and calibration, kept as long as the weld stays open."""
    with weld.busy:
        held = weld.kept.get(FRAMES)
        if not isinstance(held, _Frames):
            assert weld.job is not None
            scan = open_scan(weld.job)
            if len(scan.rows) != len(weld.log.frames):
                raise InputError(
                    f"has {len(scan.rows)} frames, the quality log {len(weld.log.frames)}",
                    where=str(weld.job.frames.folder),
                    remedy="The frames were changed since; stitch the weld anew",
                )
            _, calibration = calibration_for(weld.job, scan.rows)
            held = weld.kept[FRAMES] = _Frames(scan, calibration)
    return held


def _chain(weld: OpenWeld, frames: _Frames) -> CorrectionChain:
    assert weld.job is not None
    records = weld.job.stages.records
    return CorrectionChain(
        [one for one in records if isinstance(one, FlatField | Lag | BadPixels)],
        frames.calibration,
        lambda index: _read(weld, frames.scan, index),
        shooting_order(frames.scan.rows),
    )


def _read(weld: OpenWeld, scan: Scan, index: int) -> Frame | None:
    assert weld.job is not None
    if index in scan.problems:
        return None
    raw = np.empty(scan.shape, dtype=np.uint16)
    try:
        scan.read(index, raw)
    except FrameError:
        return None
    flags = flag_saturated(raw, weld.job.panel.saturation_gv, int(FrameFlag.SATURATED))
    return Frame(index, raw, flags)


def _window(cuts: list[Cut | None]) -> list[float]:
    """From black to white for all of them together."""
    pixels = [cut.ravel() for cut in cuts if cut is not None]
    if not pixels:
        return [0.0, 1.0]
    low, high = np.percentile(np.concatenate(pixels), [_LOW, _HIGH]).tolist()
    return [round(low, 1), round(max(high, low + 1), 1)]


def _png(cut: Cut, window: list[float]) -> str:
    low, high = window
    gray = np.clip((cut.astype(np.float32) - low) * (255 / (high - low)), 0, 255)
    data = imagecodecs.png_encode(np.rint(gray).astype(np.uint8))
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii")
