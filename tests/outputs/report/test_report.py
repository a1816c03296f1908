from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import InputError, OutputError
from pipeline.io.strip import write_strip
from pipeline.outputs.report.report import REPORT_NAME, write_report
from tests.outputs.weld import PITCH_MM, make_log, write_folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_folder(tmp_path / "weld")


def test_a_report_appears_and_nothing_else_changes(folder):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    write_report(folder)
    after = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert after.pop(REPORT_NAME).startswith(b"<!DOCTYPE html>")
    assert after == before


def test_the_same_folder_gives_the_same_bytes(folder, tmp_path):
    write_report(folder)
    first = (folder / REPORT_NAME).read_bytes()
    write_report(folder)
    assert (folder / REPORT_NAME).read_bytes() == first
    other = write_folder(tmp_path / "elsewhere")
    write_report(other)
    assert (other / REPORT_NAME).read_bytes() == first


@pytest.mark.parametrize("name", ["strip.tif", "maps.tif", "positions.csv", "quality.json"])
def test_a_missing_file_is_named(folder, name):
    (folder / name).unlink()
    with pytest.raises(InputError, match=f"{name} missing; expected the finished folder"):
        write_report(folder)
    assert not (folder / REPORT_NAME).exists()


@pytest.mark.parametrize("name", ["strip.tif", "maps.tif", "positions.csv", "quality.json"])
@pytest.mark.parametrize("content", [b"", b"\xff\xfe garbage \x00", b"II*\x00\x08\x00\x00\x00"])
def test_garbage_is_refused_and_its_file_named(folder, name, content):
    (folder / name).write_bytes(content)
    with pytest.raises(InputError, match=name):
        write_report(folder)
    assert not (folder / REPORT_NAME).exists()


def test_a_folder_that_does_not_exist_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"strip\.tif, maps\.tif, positions\.csv, quality\.json"):
        write_report(tmp_path / "nowhere")


def test_a_strip_of_another_weld_is_refused(folder):
    write_strip(folder / "strip.tif", np.ones((20, 30), np.uint16), pitch_mm=PITCH_MM, metadata={})
    with pytest.raises(InputError, match=r"strip\.tif is 20 × 30 pixels"):
        write_report(folder)


def test_positions_of_another_weld_are_refused(folder):
    log = make_log()
    (folder / "quality.json").write_text(
        replace(log, seams=(), frames=log.frames[1:]).to_json(), encoding="utf-8"
    )
    with pytest.raises(InputError, match=r"positions\.csv lists other frames"):
        write_report(folder)


def test_a_report_that_cannot_be_written_leaves_nothing_behind(folder, monkeypatch):
    def refuse(self, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(OutputError, match=r"quality\.html: .*No space left on device"):
        write_report(folder)
    assert sorted(path.name for path in folder.iterdir()) == [
        "maps.tif", "positions.csv", "quality.json", "strip.tif",
    ]  # fmt: skip
