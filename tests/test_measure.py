"""``girthstrip measure STRIP``: a picture with known noise and gauges, measured end to end."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline import run as run_module
from pipeline.asked import profile_of
from pipeline.cli import run
from pipeline.config.weld import load_weld_config
from pipeline.measure import measure_strip
from pipeline.quality.log import QualityLog
from tests.config.test_weld import GOOD

PITCH_MM = 0.1
LEVEL, NOISE = 20000.0, 100.0


@pytest.fixture(scope="module")
def plate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A TIFF of another program: a weld 10 mm wide along the middle, white noise of SNR 200."""
    rng = np.random.default_rng(5)
    z = (np.arange(600) - 299.5) * PITCH_MM
    cap = 0.35 * np.sqrt(np.clip(1 - (z / 5.0) ** 2, 0, None))
    values = LEVEL * np.exp(-cap)[:, None] + rng.normal(0.0, NOISE, (600, 2400))
    path = tmp_path_factory.mktemp("plate") / "plate.tif"
    tifffile.imwrite(
        path,
        np.round(values).astype(np.uint16),
        resolution=(10 / PITCH_MM, 10 / PITCH_MM),
        resolutionunit="CENTIMETER",
        metadata=None,
    )
    return path


def asking(folder: Path, text: str) -> Path:
    path = folder / "asking.toml"
    path.write_text(GOOD + text, encoding="utf-8")
    return path


def test_a_picture_of_another_program(plate: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """SNR 200 at a pitch of 0.1 mm taken for SR_b: SNR_N 177.2, within 3 %. The least of the
    stretches (100 mm, some 40 windows of 3 % each) lies lower by two of its 0.5 % at most."""
    assert run(["measure", str(plate), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["schema"] == "girthstrip.measure/2"
    assert record["software"]["name"] == "girthstrip"
    (told,) = record["strips"]
    found = {one["id"]: one["value"] for one in told["measures"]}
    assert found["noise.snr_n"] == pytest.approx(200 * 0.886227, rel=0.03)
    assert found["noise.snr_strip"] == pytest.approx(LEVEL / NOISE, rel=0.03)
    assert told["verdict"] == "nothing asked"
    assert {one["basis"] for one in told["checks"]} == {"none"}
    assert told["asked_by"].startswith("nothing")


def test_what_is_asked_is_held_against_it(plate: Path, tmp_path: Path) -> None:
    """Class B at 200 kV asks 140 beside the cap; SR_b and wires that nobody can read ask for
    attention, nothing fails."""
    text = '[quality]\ntesting_class = "B"\nkv = 200\nfocal_spot_mm = 2.0\ndetector_sr_b_mm = 0.1\n'
    found = measure_strip(plate, config=asking(tmp_path, text))
    verdicts = {check.id: check.verdict for check in found.quality.checks}
    assert verdicts == {
        "noise.snr_n": "pass",
        "sharpness.sr_b_mm": "pass",
        "sharpness.unsharpness_mm": "pass",
        "iqi.wire_mm": "attention",
        "iqi.wire_positions": "attention",
        "geometry.source_distance_mm": "pass",
        "geometry.thickness_ratio": "pass",
    }
    words = found.text()
    assert "≥ 140" in words
    assert "it takes a wire gauge on the weld, declared as [[iqi]]" in words
    assert "about the picture, never about the weld" in words


def test_too_much_noise_fails_and_is_told_what_mends_it(
    plate: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At 50 kV 210 are asked: (210/177)² = 1.41 times the dose and a little, rounded up."""
    text = '[quality]\ntesting_class = "B"\nkv = 50\nwanted = ["snr_n"]\ndetector_sr_b_mm = 0.1\n'
    assert run(["measure", str(plate), "--config", str(asking(tmp_path, text))]) == 3
    assert "1.5 times the mA·s of each frame" in capsys.readouterr().out


def test_an_sr_b_that_was_not_measured_never_passes(plate: Path, tmp_path: Path) -> None:
    text = '[quality]\ntesting_class = "B"\nkv = 200\nwanted = ["snr_n"]\n'
    (check,) = measure_strip(plate, config=asking(tmp_path, text)).quality.checks
    assert check.verdict == "attention"
    assert "the best that it can be" in check.note


def test_a_declared_gauge_that_is_not_there_is_told(plate: Path, tmp_path: Path) -> None:
    text = '[quality]\ntesting_class = "B"\nwanted = ["wire"]\n'
    text += '[[iqi]]\nkind = "wire"\ns_mm = 100.0\nz_mm = 0.0\n'
    found = measure_strip(plate, config=asking(tmp_path, text))
    wire = next(check for check in found.quality.checks if check.id == "iqi.wire_mm")
    assert (wire.value, wire.verdict) == (None, "attention")
    assert "no set of wires" in wire.note


def test_nothing_asked_never_passes(
    plate: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = '[quality]\ntesting_class = "B"\nwanted = []\n'
    for call in ([], ["--config", str(asking(tmp_path, text))]):
        assert run(["measure", str(plate), *call]) == 0
        said = capsys.readouterr().out
        assert "verdict    nothing asked" in said
        assert "asked by   nothing: " in said
        assert "profile  " not in said


def test_what_is_asked_but_not_measured_is_not_met(
    plate: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wire that nobody laid, and an SNR_N that without a tube voltage can't be told."""
    text = '[quality]\ntesting_class = "B"\nwanted = ["wire", "snr_n"]\n'
    assert run(["measure", str(plate), "--config", str(asking(tmp_path, text))]) == 3
    said = capsys.readouterr().out
    assert "not shown  iqi.wire_mm, iqi.wire_positions, noise.snr_n" in said
    assert "verdict    attention" in said


def test_what_the_profile_lacks_is_told(
    plate: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = '[quality]\ntesting_class = "B"\nprofile = "asme_v_article_2"\nfocal_spot_mm = 2.0\n'
    path = str(asking(tmp_path, text))
    lacks = "asks only for geometric unsharpness; snr_n, sharpness, wire: not in this profile"
    assert run(["measure", str(plate), "--config", path]) == 0
    assert lacks in capsys.readouterr().out
    assert run(["measure", "--plan", path]) == 0
    said = capsys.readouterr().out
    assert "in all     what this profile asks can be met" in said
    assert lacks in said


def test_a_shorter_distance_counts_only_with_the_iqi_met(plate: Path, tmp_path: Path) -> None:
    """b = 22.7 mm, f = 305 − 12.7 mm: 15 · 3 · 22.7^⅔ = 361 mm are asked, half of it with the IQI
    met, of which the plate shows none."""
    text = '[quality]\ntesting_class = "B"\nkv = 200\nfocal_spot_mm = 3.0\n'
    found = measure_strip(plate, config=asking(tmp_path, text))
    distance = next(one for one in found.quality.checks if one.id == "geometry.source_distance_mm")
    assert distance.verdict == "fail"
    assert "isn't shown to be met in this strip: iqi.wire_mm" in distance.note


def test_an_sr_b_computed_from_the_told_spot_is_said_to_be_so(plate: Path, tmp_path: Path) -> None:
    """At a stand-off of 60 mm the magnification is 1 + 72.7/292.1 = 1.25: the image's counts."""
    text = '[quality]\ntesting_class = "B"\nkv = 200\nwanted = ["snr_n"]\nfocal_spot_mm = 1.0\n'
    config = asking(tmp_path, text)
    far = config.read_text(encoding="utf-8")
    assert "standoff_mm = 10" in far
    far = re.sub(r"standoff_mm = 10\S*", "standoff_mm = 60", far)
    config.write_text(far, encoding="utf-8")
    found = measure_strip(plate, config=config)
    check = next(one for one in found.quality.checks if one.id == "noise.snr_n")
    assert check.verdict != "pass"
    assert "the best that it can be" not in check.note
    assert "computed, from the focal spot of 1 mm that was told" in check.note


def test_a_smoothed_picture_is_in_doubt(plate: Path, tmp_path: Path) -> None:
    """Means of 2 × 2 pixels: each has half the noise, and neighbours share it."""
    values = tifffile.imread(plate).astype(np.float64)
    smooth = values[:-1] + values[1:]
    smooth = (smooth[:, :-1] + smooth[:, 1:]) / 4
    path = tmp_path / "smooth.tif"
    tifffile.imwrite(path, np.round(smooth).astype(np.uint16), metadata=None)
    text = '[quality]\ntesting_class = "B"\nkv = 200\nwanted = ["snr_n"]\ndetector_sr_b_mm = 0.1\n'
    config = asking(tmp_path, text)
    measured = measure_strip(path, config=config, pitch_mm=PITCH_MM)
    check = next(one for one in measured.quality.checks if one.id == "noise.snr_n")
    assert "times too high" in check.note
    assert "resampling not allowed for" in check.note
    white = measure_strip(plate, config=config)
    assert "times too high" not in white.text()


@pytest.mark.parametrize("call", [[], ["plate.tif", "--plan", "weld.toml"]])
def test_strips_or_a_plan(call: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["measure", *call]) == 2
    assert "give the strips to measure, or --plan CONFIG" in capsys.readouterr().err


def test_a_result_folder_is_measured_by_its_own_config(
    small_finished: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The strip in it, its maps, the geometry that the frames told and their tube voltage."""
    result = small_finished / "result"
    assert run(["measure", str(result), "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["strips"]
    found = {one["id"]: one["value"] for one in told["measures"]}
    log = QualityLog.from_json((result / "quality.json").read_text(encoding="ascii"))
    inner_mm = 114.3 / 2 - 6
    off_mm = np.hypot(log.geometry.source_x_mm, log.geometry.source_y_mm)
    assert found["geometry.magnification"] == pytest.approx(
        1 + (6 + log.geometry.standoff_mm) / (inner_mm - off_mm)
    )
    beside = run(["measure", str(result / "strip.tif"), "--json"])
    assert beside == 0
    assert json.loads(capsys.readouterr().out)["strips"][0]["measures"] == told["measures"]


def test_a_run_measures_its_strip_and_some_of_its_frames(small_scan: Path, tmp_path: Path) -> None:
    """By its log: the noise of strip and frames, what is asked, by which profile."""
    text = (small_scan / "stitch.toml").read_text(encoding="utf-8")
    (tmp_path / "asking.toml").write_text(
        text.replace("[stages]", '[quality]\ntesting_class = "A"\nwanted = ["snr_n"]\n\n[stages]'),
        encoding="utf-8",
    )
    folders = {
        "frames.folder": small_scan / "frames",
        "calibration.folder": small_scan / "calibration",
        "output.folder": tmp_path / "out",
    }
    job = load_weld_config(tmp_path / "asking.toml", folders)
    log = run_module.run_weld(job).log
    profile = profile_of(job.quality)

    values = {one.id: one.value or 0.0 for one in log.measures}
    # Two to three frames show each place; the metal's texture is the same in all of them.
    assert 1.1 < values["noise.snr_panel"] / values["noise.snr_frame"] < 3**0.5
    # Preset small: 150 for a frame on plain plate, of which the metal's texture takes some.
    assert 0.8 * 150 < values["noise.snr_frame"] <= 150
    frames = next(one for one in log.series if one.id == "noise.snr_frame")
    assert len(frames.s_mm) == 8
    check = next(check for check in log.checks if check.id == "noise.snr_n")
    assert check.limit == pytest.approx(1.4 * 70)  # class A, 160 kV
    assert check.verdict == "attention"  # nobody measured the panel's SR_b
    assert log.software["profile"] == profile.identity
    assert QualityLog.from_json((tmp_path / "out" / "quality.json").read_text()) == log
