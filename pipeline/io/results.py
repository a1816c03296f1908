"""The files of a weld's result folder, from its quality log, its strip and its maps."""

from __future__ import annotations

import json
from concurrent.futures import Executor, Future
from pathlib import Path

from pipeline.config.weld_sections import Weld
from pipeline.errors import OutputError
from pipeline.io.positions import PositionRow, write_positions
from pipeline.io.strip import write_maps, write_strip
from pipeline.model import Strip
from pipeline.quality.log import QualityLog, StripFacts

RESULT_FILES = (
    "quality.json",
    "strip.tif",
    "maps.tif",
    "positions.csv",
    "quality.html",
    "config.toml",
    "timing.json",
)
"""All that a weld's result folder holds; a folder with anything else is never replaced."""

_JOB = (
    *("line", "station", "procedure", "material", "diameter_mm", "wall_mm"),
    *("operator", "evaluator"),
)
_IN_IMAGES = (
    "s_first_mm",
    "z_first_mm",
    "circumference_mm",
    "ring",
    "overrun_mm",
    "direction",
    "scale",
    "offset",
    "sigma_scale",
)


def submit_images(
    folder: Path,
    strip: Strip,
    facts: StripFacts,
    pool: Executor,
    *,
    weld: Weld,
    calibration: str,
) -> list[Future[None]]:
    """Begin to write strip.tif and maps.tif into ``folder``; ask the futures whether it worked.

    ``calibration`` is the identity of the one that was used.
    """
    pitch_mm = facts.pitch_mm
    metadata = {name: getattr(facts, name) for name in _IN_IMAGES} | {
        "weld": weld.id,
        "shot": weld.shot,
        "job": {name: getattr(weld, name) for name in _JOB},
        "calibration": calibration,
    }
    return [
        pool.submit(
            write_strip, folder / "strip.tif", strip.values, pitch_mm=pitch_mm, metadata=metadata
        ),
        pool.submit(
            write_maps,
            folder / "maps.tif",
            count=strip.count,
            origin=strip.origin,
            sigma=strip.sigma,
            pitch_mm=pitch_mm,
            metadata=metadata,
        ),
    ]


def require_same_weld(folder: Path, weld: Weld) -> None:
    """Raise OutputError if ``folder`` has the result of another weld, or of another shot of it.

    Replacing is for doing the same again; a repair's strip must not take the place of the first.
    """
    try:
        told = json.loads((folder / RESULT_FILES[0]).read_text(encoding="utf-8"))["weld"]
        there = str(told["id"]), str(told.get("shot") or "")
    except (OSError, ValueError, KeyError, TypeError):
        return  # no result that tells whose it is
    if there != (weld.id, weld.shot):
        names = [" ".join(one).strip() for one in (there, (weld.id, weld.shot))]
        raise OutputError(
            f"has the result of weld {names[0]}, which that of {names[1]} must not replace",
            where=str(folder),
            remedy="Name another folder with --out, or move what is there to where it belongs",
        )


def write_tables(folder: Path, log: QualityLog, config_text: str) -> None:
    """Write positions.csv, quality.json and config.toml into ``folder``.

    Raises:
        OSError: a file can't be written.
    """
    columns = PositionRow.__dataclass_fields__
    rows = [PositionRow(**{n: getattr(frame, n) for n in columns}) for frame in log.frames]
    write_positions(folder / "positions.csv", rows)
    (folder / "quality.json").write_text(log.to_json(), encoding="ascii")
    (folder / "config.toml").write_text(config_text, encoding="utf-8")
