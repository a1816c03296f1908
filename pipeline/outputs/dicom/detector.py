"""The panel, and the calibration that corrected its frames."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pydicom.dataset import Dataset

from pipeline.calibration.product import CalibrationFacts
from pipeline.outputs.dicom.acquisition import magnification
from pipeline.outputs.dicom.finished import Finished
from pipeline.outputs.dicom.values import (
    LT,
    SH,
    fill,
    item,
    items,
    line,
    number,
    numbers,
    prose,
)

_BINNING = re.compile(r"(\d+)\s*[x×]\s*(\d+)")


def add_detector(dataset: Dataset, finished: Finished) -> None:
    """The DX Detector module, and group 0014's sequences for dark, gain and bad pixels.

    ``ImagerPixelSpacing`` is that of the strip's pixels thrown onto the panel, since the standard
    wants it of the image's pixels; the panel's own pitch is ``DetectorElementSpacing``.
    """
    panel, pitch_mm = finished.job.panel, finished.log.strip.pitch_mm
    temperature_c = finished.typical("temperature_c")
    fill(
        dataset,
        Manufacturer="",
        DeviceSerialNumber=line(panel.serial),
        DetectorType="",
        DetectorConfiguration="AREA",
        DetectorID=line(panel.serial, SH),
        DetectorMode=prose(panel.gain_mode, LT) or None,
        DetectorTemperature=None if temperature_c is None else number(temperature_c),
        DetectorBinning=_binning(panel.binning),
        DetectorElementSpacing=numbers([panel.pitch_mm, panel.pitch_mm]),
        DetectorActiveShape="RECTANGLE",
        DetectorActiveDimensions=numbers(
            [panel.rows * panel.pitch_mm, panel.columns * panel.pitch_mm]
        ),
        ImagerPixelSpacing=numbers([pitch_mm * magnification(finished)] * 2),
        CalibrationNotes=prose(_calibration_notes(finished), LT),
    )
    facts = finished.calibration
    if facts is not None:
        fill(
            dataset,
            DarkCurrentSequence=items(item(CalibrationNotes=prose(_dark_notes(facts), LT))),
            GainCorrectionReferenceSequence=items(
                item(
                    NumberOfFramesUsedForIntegration=_count(facts, "flat_frames"),
                    CalibrationNotes=prose(_gain_notes(facts), LT),
                )
            ),
        )


def _binning(told: str | None) -> object:
    """Rows and columns of panel elements to a pixel, where they are told as numbers."""
    found = _BINNING.fullmatch((told or "").strip())
    return None if found is None else numbers(map(float, found.groups()))


def _calibration_notes(finished: Finished) -> str:
    used = finished.log.calibration
    total = finished.job.panel.rows * finished.job.panel.columns
    classes = (f"{name} {count}" for name, count in used.bad_pixels.items() if name != "total")
    lines = [
        f"calibration (SHA-256 of its facts and arrays): {used.identity}",
        f"detector: {used.serial}; gain mode: {used.gain_mode or 'not told'}; binning: "
        f"{finished.job.panel.binning or 'not told'}",
        *(f"valid from: {day}" for day in [used.valid_from] if day),
        *(f"valid until: {day}" for day in [used.valid_until] if day),
        f"bad pixels: {used.bad_pixels.get('total', 0)} of {total}"
        f" ({', '.join(classes)}; one may be of several classes)",
    ]
    facts = finished.calibration
    if facts is not None and facts.bad_groups:
        groups = (f"{name} {count}" for name, count in facts.bad_groups.items())
        lines.append(f"groups of bad pixels: {', '.join(groups)}")
    return "\n".join(lines)


def _dark_notes(facts: CalibrationFacts) -> str:
    darks = _count(facts, "dark_frames")
    dark = f"mean of {darks:g} frames" if darks else "mean dark frame"
    told = [f"dark: {dark} {facts.dark_conditions.describe()}"]
    if facts.frame_time_s is not None:
        told.append(f"frame time {facts.frame_time_s:g} s")
    told += [f"another: {state.describe()}" for state in facts.dark_states]
    return "; ".join([*told, *_exposures(facts, "dark")])


def _gain_notes(facts: CalibrationFacts) -> str:
    flats = _count(facts, "flat_frames")
    told = ["gain: response of each pixel" + (f", from {flats:g} flat frames" if flats else "")]
    if facts.source_distance_mm is not None:
        told.append(f"source to panel {facts.source_distance_mm:g} mm")
    return "; ".join([*told, *_exposures(facts, "flat")])


def _exposures(facts: CalibrationFacts, kind: str) -> Iterator[str]:
    """The sets of exposures of a kind: how many files, and their dose."""
    for exposure in facts.exposures:
        if exposure.get("kind") != kind:
            continue
        files, dose = exposure.get("files"), exposure.get("dose")
        count = len(files) if isinstance(files, list | tuple) else 0
        yield f"{count} files" + (f" at {dose:g} mAs" if isinstance(dose, int | float) else "")


def _count(facts: CalibrationFacts, name: str) -> float | None:
    found = facts.acceptance.get(name)
    return None if found is None else number(found)
