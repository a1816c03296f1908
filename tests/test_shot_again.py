"""The same weld shot again: a number of its own wherever it is told, and the first one stays."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.cli import run
from pipeline.config.weld import load_weld_config, with_own_folder
from pipeline.io.strip import read_strip
from tests.weld_folder import WeldFolder, digests, stitch

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def shots(small_weld: WeldFolder) -> Path:
    """A sheet with the weld's first shot and the one after its repair, by another operator."""
    path = small_weld.path / "job.csv"
    header, row = path.read_text(encoding="utf-8").splitlines()
    again = row.replace("A. Example", "D. Example")
    path.write_text(f"{header},shot\n{row},\n{again},R1\n", encoding="utf-8")
    return path


def test_a_repair_has_its_own_number_and_folder(
    small_weld: WeldFolder, shots: Path, capsys: Capture
) -> None:
    assert stitch(small_weld, capsys, "--job-sheet", shots).code == 0
    first = digests(small_weld.result)
    ended = stitch(small_weld, capsys, "--job-sheet", shots, "--shot", "R1", "--json")
    assert ended.code == 0
    told = json.loads(ended.out)
    folder = small_weld.path / "result-R1"
    assert Path(told["folder"]) == folder
    assert digests(small_weld.result) == first

    log = json.loads((folder / "quality.json").read_text(encoding="utf-8"))
    assert (log["weld"]["id"], log["weld"]["shot"]) == ("W-0001", "R1")
    assert log["weld"]["operator"] == "D. Example"
    _, strip = read_strip(folder / "strip.tif")
    assert (strip["weld"], strip["shot"]) == ("W-0001", "R1")
    assert strip["job"]["operator"] == "D. Example"
    assert strip["job"]["procedure"] == log["weld"]["procedure"]
    page = (folder / "quality.html").read_text(encoding="utf-8")
    assert "<h1>W-0001 R1</h1>" in page
    assert "R1: after repair 1" in page
    records = small_weld.path / "audit-log" / "W-0001" / "records"
    assert len(list(records.iterdir())) == 2  # one weld, one log

    # The first one's place is never taken, whatever is asked for.
    words = ["--shot", "R1", "--out", str(small_weld.result), "--replace"]
    for more in ([], ["--dry-run"]):
        ended = stitch(small_weld, capsys, *words, *more)
        assert ended.code == 2
        assert "has the result of weld W-0001, which that of W-0001 R1 must not" in ended.err
    assert digests(small_weld.result) == first

    # And from its own config it comes out again where it is.
    again = with_own_folder(load_weld_config(folder / "config.toml"))
    assert again.output.folder.resolve() == folder
    assert again.weld.shot == "R1"

    places = [small_weld.path / "a", small_weld.path / "b"]
    for place in places:
        place.mkdir()
    to = [f"--to={place}" for place in places]
    for result in (small_weld.result, folder):
        words = ["archive", str(result), "--job-sheet", str(shots), "--same-device", *to]
        assert run(words) == 0, capsys.readouterr().err
    names = {
        path.name.rpartition("_")[0]: path.name for path in places[0].iterdir() if path.is_dir()
    }
    assert names.keys() == {"W-0001", "W-0001_R1"}
    shots.write_text(shots.read_text(encoding="utf-8").replace("D. Ex", "E. Ex"), encoding="utf-8")
    for place in places:
        (place / names["W-0001_R1"]).rename(place / "elsewhere")
    assert run([*words[:2], "--job-sheet", str(shots), "--same-device", *to]) == 2
    assert "says other than the strip was made with: weld.operator" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("shot", "folder", "own"),
    [("", "result", "result"), ("R2", "result", "result-R2"), ("R2", "x-R2", "x-R2")],
)
def test_own_folders(small_weld: WeldFolder, shot: str, folder: str, own: str) -> None:
    overrides = {"weld.shot": shot, "output.folder": small_weld.path / folder}
    job = with_own_folder(load_weld_config(small_weld.config, overrides))
    assert job.output.folder == small_weld.path / own


def test_numbers_that_are_none(small_weld: WeldFolder, capsys: Capture) -> None:
    ended = stitch(small_weld, capsys, "--shot", "2")
    assert ended.code == 2
    assert 'weld.shot = "2": must be empty the first time, R1, R2, …' in ended.err
