"""The list of bad pixels, read back with the csv module."""

import csv
from pathlib import Path

import numpy as np
import pytest

from pipeline.io.bad_pixel_list import COLUMNS, write_bad_pixel_list
from pipeline.model import PixelClass


def written(
    path: Path, classes: np.ndarray, limits: dict[str, float] | None = None
) -> list[dict[str, str]]:
    write_bad_pixel_list(path, classes, limits or {})
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_every_bad_pixel_is_listed_with_classes_and_group(tmp_path: Path) -> None:
    classes = np.zeros((30, 40), np.uint8)
    classes[3, 5] = PixelClass.NOISY | PixelClass.NON_UNIFORM
    classes[10:13, 20:23] = PixelClass.DEAD
    classes[11, 21] = PixelClass.BAD_NEIGHBOURHOOD
    rows = written(tmp_path / "bad_pixels.csv", classes)
    assert rows[0] == {
        "row": "3",
        "column": "5",
        "classes": "noisy+non_uniform",
        "group": "1",
        "kind": "single",
        "label": "s",
        "kernel": "0",
    }
    assert len(rows) == 10
    assert {row["label"] for row in rows[1:]} == {"rc3x3-5"}
    assert {row["group"] for row in rows[1:]} == {"2"}
    middle = next(row for row in rows if (row["row"], row["column"]) == ("11", "21"))
    assert (middle["classes"], middle["kernel"]) == ("bad_neighbourhood", "1")
    places = [(int(row["row"]), int(row["column"])) for row in rows]
    assert places == [tuple(place) for place in np.argwhere(classes)]


@pytest.mark.parametrize("shape", [(1, 1), (20, 30)])
def test_a_panel_without_bad_pixels_has_the_header_only(
    tmp_path: Path, shape: tuple[int, int]
) -> None:
    assert written(tmp_path / "a.csv", np.zeros(shape, np.uint8)) == []
    assert (tmp_path / "a.csv").read_text() == ",".join(COLUMNS) + "\n"


def test_groups_follow_the_limits_of_the_calibration(tmp_path: Path) -> None:
    classes = np.zeros((20, 30), np.uint8)
    classes[4, 5:11] = PixelClass.DEAD
    assert {row["kind"] for row in written(tmp_path / "a.csv", classes)} == {"cluster"}
    limits = {"line_min_px": 6, "noisy_factor": 6.0}
    assert {row["kind"] for row in written(tmp_path / "b.csv", classes, limits)} == {"line"}
