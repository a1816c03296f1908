"""Results that were altered after they were made: refused, and not blamed on the program."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.io.audit_log import add_audit_record
from pipeline.io.digest import sha256_file
from pipeline.io.positions import PositionRow, write_positions
from pipeline.io.strip import write_strip
from pipeline.outputs.archive.keep import archive_weld
from pipeline.outputs.archive.restore import compare
from pipeline.outputs.audit.identities import RESULT_IDENTITIES
from tests.outputs.archive.welds import STRIP, make_weld, random_files, two_places


@pytest.fixture
def weld(tmp_path: Path) -> Path:
    return make_weld(tmp_path / "weld", random_files(2, 300))


def refused(weld: Path, tmp_path: Path, told: str) -> None:
    places = two_places(tmp_path / "places")
    with pytest.raises(InputError, match=told):
        archive_weld(weld, places, same_device=True)
    assert [list(place.iterdir()) for place in places] == [[], []]


def retouch(result: Path) -> None:
    """Another gray value, in a file that is as sound as the first."""
    values = STRIP.copy()
    values[7, 11] ^= 1
    write_strip(result / "strip.tif", values, pitch_mm=0.1, metadata={})


def test_a_strip_with_another_pixel(weld: Path, tmp_path: Path) -> None:
    retouch(weld / "result")
    refused(weld, tmp_path, r"isn't what stitch made: strip\.tif: its pixels have the SHA-256")


def test_the_same_pixels_packed_otherwise_are_the_same_strip(weld: Path, tmp_path: Path) -> None:
    write_strip(weld / "result/strip.tif", STRIP, pitch_mm=0.1, metadata={"saved": "again"})
    assert archive_weld(weld, two_places(tmp_path), same_device=True).archived


@pytest.mark.parametrize("name", ["strip.tif", "maps.tif"])
def test_pictures_that_cant_be_decoded(weld: Path, tmp_path: Path, name: str) -> None:
    path = weld / "result" / name
    path.write_bytes(path.read_bytes()[:100])
    refused(weld, tmp_path, rf"{name}: can't be read")


@pytest.mark.parametrize(("position_mm", "same"), [(10.00004, True), (10.0002, False)])
def test_positions_that_the_log_has_otherwise(
    weld: Path, tmp_path: Path, position_mm: float, same: bool
) -> None:
    row = PositionRow("frame_00.tif", 0, True, "", 0.0, 10.0, 0.01, 0.0, 1.0)
    write_positions(weld / "result/positions.csv", [row])
    path = weld / "result/quality.json"
    log = json.loads(path.read_bytes())
    log["frames"] = [
        {"file": row.file, "page": 0, "used": True, "why_not": "", "encoder_mm": 0}
        | {"position_mm": position_mm, "sigma_mm": 0.01, "axial_mm": 0.0, "level": 1}
    ]
    path.write_text(json.dumps(log), encoding="utf-8")
    if same:
        assert archive_weld(weld, two_places(tmp_path), same_device=True).archived
    else:
        refused(weld, tmp_path, r"positions\.csv: has other positions than the log")


@pytest.mark.parametrize("name", ["quality.json", "quality.html", "maps.tif"])
def test_files_that_the_audit_log_knows_otherwise(weld: Path, tmp_path: Path, name: str) -> None:
    result = weld / "result"
    known = {one: sha256_file(result / file) for one, file in RESULT_IDENTITIES.items()}
    add_audit_record(weld, "W-7", "stitch", known, {"folder": "result"})
    path = result / name
    whole = path.read_bytes()
    path.write_bytes(whole + b"\n")
    refused(weld, tmp_path, rf"{re.escape(name)}: not what the audit log .* noted when it was")
    path.write_bytes(whole)
    assert archive_weld(weld, two_places(tmp_path), same_device=True).archived


def test_an_audit_log_that_was_cut_is_told(weld: Path, tmp_path: Path) -> None:
    add_audit_record(weld, "W-7", "stitch", {}, {"folder": "elsewhere"})
    (record,) = (weld / "audit-log/W-7/records").iterdir()
    record.write_bytes(record.read_bytes().replace(b"elsewhere", b"result"))
    refused(weld, tmp_path, "audit-log")


def test_restoring_blames_the_program_only_for_what_it_did(weld: Path, tmp_path: Path) -> None:
    kept, made = tmp_path / "bag/data/result", tmp_path / "made"
    shutil.copytree(weld / "result", kept)
    shutil.copytree(weld / "result", made)
    retouch(made)
    assert "changed within its version" in compare(tmp_path / "bag", made).software[0]
    shutil.copy(weld / "result/strip.tif", made)
    retouch(kept)
    (sentence,) = compare(tmp_path / "bag", made).software
    assert sentence.startswith("strip.tif in the bag isn't the one that its quality log is of")
