"""Calibration folders: exact there and back, and nothing changed, cut or foreign is accepted."""

from __future__ import annotations

import dataclasses
import errno
import io
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from pipeline.calibration.product import (
    CalibrationFacts,
    CalibrationSet,
    DarkConditions,
    NoiseModel,
    content_identity,
)
from pipeline.errors import CalibrationError, OutputError
from pipeline.io.calibration_store import read_calibration, write_calibration

FACTS = CalibrationFacts(
    serial="TEST-1",
    gain_mode="high",
    rows=40,
    columns=70,
    noise=NoiseModel(offset=25, slope=0.1 + 0.2),  # a whole number must stay one
    frame_time_s=0.5,
    valid_from="2026-01-01",
    lag_fractions=(0.01, 1 / 3),
    bad_pixels={"dead": 3, "total": 3},
    acceptance={"snr": 150.25},
    exposures=({"kind": "dark", "files": ["d/0.tif"], "sha256": ["00"]},),
)


@pytest.fixture
def calibration() -> CalibrationSet:
    rng = np.random.default_rng(5)
    dark = rng.normal(100, 3, (40, 70)).astype(np.float32)
    gain = rng.normal(1, 0.02, (40, 70)).astype(np.float32)
    classes = (rng.random((40, 70)) < 0.01).astype(np.uint8)
    identity = content_identity(FACTS, dark, gain, classes)
    return CalibrationSet(FACTS, dark, gain, classes, identity)


@pytest.fixture
def stored(calibration: CalibrationSet, tmp_path: Path) -> Path:
    folder = tmp_path / "calibration"
    write_calibration(folder, calibration)
    return folder


def test_everything_comes_back_exactly(calibration: CalibrationSet, stored: Path) -> None:
    names = sorted(path.name for path in stored.iterdir())
    assert names == ["bad_pixels.csv", "badpixels.tif", "calibration.json", "dark.tif", "gain.tif"]
    read = read_calibration(stored)
    assert read.facts == calibration.facts
    assert read.identity == calibration.identity
    for name in ("dark", "gain", "classes"):
        array = getattr(read, name)
        np.testing.assert_array_equal(array, getattr(calibration, name), strict=True)
        assert not array.flags.writeable


def test_dark_states_curvature_and_what_belongs_to_them_come_back(
    calibration: CalibrationSet, tmp_path: Path
) -> None:
    facts = dataclasses.replace(
        FACTS,
        dark_conditions=DarkConditions(20.0, 2.0),
        dark_states=(DarkConditions(35.0, 2.0), DarkConditions(None, 4.0)),
        lag_regions=((0.004, 0.005), (0.006, 0.007)),
        lag_shares=((0.7, 0.9), (1.1, 1.3)),
        beam={"source_distance_mm": 700.0},
        rejected=({"file": "dark/3.tif", "reason": "light_leak"},),
        linearity={"reference_gv": 1e4},
    )
    states = (calibration.dark + 10, calibration.dark + 20)
    curvature = (calibration.gain - 1) * np.float32(1e-6)
    identity = content_identity(
        facts,
        calibration.dark,
        calibration.gain,
        calibration.classes,
        dark_states=states,
        curvature=curvature,
    )
    full = dataclasses.replace(
        calibration, facts=facts, identity=identity, dark_states=states, curvature=curvature
    )
    write_calibration(tmp_path / "full", full)
    read = read_calibration(tmp_path / "full")
    assert read.facts == facts and read.identity == identity
    assert read.curvature is not None
    np.testing.assert_array_equal(read.curvature, curvature, strict=True)
    np.testing.assert_array_equal(read.dark_states, states)
    record = tmp_path / "full" / "calibration.json"
    text = record.read_text().replace('"temperature_c": 35.0', '"warmth": 35.0')
    record.write_text(text)
    with pytest.raises(CalibrationError, match="dark_states"):
        read_calibration(tmp_path / "full")


def test_the_same_calibration_gives_the_same_bytes(
    calibration: CalibrationSet, stored: Path, tmp_path: Path
) -> None:
    write_calibration(tmp_path / "again", calibration)
    for path in stored.iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes()


def test_folder_is_only_replaced_on_request(calibration: CalibrationSet, stored: Path) -> None:
    with pytest.raises(OutputError, match="already exists"):
        write_calibration(stored, calibration)
    write_calibration(stored, calibration, replace=True)
    assert read_calibration(stored).identity == calibration.identity


def test_false_identity_is_not_written(calibration: CalibrationSet, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="identity is not that of its content"):
        write_calibration(tmp_path / "c", dataclasses.replace(calibration, identity="0" * 64))
    assert list(tmp_path.iterdir()) == []


def _edit_json(change: Callable[[dict[str, Any]], object]) -> Callable[[Path], object]:
    def edit(folder: Path) -> None:
        path = folder / "calibration.json"
        record = json.loads(path.read_text())
        change(record)
        path.write_text(json.dumps(record))

    return edit


def _write_tiff(name: str, array: np.ndarray[Any, Any]) -> Callable[[Path], object]:
    return lambda folder: tifffile.imwrite(folder / name, array)


def _cut(name: str, keep: int) -> Callable[[Path], object]:
    return lambda folder: (folder / name).write_bytes((folder / name).read_bytes()[:keep])


F32 = np.float32


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda f: (f / "gain.tif").unlink(), "gain.tif: is missing"),
        (lambda f: (f / "calibration.json").unlink(), "calibration.json: is missing"),
        (_cut("dark.tif", 0), "dark.tif: is not a readable TIFF"),
        (_cut("dark.tif", 8), r"dark.tif: (is not a readable TIFF|holds no page)"),
        (_cut("dark.tif", 3000), "dark.tif: is not a readable TIFF"),
        (_cut("calibration.json", 200), "calibration.json: can't be read"),
        (_write_tiff("dark.tif", np.zeros((40, 71), F32)), r"holds \(40, 71\) float32; expected"),
        (_write_tiff("dark.tif", np.zeros((40, 70), np.uint16)), r"holds \(40, 70\) uint16"),
        (_write_tiff("gain.tif", np.zeros((2, 40, 70), F32)), r"holds \(40, 70\) float32, \(40"),
        (_write_tiff("gain.tif", np.full((40, 70), np.nan, F32)), "values that are not finite"),
        (_write_tiff("gain.tif", np.ones((40, 70), F32)), "has been changed since it was made"),
        (
            _write_tiff("badpixels.tif", np.zeros((40, 70), np.uint8)),
            "has been changed since it was made: its content has identity",
        ),
        (_edit_json(lambda r: r.update(schema="girthstrip.calibration/2")), "has schema"),
        (_edit_json(lambda r: r.update(extra=1)), "has the keys extra, facts"),
        (_edit_json(lambda r: r.pop("identity")), "has the keys facts, schema"),
        (_edit_json(lambda r: r.update(facts=[])), "facts that can't be used"),
        (_edit_json(lambda r: r["facts"].update(new=1)), "unknown: new"),
        (_edit_json(lambda r: r["facts"].pop("serial")), "serial"),
        (_edit_json(lambda r: r["facts"].pop("noise")), "noise"),
        (_edit_json(lambda r: r["facts"].update(kv_min="high")), "kv_min"),
        (_edit_json(lambda r: r["facts"].update(rows=-1)), "must be positive"),
        (_edit_json(lambda r: r["facts"].update(rows="40")), "must be whole numbers"),
        (_edit_json(lambda r: r["facts"]["noise"].update(c=1)), "unknown: noise.c"),
        (_edit_json(lambda r: r["facts"].update(kv_min=float("nan"))), "not a finite number"),
        (_edit_json(lambda r: r["facts"].update(gain_mode="low")), "has been changed"),
        (_edit_json(lambda r: r.update(identity="0" * 64)), "expected identity 000000000000"),
    ],
)
def test_damaged_calibrations_are_refused(
    stored: Path, damage: Callable[[Path], object], message: str
) -> None:
    damage(stored)
    with pytest.raises(CalibrationError, match=message) as caught:
        read_calibration(stored)
    assert str(caught.value).startswith(str(stored))


@pytest.mark.parametrize("name", ["calibration.json", "dark.tif", "badpixels.tif"])
def test_a_folder_in_a_files_place_is_called_that(stored: Path, name: str) -> None:
    (stored / name).unlink()
    (stored / name).mkdir()
    with pytest.raises(CalibrationError, match=f"{name}: is a folder; expected a file"):
        read_calibration(stored)


@pytest.mark.parametrize("name", ["calibration.json", "gain.tif", "linearity.tif"])
@pytest.mark.parametrize("fault", [errno.EACCES, errno.EIO])
def test_a_file_that_the_system_doesnt_give_is_not_called_malformed(
    calibration: CalibrationSet,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    fault: int,
) -> None:
    curvature = np.zeros_like(calibration.dark)
    whole = dataclasses.replace(
        calibration,
        curvature=curvature,
        identity=content_identity(
            calibration.facts,
            calibration.dark,
            calibration.gain,
            calibration.classes,
            curvature=curvature,
        ),
    )
    write_calibration(tmp_path / "c", whole)
    opened = io.open

    def refusing(file: Any, *args: Any, **kwargs: Any) -> Any:
        if str(file).endswith(name):
            raise OSError(fault, os.strerror(fault), str(file))
        return opened(file, *args, **kwargs)

    # Rights alone won't do: the superuser may read anything.
    monkeypatch.setattr(io, "open", refusing)
    monkeypatch.setattr("builtins.open", refusing)
    with pytest.raises(CalibrationError) as caught:
        read_calibration(tmp_path / "c")
    said = str(caught.value)
    assert said.startswith(f"{tmp_path / 'c' / name}: can't be read ({os.strerror(fault)})")
    assert "rights of the calibration's files" in said
    assert "JSON" not in said and "TIFF" not in said


def test_what_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for name, what in (("none", "doesn't exist"), ("file", "is not a folder")):
        path = tmp_path / name
        said = f"{name}: {what}; expected a calibration .*Name the folder that"
        with pytest.raises(CalibrationError, match=said):
            read_calibration(path)
