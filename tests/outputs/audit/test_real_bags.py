"""An audit over bags of welds that were really stitched: passed-off ones and honest ones."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.cli import run
from pipeline.io.audit_log import add_audit_record, log_folder, read_audit_log
from tests.outputs.audit.test_audit import audited

Capture = pytest.CaptureFixture[str]
_ELECTRONS = 0.02  # noise of an added frame, in parts of the root of its gray values' mean


def passed_off(finished: Path, folder: Path, weld: str, *changes: tuple[str, str]) -> Path:
    """The frames of a weld in a folder of their own, its config changed, under another name."""
    for name in ("frames", "calibration"):
        shutil.copytree(finished / name, folder / name)
    text = (finished / "stitch.toml").read_text(encoding="utf-8")
    for old, new in (("W-0001", weld), *changes):
        assert old in text
        text = text.replace(old, new)
    (folder / "stitch.toml").write_text(text, encoding="utf-8")
    return folder


def add_noise(frames: Path) -> None:
    rng = np.random.default_rng(4)
    for path in sorted(frames.glob("*.tif")):
        gray = tifffile.imread(path).astype(float)
        noise = rng.normal(0, _ELECTRONS * np.sqrt(np.maximum(gray, 1) * gray.mean()))
        tifffile.imwrite(path, np.clip(gray + noise, 0, 65535).astype(np.uint16))


def bag(folder: Path, root: Path) -> Path:
    """Stitch a weld, and archive it in one copy."""
    assert run(["stitch", str(folder / "stitch.toml"), "--quiet"]) in (0, 3)
    return archive(folder / "result", root)


def archive(result: Path, root: Path) -> Path:
    before = set(root.iterdir())
    assert run(["archive", str(result), "--to", str(root), "--copies", "1", "--quiet"]) == 0
    (made,) = {one for one in root.iterdir() if one.is_dir()} - before
    return made


def test_what_was_passed_off_is_found_and_what_was_copied_is_not(
    small_finished: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Turned with noise added, cropped, and a hand-made copy of what an honest bag holds."""
    monkeypatch.setattr("pipeline.outputs.report.page.render_page", lambda *_: "")
    root, work = tmp_path / "archive", tmp_path / "work"
    root.mkdir()
    first = archive(Path(shutil.copytree(small_finished, work / "honest")) / "result", root)
    turned = passed_off(
        *(small_finished, work / "turned", "W-0002"),
        ("datum_encoder_mm = 0.0", "datum_encoder_mm = 100.0"),
    )
    add_noise(turned / "frames")
    bag(turned, root)
    cropped = passed_off(
        small_finished, work / "cropped", "W-0003", ("ring = true", "ring = false")
    )
    table = cropped / "frames/frames.csv"
    lines = table.read_text(encoding="utf-8").splitlines(keepends=True)
    table.write_text("".join([lines[0], *lines[3:23]]), encoding="utf-8")
    bag(cropped, root)
    shutil.copytree(first / "data/result", root / "copied")

    found = audited(root, capsys, "--strips")
    assert {kind: len(same) for kind, same in found.items() if kind != "at_once"} == {
        "same_frames": 1,
        "same_weld": 3,
        "same_times": 1,
    }
    pairs = sorted(sorted(map(str, one["welds"])) for one in found["same_weld"])  # type: ignore[call-overload]
    names = [f"demonstration line W-000{number}" for number in (1, 2, 3)]
    assert pairs == [[names[0], names[1]], [names[0], names[2]], [names[1], names[2]]]
    assert found["same_frames"][0]["welds"] == [names[0], names[2]]


def test_a_restored_folder_is_no_question_beside_others_logs(
    small_finished: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not even where the bag lies elsewhere: restoring is written down beside what it made."""
    monkeypatch.setattr("pipeline.outputs.report.page.render_page", lambda *_: "")
    store, root = tmp_path / "store", tmp_path / "welds"
    store.mkdir()
    kept = archive(Path(shutil.copytree(small_finished, tmp_path / "w")) / "result", store)
    add_audit_record(root, "W-9", "stitch", {}, {"folder": "result"})
    assert run(["archive", "restore", str(kept), "--out", str(root / "again"), "--quiet"]) == 0
    (record,) = read_audit_log(log_folder(root, "W-0001"))
    assert (record.action, record.details["bag"]) == ("restore", kept.name)
    assert audited(root, capsys) == {}
