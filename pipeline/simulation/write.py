"""A simulated scan on disk: frames, calibration exposures, configs and the truth."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from pipeline.io.folders import new_folder
from pipeline.simulation.presets import Preset
from pipeline.simulation.scan import (
    Scene,
    build_scene,
    dark_frames,
    flat_frames,
    scan_frames,
)
from pipeline.simulation.scan_configs import (
    FRAME_MA,
    FRAME_TIME_S,
    calibrate_text,
    job_sheet_rows,
    stitch_text,
)
from pipeline.simulation.truth import true_strip, truth_record

Progress = Callable[[str, int, int], None]
"""Called with what is being made, how many are done, and how many there will be."""

START = datetime(2026, 3, 2, 6, 30, tzinfo=UTC)
STOP_S = 6.0
LATITUDE, LONGITUDE = 0.0, -25.0  # mid-ocean: nobody's pipeline
TABLE_COLUMNS = (
    "file",
    "page",
    "position_mm",
    "time",
    "kv",
    "ma",
    "exposure_s",
    "latitude",
    "longitude",
    "temperature_c",
)


def write_scan(
    preset: Preset, out: Path, *, seed: int = 1, progress: Progress | None = None
) -> Path:
    """Make the folder ``out`` with a whole simulated scan in it, or nothing; returns ``out``.

    ``frames/`` (16-bit TIFF and frames.csv), ``dark/``, ``flat_1/``, ``flat_2/``, ``job.csv``,
    ``calibrate.toml``, ``stitch.toml``, ``stitch_quality.toml`` and ``truth/`` (truth.json,
    bad_pixels.tif and strip.tif).
    The same preset and seed give the same bytes.

    Raises:
        OutputError: ``out`` exists, or can't be written.
    """
    with new_folder(out) as folder:
        scene = build_scene(preset, seed)
        names = tuple(f"frame_{number:04d}.tif" for number in range(1, len(scene.stops) + 1))
        write_images(folder / "frames", names, scan_frames(scene), "frames", progress)
        _write_table(folder / "frames" / "frames.csv", scene, names)
        darks = numbered("dark", preset.dark_frames)
        write_images(folder / "dark", darks, dark_frames(scene), "dark frames", progress)
        for level in range(len(preset.flat_doses_gv)):
            flats = numbered("flat", preset.flat_frames)
            images = flat_frames(scene, level)
            write_images(folder / f"flat_{level + 1}", flats, images, "flat frames", progress)
        _write_csv(folder / "job.csv", job_sheet_rows(preset))
        (folder / "calibrate.toml").write_text(calibrate_text(preset), encoding="utf-8")
        (folder / "stitch.toml").write_text(stitch_text(preset), encoding="utf-8")
        measured = stitch_text(preset, quality=True)
        (folder / "stitch_quality.toml").write_text(measured, encoding="utf-8")
        _write_truth(folder / "truth", scene, names, progress)
    return out


def numbered(stem: str, count: int) -> tuple[str, ...]:
    """File names: the stem and a number from 001 on."""
    return tuple(f"{stem}_{number:03d}.tif" for number in range(1, count + 1))


def write_images(
    folder: Path,
    names: tuple[str, ...],
    images: Iterable[np.ndarray],
    what: str,
    progress: Progress | None,
) -> None:
    """Make ``folder`` and write one image a name, as they come."""
    folder.mkdir()
    for done, (name, image) in enumerate(zip(names, images, strict=True), start=1):
        write_picture(folder / name, image)
        if progress is not None:
            progress(what, done, len(names))


def write_picture(path: Path, image: np.ndarray) -> None:
    """One uncompressed page without dates, so that equal images are equal files."""
    import tifffile  # noqa: PLC0415

    tifffile.imwrite(path, image, photometric="minisblack", metadata=None, software="girthstrip")


def _write_table(path: Path, scene: Scene, names: tuple[str, ...]) -> None:
    rows = [TABLE_COLUMNS]
    for index, (name, stop) in enumerate(zip(names, scene.stops, strict=True)):
        time = START + timedelta(seconds=STOP_S * index)
        kv = scene.preset.kv * stop.kv_share
        rows.append(
            (
                name,
                "0",
                f"{stop.encoder_mm:.3f}",
                time.isoformat(),
                f"{kv:.0f}",
                f"{FRAME_MA}",
                f"{FRAME_TIME_S}",
                f"{LATITUDE:.5f}",
                f"{LONGITUDE:.5f}",
                "21.5",
            )
        )
    _write_csv(path, rows)


def _write_csv(path: Path, rows: Iterable[tuple[str, ...]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)


def _write_truth(
    folder: Path, scene: Scene, names: tuple[str, ...], progress: Progress | None
) -> None:
    folder.mkdir()
    record = truth_record(scene, names)
    text = json.dumps(record, indent=1, sort_keys=True, allow_nan=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")
    write_picture(folder / "bad_pixels.tif", scene.detector.classes)
    write_picture(folder / "strip.tif", true_strip(scene))
    if progress is not None:
        progress("truth", 1, 1)
