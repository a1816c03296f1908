"""Small welds as they are archived: every file that a real one has, with invented content."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

import bagit
import numpy as np

from pipeline.io.positions import write_positions
from pipeline.io.strip import write_maps, write_strip

STRIP = np.random.default_rng(3).integers(0, 60_000, (40, 70)).astype("<u2")
"""Every weld's strip: rows, columns; gray values."""

CONFIG = """
weld = {id = "W-7", diameter_mm = 609.6, wall_mm = 10, operator = "A. Moor", line = "Old line"}
panel = {rows = 320, columns = 384, pitch_mm = 0.1, serial = "P-1"}
geometry = {standoff_mm = 10}
[frames]
folder = "FRAMES"
[calibration]
folder = "CALIBRATION"
[output]
folder = "OUT"
[stages]
sequence = ["flat_field", "bad_pixels", "distortion", "registration", "blending"]
"""


def random_files(count: int, size: int, seed: int = 5) -> dict[str, bytes]:
    """Frames by name, no two alike."""
    rng = np.random.default_rng(seed)
    return {f"frame_{k:02d}.tif": rng.bytes(size + 16 * k) for k in range(count)}


def make_weld(folder: Path, frames: Mapping[str, bytes], *, shot: str = "") -> Path:
    """A weld's folder with ``weld.toml``, ``frames``, ``calibration`` and ``result``."""
    contents = {f"frames/{name}": content for name, content in frames.items()}
    contents["frames/frames.csv"] = b"file,position_mm\nframe_00.tif,0\n"
    contents |= {f"calibration/{name}": name.encode() * 300 for name in ("dark.tif", "gain.tif")}
    inputs = [
        {"path": name, "sha256": hashlib.sha256(content).hexdigest()}
        for name, content in contents.items()
    ]
    weld = {"id": "W-7", "operator": "A. Moor", "diameter_mm": 609.6, "shot": shot}
    log = {
        "schema": "girthstrip.quality/5",
        "weld": weld,
        "inputs": inputs,
        "software": {"numpy": "2"},
        "checks": [],
        "strip": {"pixels_sha256": hashlib.sha256(STRIP.tobytes()).hexdigest()},
    }
    contents["result/quality.json"] = json.dumps(log).encode()
    contents["result/config.toml"] = _config("../frames", "../calibration", ".").encode()
    contents["weld.toml"] = _config("frames", "calibration", "result").encode()
    contents |= {f"result/{name}": name.encode() * 500 for name in ("quality.html", "timing.json")}
    for name, content in contents.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    _write_images(folder / "result")
    return folder


def _write_images(result: Path) -> None:
    write_strip(result / "strip.tif", STRIP, pitch_mm=0.1, metadata={})
    plain = np.ones(STRIP.shape, np.uint8)
    maps = {"count": plain, "origin": plain, "sigma": STRIP}
    write_maps(result / "maps.tif", **maps, pitch_mm=0.1, metadata={})
    write_positions(result / "positions.csv", [])


def two_places(folder: Path) -> list[Path]:
    """Two empty folders to archive into."""
    places = [folder / "a", folder / "b"]
    for place in places:
        place.mkdir(parents=True)
    return places


def validate(bag: Path) -> None:
    """Have the bag judged by the ``bagit`` package, every digest included.

    Raises:
        bagit.BagError: it isn't valid.
    """
    bagit.Bag(str(bag)).validate(processes=1, fast=False, completeness_only=False)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder by its name from there."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _config(frames: str, calibration: str, out: str) -> str:
    told = CONFIG.replace("FRAMES", frames).replace("CALIBRATION", calibration)
    return told.replace("OUT", out)
