"""Strips wider than a DICOM image can be: cut with overlap, and put together again."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.io.strip import read_strip, write_maps, write_strip
from pipeline.model import Origin
from pipeline.outputs.dicom.parts import MOST_COLUMNS, OVERLAP_MM, cut
from tests.weld_folder import digests

from .exported import change_log, copy_of, export, log_of, read

Array = np.ndarray
NOT_IN_IMAGE = ("rows", "columns", "pitch_mm", "pixels_sha256")


@given(
    st.integers(1, 400_000),
    st.floats(0.01, 0.5),
    st.integers(1000, MOST_COLUMNS),
)
def test_parts_cover_the_strip_overlap_and_are_never_too_wide(
    columns: int, pitch_mm: float, most: int
) -> None:
    parts = cut(columns, pitch_mm, most)
    assert [part.number for part in parts] == list(range(1, len(parts) + 1))
    assert {part.count for part in parts} == {len(parts)}
    assert (parts[0].first, parts[-1].stop) == (0, columns)
    assert max(part.columns for part in parts) <= most
    overlap = min(round(OVERLAP_MM / pitch_mm), most // 2)
    for left, right in pairwise(parts):
        assert left.stop - right.first == overlap


def _together(folder: Path, name: str) -> Array:
    """The strip from its parts alone, by what they say of their places; overlaps must agree."""
    parts = [read(path) for path in sorted(folder.glob(f"{name}_*.dcm"))]
    rows, columns = parts[0].TotalPixelMatrixRows, parts[0].TotalPixelMatrixColumns
    strip, seen = np.zeros((rows, columns), np.uint16), np.zeros(columns, bool)
    for part in parts:
        first = part.ColumnPositionInTotalImagePixelMatrix - 1
        there = np.s_[first : first + part.Columns]
        again = seen[there]
        np.testing.assert_array_equal(strip[:, there][:, again], part.pixel_array[:, again])
        strip[:, there] = part.pixel_array
        seen[there] = True
    assert seen.all()
    return strip


def test_parts_make_the_strip_again_and_know_each_other(
    small_finished: Path, tmp_path: Path
) -> None:
    result, out = small_finished / "result", tmp_path / "out"
    export(result, out, most_columns=1500, compression="none")
    strip, facts = read_strip(result / "strip.tif")
    for name in ("processing", "presentation"):
        np.testing.assert_array_equal(_together(out, name), strip)
        parts = [read(path) for path in sorted(out.glob(f"{name}_*.dcm"))]
        assert len(parts) == 4
        assert [part.InstanceNumber for part in parts] == [1, 2, 3, 4]
        assert len({part.SeriesInstanceUID for part in parts}) == 1
        assert len({part.FrameOfReferenceUID for part in parts}) == 1
        uids = {part.SOPInstanceUID for part in parts}
        assert len(uids) == 4
        for part in parts:
            others = {one.ReferencedSOPInstanceUID for one in part.ReferencedImageSequence}
            assert others == uids - {part.SOPInstanceUID}
            shift = part.CoordinateSystemTransformSequence[0]
            first_mm = (part.ColumnPositionInTotalImagePixelMatrix - 1) * facts["pitch_mm"]
            assert float(shift.CoordinateSystemTransformTranslationMatrix[0]) == pytest.approx(
                facts["s_first_mm"] + first_mm, abs=1e-6
            )
    again = tmp_path / "again"
    export(result, again, most_columns=1500)
    assert digests(again) == digests(out)


def test_a_strip_wider_than_65535_columns(small_finished: Path, tmp_path: Path) -> None:
    """At its real limit: 70,001 columns, as an 88-inch pipe has at 0.1 mm."""
    result = copy_of(small_finished, tmp_path / "wide")
    rows, columns = 24, 70_001
    strip = np.random.default_rng(1).integers(1, 65536, (rows, columns), dtype=np.uint16)
    log = log_of(result).strip
    facts = {
        "rows": rows, "columns": columns, "circumference_mm": 6990.0, "ring": False,
        "overrun_mm": 0.0, "s_first_mm": -3.0, "pitch_mm": 0.1, "z_first_mm": log.z_first_mm,
        "pixels_sha256": None,
    }  # fmt: skip
    told = {name: facts[name] for name in facts if name not in NOT_IN_IMAGE}
    told |= {"weld": "W-0001", "calibration": log_of(result).calibration.identity}
    write_strip(result / "strip.tif", strip, pitch_mm=0.1, metadata=told)
    write_maps(
        result / "maps.tif",
        count=np.ones_like(strip, np.uint8),
        origin=np.full_like(strip, Origin.MEASURED, np.uint8),
        sigma=np.ones_like(strip),
        pitch_mm=0.1,
        metadata=told,
    )
    change_log(result, lambda log: {"strip": replace(log.strip, **facts), "gaps": ()})
    out = tmp_path / "out"
    done = export(result, out, compression="jpeg-ls", wanted="processing")
    assert [one["file"] for one in done.files] == [
        "processing_1.dcm",
        "processing_2.dcm",
        "marks.dcm",
    ]
    export(result, tmp_path / "plain", wanted="processing")
    np.testing.assert_array_equal(_together(tmp_path / "plain", "processing"), strip)
    widths = [read(out / f"processing_{k}.dcm").Columns for k in (1, 2)]
    assert sum(widths) == columns + 500
    assert max(widths) <= 65535
