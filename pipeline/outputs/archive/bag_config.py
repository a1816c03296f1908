"""A weld's config as it stands in its bag: every path leads to where the bag holds the file."""

from __future__ import annotations

from pathlib import Path

from pipeline.config.weld import WeldJob
from pipeline.config.weld_sections import CalibrationFolder

FRAMES, CALIBRATION, RESULT = "frames", "calibration", "result"
FRAME_TABLE, INDICATIONS, PROFILE = "frames.csv", "indications.csv", "profile.toml"


def bag_config(job: WeldJob) -> str:
    """The text of ``data/config.toml``.

    The calibration is named as a folder: which library it came from, and what was decided there,
    doesn't travel with it.
    """
    base = Path()
    frames = {"folder": base / FRAMES}
    if not table_is_inside(job):
        frames["table"] = Path("..", FRAME_TABLE)
    changed: dict[str, object] = {
        "base": base,
        "frames": job.frames.model_copy(
            update={key: path if key == "folder" else str(path) for key, path in frames.items()}
        ),
        "calibration": CalibrationFolder(folder=base / CALIBRATION, allow=job.calibration.allow),
        "output": job.output.model_copy(update={"folder": base / RESULT}),
    }
    if job.indications is not None and job.indications.file is not None:
        changed["indications"] = job.indications.model_copy(update={"file": base / INDICATIONS})
    if job.quality is not None and job.quality.profile_file is not None:
        changed["quality"] = job.quality.model_copy(update={"profile_file": base / PROFILE})
    return HEAD + job.model_copy(update=changed).text()


def table_is_inside(job: WeldJob) -> bool:
    """Whether the frame table lies in the frames' folder, where it usually does."""
    return job.frames.table_path.resolve().is_relative_to(job.frames.folder.resolve())


HEAD = """\
# The config of this strip with every default written out; its paths lead to the files beside it.
# girthstrip stitch data/config.toml --out FOLDER makes the strip again; FOLDER lies elsewhere.

"""
