"""The dry run: it refuses what a run would refuse, says what a run would do, and does nothing."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.config.weld import WeldJob, load_weld_config
from pipeline.dry_run import dry_run
from pipeline.errors import CalibrationError, InputError, OutputError
from pipeline.io.calibration_store import read_calibration
from pipeline.io.results import RESULT_FILES
from pipeline.run import run_weld
from tests.io.frame_files import without_rights
from tests.weld_folder import WeldFolder, digests


def job_of(weld: WeldFolder, **folders: Path) -> WeldJob:
    return load_weld_config(weld.config, {f"{name}.folder": path for name, path in folders.items()})


def test_it_tells_plan_calibration_and_output_and_leaves_no_trace(small_weld: WeldFolder) -> None:
    shutil.copy(small_weld.frame(5), small_weld.frames / "spare.tif")
    before = digests(small_weld.path)
    found = dry_run(job_of(small_weld))
    assert found.plan.frames == 32
    assert found.identity == read_calibration(small_weld.calibration).identity
    assert not found.replaces
    text = found.text().splitlines()
    assert text[: len(found.plan.text().splitlines())] == found.plan.text().splitlines()
    assert text[len(found.plan.text().splitlines()) :] == [
        f"with     {small_weld.calibration} (calibration {found.identity[:12]})",
        f"into     {small_weld.result}, which is new",
        "note     no row of the frame table names a file beside the frames: spare.tif",
    ]
    record = found.as_dict()
    assert record["output"] == str(small_weld.result) and record["replaces"] is False
    assert record["strip_columns"] == found.plan.strip_columns
    assert digests(small_weld.path) == before


def test_an_older_result_is_refused_or_said_to_be_replaced(small_weld: WeldFolder) -> None:
    small_weld.result.mkdir()
    for name in RESULT_FILES:
        (small_weld.result / name).touch()
    before = digests(small_weld.path)
    with pytest.raises(OutputError, match="result: already exists"):
        dry_run(job_of(small_weld))
    found = dry_run(job_of(small_weld), replace=True)
    assert found.replaces
    assert f"into     {small_weld.result}; the older result there is replaced" in found.text()
    assert digests(small_weld.path) == before


def another_calibration(weld: WeldFolder) -> None:
    weld.edit_config('gain_mode = "normal"', 'gain_mode = "high"')


def broken_calibration(weld: WeldFolder) -> None:
    (weld.calibration / "gain.tif").write_bytes(b"II*")


def no_table(weld: WeldFolder) -> None:
    weld.table_path.unlink()


def notes_in_the_result(weld: WeldFolder) -> None:
    weld.result.mkdir()
    (weld.result / "notes.txt").touch()


def file_in_the_way(weld: WeldFolder) -> None:
    weld.result.touch()


@pytest.mark.parametrize(
    "spoil",
    [
        another_calibration,
        broken_calibration,
        no_table,
        notes_in_the_result,
        file_in_the_way,
    ],
)
def test_it_refuses_as_the_run_does(
    spoil: Callable[[WeldFolder], None], small_weld: WeldFolder
) -> None:
    spoil(small_weld)
    job = job_of(small_weld)
    with pytest.raises(InputError) as real:
        run_weld(job, replace_folder=True)
    with pytest.raises(type(real.value)) as told:
        dry_run(job, replace=True)
    assert str(told.value) == str(real.value)


def test_places_that_cant_be_written_are_refused(small_weld: WeldFolder) -> None:
    under_file = job_of(small_weld, output=small_weld.config / "a" / "b")
    with pytest.raises(OutputError, match=r"stitch\.toml: a file is in the way"):
        dry_run(under_file)
    if os.geteuid() != 0:  # the superuser may write anywhere
        with without_rights(small_weld.path), pytest.raises(OutputError, match="may not be writ"):
            dry_run(job_of(small_weld))
    nested = dry_run(job_of(small_weld, output=small_weld.path / "new" / "folder"))
    assert not (small_weld.path / "new").exists()
    assert nested.output == small_weld.path / "new" / "folder"


def test_a_calibration_that_isnt_there_is_named(small_weld: WeldFolder) -> None:
    with pytest.raises(CalibrationError, match="nowhere"):
        dry_run(job_of(small_weld, calibration=small_weld.path / "nowhere"))
