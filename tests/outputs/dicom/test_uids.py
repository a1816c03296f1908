"""UIDs follow from content: stable, unique, and of the form that PS3.5 and RFC 9562 give."""

from __future__ import annotations

import json
import shutil
import uuid
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.config.weld import load_weld_config
from pipeline.errors import InputError
from pipeline.outputs.dicom.uids import IMPLEMENTATION, content_uid
from pipeline.run import run_weld
from tests.weld_folder import digests

from .exported import change_log, copy_of, export, read


@given(st.lists(st.text(max_size=20), max_size=4))
def test_a_uid_is_a_version_8_uuid_below_2_25(parts: list[str]) -> None:
    uid = content_uid(*parts)
    assert uid.is_valid
    assert uid.startswith("2.25.")
    made = uuid.UUID(int=int(uid.removeprefix("2.25.")))
    assert (made.version, made.variant) == (8, uuid.RFC_4122)


@given(st.lists(st.text(max_size=6), max_size=4), st.lists(st.text(max_size=6), max_size=4))
def test_other_texts_another_uid(one: list[str], other: list[str]) -> None:
    """Also where the texts run into each other: "ab", "c" and "a", "bc"."""
    assert (content_uid(*one) == content_uid(*other)) == (one == other)


def test_this_writers_own() -> None:
    assert content_uid("implementation") == IMPLEMENTATION


def test_the_same_input_gives_the_same_bytes(
    small_finished: Path, exported: Path, tmp_path: Path
) -> None:
    copied = copy_of(small_finished, tmp_path / "elsewhere")
    export(copied, tmp_path / "again")
    assert digests(tmp_path / "again") == digests(exported)


def test_uids_of_an_export_are_all_different_and_listed(exported: Path) -> None:
    listed = json.loads((exported / "export.json").read_text())["files"]
    datasets = [read(exported / one["file"]) for one in listed]
    assert [one["sop_instance_uid"] for one in listed] == [d.SOPInstanceUID for d in datasets]
    assert len({d.SOPInstanceUID for d in datasets}) == 3
    assert len({d.SeriesInstanceUID for d in datasets}) == 3
    assert len({d.StudyInstanceUID for d in datasets}) == 1
    assert {d.file_meta.MediaStorageSOPInstanceUID for d in datasets} == {
        d.SOPInstanceUID for d in datasets
    }
    sizes = {one["file"]: one["bytes"] for one in listed}
    assert sizes == {name: (exported / name).stat().st_size for name in sizes}


def test_another_window_is_another_image_for_presentation_only(
    small_finished: Path, exported: Path, tmp_path: Path
) -> None:
    export(small_finished / "result", tmp_path / "out", window=(1000.0, 2000.0))
    for name, same in (("processing", True), ("presentation", False)):
        first, other = read(exported / f"{name}.dcm"), read(tmp_path / f"out/{name}.dcm")
        assert (first.SOPInstanceUID == other.SOPInstanceUID) == same
        assert (first.SeriesInstanceUID == other.SeriesInstanceUID) == same


@pytest.fixture(scope="module")
def reprocessed(small_finished: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same frames, stitched with another taper: another result beside the first."""
    folder = tmp_path_factory.mktemp("reprocessed") / "small"
    shutil.copytree(small_finished, folder)
    changed = {"output.folder": folder / "second", "stages.blending.taper_px": 20}
    run_weld(load_weld_config(folder / "stitch.toml", changed))
    return folder / "second"


def test_a_reprocessing_refers_to_its_predecessor(
    reprocessed: Path, exported: Path, tmp_path: Path
) -> None:
    export(reprocessed, tmp_path / "out", previous=exported)
    for name in ("processing", "presentation"):
        first, second = read(exported / f"{name}.dcm"), read(tmp_path / f"out/{name}.dcm")
        assert second.SOPInstanceUID != first.SOPInstanceUID
        assert second.SeriesInstanceUID != first.SeriesInstanceUID
        assert second.StudyInstanceUID == first.StudyInstanceUID
        assert second.FrameOfReferenceUID == first.FrameOfReferenceUID
        referred = {one.ReferencedSOPInstanceUID for one in second.ReferencedImageSequence}
        assert first.SOPInstanceUID in referred
        meanings = {
            one.PurposeOfReferenceCodeSequence[0].CodeMeaning
            for one in second.ReferencedImageSequence
        }
        assert meanings == {"Temporal Predecessor"}
    export(reprocessed, tmp_path / "alone")
    alone = read(tmp_path / "alone/processing.dcm")
    assert "ReferencedImageSequence" not in alone
    assert alone.SOPInstanceUID != read(tmp_path / "out/processing.dcm").SOPInstanceUID


def test_a_predecessor_must_be_one(small_finished: Path, exported: Path, tmp_path: Path) -> None:
    result = small_finished / "result"
    with pytest.raises(InputError, match="export of this very result"):
        export(result, tmp_path / "out", previous=exported / "processing.dcm")
    with pytest.raises(InputError, match="can't be read as DICOM"):
        export(result, tmp_path / "out", previous=result / "quality.json")
    with pytest.raises(InputError, match="holds no DICOM image"):
        export(result, tmp_path / "out", previous=result)
    other = copy_of(small_finished, tmp_path / "other")
    change_log(other, lambda log: {"inputs": log.inputs[:1]})  # as if other frames had been shot
    with pytest.raises(InputError, match=r"is of other frames, or another weld \(W-0001\)"):
        export(other, tmp_path / "out", previous=exported)
    assert not (tmp_path / "out").exists()
