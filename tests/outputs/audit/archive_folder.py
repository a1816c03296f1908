"""Result folders of invented welds, as an archive holds them: only what an audit reads."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.io.strip import write_strip
from tests.quality.evidence.welds import PITCH_MM

_FRAMES = 60


def frame_names() -> list[str]:
    return [f"frame_{k:03d}.tif" for k in range(_FRAMES)]


def digests_of(weld: str) -> list[str]:
    """Invented SHA-256 of the frames of a weld."""
    return [hashlib.sha256(f"{weld} {name}".encode()).hexdigest() for name in frame_names()]


def write_result(
    folder: Path,
    gray: NDArray[np.uint16],
    *,
    weld: str,
    circumference_mm: float,
    ring: bool = True,
    digests: list[str] | None = None,
    serial: str = "SIM-0001",
    first_time: str | None = None,
    last_time: str | None = None,
    name_in_strip: str | None = None,
    shot: str = "",
) -> Path:
    """A folder with a quality log (as large as a real one) and a strip with its overviews."""
    folder.mkdir(parents=True)
    names = frame_names()
    log = {
        "schema": "girthstrip.quality/4",
        "weld": {"id": weld, "line": "", "operator": "A. Example", "shot": shot},
        "calibration": {"serial": serial, "identity": "0" * 64},
        "strip": {"ring": ring, "circumference_mm": circumference_mm},
        "exposure": {"first_time": first_time, "last_time": last_time},
        "frames": [{"file": name, "position_mm": 1.25 * k} for k, name in enumerate(names)],
        "inputs": [
            {"path": f"frames/{name}", "sha256": digest}
            for name, digest in zip(names, digests or digests_of(weld), strict=True)
        ],
        "series": [{"s_mm": [0.125 * k for k in range(400)]} for _ in range(20)],
    }
    (folder / "quality.json").write_text(json.dumps(log, indent=1), encoding="ascii")
    metadata = {"weld": weld if name_in_strip is None else name_in_strip}
    write_strip(folder / "strip.tif", gray, pitch_mm=PITCH_MM, metadata=metadata)
    return folder
