"""``stitch`` as it is called: what a job sheet replaced, and what a dry run refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.cli import run
from tests.weld_folder import WeldFolder, stitch

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def sheet(small_weld: WeldFolder) -> Path:
    """The job sheet of the weld, with another operator than the config's."""
    path = small_weld.path / "job.csv"
    text = path.read_text(encoding="utf-8")
    assert "A. Example" in text
    path.write_text(text.replace("A. Example", "C. Example"), encoding="utf-8")
    return path


SENTENCE = 'weld.operator = "C. Example" replaces the config\'s "A. Example"'


def test_what_a_job_sheet_replaced_is_told(
    small_weld: WeldFolder, sheet: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.outputs.report.page.begin_page", lambda *_: lambda _: "")
    ended = stitch(small_weld, capsys, "--job-sheet", sheet)
    assert ended.out.startswith(f"job sheet   {SENTENCE}\nstrip  ")
    ended = stitch(small_weld, capsys, "--job-sheet", sheet, "--replace", "--json")
    assert json.loads(ended.out)["from_job_sheet"] == [SENTENCE]
    ended = stitch(small_weld, capsys, "--replace", "--json")
    assert json.loads(ended.out)["from_job_sheet"] == []


def test_a_dry_run_tells_it_too(small_weld: WeldFolder, sheet: Path, capsys: Capture) -> None:
    ended = stitch(small_weld, capsys, "--job-sheet", sheet, "--dry-run")
    assert ended.out.startswith(f"sheet    {SENTENCE}\nstages   flat_field")
    assert f"into     {small_weld.result}, which is new" in ended.out
    small_weld.result.mkdir()
    assert stitch(small_weld, capsys, "--dry-run").code == 2
    ended = stitch(small_weld, capsys, "--dry-run", "--replace", "--json")
    assert json.loads(ended.out)["replaces"] is True


def test_a_dry_run_refuses_a_calibration_that_isnt_there(
    small_weld: WeldFolder, capsys: Capture
) -> None:
    options = ["--calibration", str(small_weld.path / "nowhere"), "--dry-run"]
    assert run(["stitch", str(small_weld.config), *options]) == 2
    assert "nowhere" in capsys.readouterr().err
