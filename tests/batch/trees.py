"""Trees of many welds out of one stitched one: real ones that share frames, and light ones."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from pathlib import Path

from pipeline.calibrate import run_calibrate
from pipeline.config.calibrate import load_calibrate_config
from pipeline.config.weld import load_weld_config
from pipeline.outputs.audit.noting import note_result
from pipeline.outputs.report.page import begin_page
from pipeline.release import Decision, release
from pipeline.run import run_weld

FIRST = "2026-03-02"
"""When the simulated scan was shot."""
LATER = "2026-03-12"
TABLE = (
    "file,position_mm,time,kv\na.tif,0,{day}T06:30:00+00:00,160\nb.tif,9,{day}T06:31:00+00:00,160\n"
)


def config_text(scan: Path, weld: str, *, calibration: str, frames: str = "frames") -> str:
    """The scan's config for another weld; ``calibration`` is a line of the table of that name."""
    text = (scan / "stitch.toml").read_text(encoding="utf-8")
    text = text.replace('id = "W-0001"', f'id = "{weld}"')
    text = text.replace('folder = "calibration"', calibration)
    return text.replace('folder = "frames"', f'folder = "{frames}"')


def make_weld(root: Path, scan: Path, number: int, *, calibration: str, day: str = FIRST) -> Path:
    """A weld that shares the scan's frames by hard links, with its own config and frame table;
    ``day`` is when it was shot."""
    folder = root / f"w{number:04d}"
    shutil.copytree(scan / "frames", folder / "frames", copy_function=os.link)
    table = folder / "frames" / "frames.csv"
    text = table.read_text(encoding="utf-8").replace(FIRST, day)
    table.unlink()  # a link: the scan's own must stay as it is
    table.write_text(text, encoding="utf-8")
    config = config_text(scan, f"W-{number:04d}", calibration=calibration)
    (folder / "weld.toml").write_text(config, encoding="utf-8")
    return folder


def stitch(folder: Path) -> None:
    """As ``girthstrip stitch`` does it, audit log included."""
    run_weld(load_weld_config(folder / "weld.toml"), report=begin_page, threads=1)
    assert note_result(folder / "result", "stitch") == ""


def lower_strip(root: Path, name: str) -> None:
    """Have a weld's strip made lower: a change of its config whose effect is known exactly."""
    config = root / "welds" / name / "weld.toml"
    text = config.read_text(encoding="utf-8")
    assert "axial_mm" not in text
    text = text.replace("[strip]\n", "[strip]\naxial_mm = [-8.0, 8.0]\n")
    config.write_text(text, encoding="utf-8")


def copy_result(stitched: Path, folder: Path) -> None:
    """Another weld's result as this one's, as far as a plan and the audit log look at it: the same
    frames, so the same numbers; the pictures keep the other's name."""
    result = folder / "result"
    shutil.copytree(stitched / "result", result)
    old, new = (f"W-{one.name[1:]}" for one in (stitched, folder))
    digests = [
        hashlib.sha256((one / "frames" / "frames.csv").read_bytes()).hexdigest()
        for one in (stitched, folder)
    ]
    for name in ("quality.json", "config.toml"):
        text = (result / name).read_text(encoding="utf-8").replace(old, new)
        (result / name).write_text(text.replace(*digests), encoding="utf-8")


def make_library(root: Path, scan: Path) -> Path:
    """A library with the scan's calibration, released, which tells no date."""
    library = root / "panels"
    decision = Decision("2026-01-01T00:00:00+00:00", "A. Example")
    release(scan / "calibration", library, decision)
    return library


def release_second(library: Path, scan: Path, folder: Path, first_day: str) -> str:
    """Another calibration of the panel, out of fewer exposures, that holds from a day on: it is
    taken for all frames shot since. Returns its identity."""
    for name in ("dark", "flat_1", "flat_2"):
        (folder / name).mkdir(parents=True)
        for path in sorted((scan / name).iterdir())[:-4]:
            os.link(path, folder / name / path.name)
    text = (scan / "calibrate.toml").read_text(encoding="utf-8")
    text = text.replace("[calibration]", f'[calibration]\nvalid_from = "{first_day}"', 1)
    (folder / "calibrate.toml").write_text(text, encoding="utf-8")
    run_calibrate(load_calibrate_config(folder / "calibrate.toml"))
    decision = Decision(f"{first_day}T00:00:00+00:00", "A. Example", "after a repair")
    done = release(folder / "calibration", library, decision, despite_fail=True)
    return done.entry.identity


def make_light_welds(root: Path, scan: Path, result: Path, count: int, library: Path) -> None:
    """``count`` folders as a plan reads them: config, two tiny frames, a result without pictures.

    All that a plan looks at is there and true: digests, identities, times.
    """
    log = json.loads((result / "quality.json").read_bytes())
    timing = (result / "timing.json").read_bytes()
    frame = dict(log["frames"][-1])
    log["frames"] = [{**frame, "file": name} for name in ("a.tif", "b.tif")]
    log["seams"] = log["seams"][:4]
    table = f'from_library = "{library}"'
    digests = {name: hashlib.sha256(name.encode()).hexdigest() for name in ("a.tif", "b.tif")}
    for number in range(1, count + 1):
        weld, folder = f"W-{number:05d}", root / f"{number // 1000:02d}" / f"w{number:05d}"
        frames, made = folder / "frames", folder / "result"
        frames.mkdir(parents=True)
        made.mkdir()
        for name in digests:
            (frames / name).write_text(name, encoding="ascii")
        text = TABLE.format(day=f"2026-03-{1 + number % 28:02d}")
        (frames / "frames.csv").write_text(text, encoding="ascii")
        (folder / "weld.toml").write_text(
            config_text(scan, weld, calibration=table), encoding="utf-8"
        )
        log["weld"]["id"] = weld
        log["inputs"] = [
            {"path": f"frames/{name}", "sha256": digest} for name, digest in digests.items()
        ] + [{"path": "frames/frames.csv", "sha256": hashlib.sha256(text.encode()).hexdigest()}]
        (made / "quality.json").write_text(json.dumps(log), encoding="ascii")
        (made / "config.toml").write_text(
            config_text(scan, weld, calibration=table, frames="../frames"), encoding="utf-8"
        )
        (made / "timing.json").write_bytes(timing)
