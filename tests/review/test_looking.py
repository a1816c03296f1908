"""What the server tells of a strip, against its files read by tifffile and against the log."""

from __future__ import annotations

import base64
import math

import imagecodecs
import numpy as np
import pytest
import tifffile

from tests.review.served import Served
from tests.weld_folder import digests


def pages(served: Served) -> dict[str, np.ndarray]:
    """Strip and maps as another reader has them."""
    count, origin, sigma = (tifffile.imread(served.result / "maps.tif", key=k) for k in range(3))
    strip = tifffile.imread(served.result / "strip.tif", key=0)
    return {"gray": strip, "count": count, "origin": origin, "sigma": sigma}


def test_probe_equals_the_files_values(served: Served) -> None:
    images, told = pages(served), served.log.strip
    rng = np.random.default_rng(9)
    words = {0: "not covered", 1: "measured", 2: "filled"}
    columns = told.columns - round(told.overrun_mm / told.pitch_mm)
    places = zip(rng.integers(told.rows, size=40), rng.integers(columns, size=40), strict=True)
    filled = np.argwhere(images["origin"][:, :columns] != 1)[:10]
    for row, column in [*places, *map(tuple, filled)]:
        s = told.s_first_mm + column * told.pitch_mm
        z = told.z_first_mm + row * told.pitch_mm
        # Anywhere within the pixel, and whole turns on: the same pixel.
        s += 0.4 * told.pitch_mm + int(rng.integers(-2, 3)) * told.circumference_mm
        found = served.get("/probe", s=s, z=z - 0.4 * told.pitch_mm)
        assert (found["row"], found["column"]) == (row, column)
        assert found["origin"] == words[int(images["origin"][row, column])]
        assert found["count"] == images["count"][row, column]
        if found["origin"] == "not covered":
            assert found["gray"] is None
        else:
            assert found["gray"] == images["gray"][row, column]
            sigma_gv = images["sigma"][row, column] * told.sigma_scale
            assert found["sigma_gv"] == pytest.approx(sigma_gv)


def test_frames_that_saw_a_point_are_as_many_as_the_map_counts(served: Served) -> None:
    told = served.log.strip
    rng = np.random.default_rng(4)
    middle = range(told.rows // 3, 2 * told.rows // 3)
    differ = 0
    for _ in range(60):
        row, column = int(rng.choice(middle)), int(rng.integers(told.columns // 2))
        place = {
            "s": told.s_first_mm + column * told.pitch_mm,
            "z": told.z_first_mm + row * told.pitch_mm,
        }
        found = served.get("/probe", **place)
        # Single bad pixels of a frame don't count in the map.
        assert 0 <= len(found["frames"]) - found["count"] <= 1
        differ += len(found["frames"]) != found["count"]
    assert differ <= 6


def test_the_nearest_seam_is_the_logs(served: Served) -> None:
    told = served.log.strip
    for number, seam in enumerate(served.log.seams[:4], start=1):
        found = served.get("/probe", s=seam.s_mm, z=0.0)["seam"]
        assert found["number"] == number
        assert found["away_mm"] <= told.pitch_mm


@pytest.mark.parametrize("query", ["s=1", "s=1&z=nan", "s=1&z=inf", "s=1&s=2&z=0", "s=x&z=0"])
def test_what_is_no_place_is_refused(served: Served, query: str) -> None:
    answer = served.client.get(f"/api/weld/{served.key}/probe?{query}")
    assert answer.status_code == 400


def test_a_place_beside_the_strip_is_refused(served: Served) -> None:
    answer = served.client.get(f"/api/weld/{served.key}/probe", params={"s": 1, "z": 1e4})
    assert answer.status_code == 400
    assert "z from" in answer.json()["expected"]


def test_files_come_in_ranges(served: Served) -> None:
    path = f"/weld/{served.key}/strip.tif"
    whole = (served.result / "strip.tif").read_bytes()
    answer = served.client.get(path)
    assert answer.content == whole
    assert answer.headers["Accept-Ranges"] == "bytes"
    part = served.client.get(path, headers={"Range": "bytes=100-299"})
    assert part.status_code == 206
    assert part.content == whole[100:300]
    assert part.headers["Content-Range"] == f"bytes 100-299/{len(whole)}"
    tail = served.client.get(path, headers={"Range": "bytes=-50"})
    assert tail.content == whole[-50:]
    open_end = served.client.get(path, headers={"Range": f"bytes={len(whole) - 7}-"})
    assert open_end.content == whole[-7:]
    beyond = served.client.get(path, headers={"Range": f"bytes={len(whole)}-"})
    assert beyond.status_code == 416
    several = served.client.get(path, headers={"Range": "bytes=0-1,10-12"})
    assert several.status_code == 206
    assert whole[10:13] in several.content


def test_facts_are_the_logs(served: Served) -> None:
    facts, log = served.get(""), served.log
    assert facts["weld"] == log.weld.id
    assert (facts["columns"], facts["rows"]) == (log.strip.columns, log.strip.rows)
    assert [one["s_mm"] for one in facts["seams"]] == [seam.s_mm for seam in log.seams]
    assert facts["seams"][0]["from"] == log.frames[log.seams[0].left].file
    assert [one["id"] for one in facts["checks"]] == [check.id for check in log.checks]
    assert facts["frames_available"]
    assert all(0 <= one["low"] < one["high"] <= 65535 for one in facts["windows"])
    assert facts["others"] == []
    assert any("never accepts or rejects" in one for one in facts["cautions"])


def test_along_agrees_with_the_maps(served: Served) -> None:
    along, images, told = served.get("/along"), pages(served), served.log.strip
    columns = told.columns - round(told.overrun_mm / told.pitch_mm)
    lengths = {len(values) for values in along.values()}
    assert len(lengths) == 1
    steps = np.diff(along["s_mm"])
    assert steps[:-1] == pytest.approx(steps[0], abs=2e-3)
    width = round(steps[0] / told.pitch_mm)
    for k in (0, 7, len(along["s_mm"]) - 2):
        part = slice(k * width, (k + 1) * width)
        middle = told.s_first_mm + (k * width + (width - 1) / 2) * told.pitch_mm
        assert along["s_mm"][k] == pytest.approx(middle, abs=1e-3)
        origin = images["origin"][:, :columns][:, part]
        assert along["filled_percent"][k] == pytest.approx(100 * (origin == 2).mean(), abs=1e-4)
        sigma = images["sigma"][:, :columns][:, part][origin != 0] * told.sigma_scale
        expected = math.sqrt(np.square(sigma, dtype=np.float64).mean())
        assert along["noise_gv"][k] == pytest.approx(expected, abs=2e-3)


def test_the_window_is_of_what_is_visible(served: Served) -> None:
    images, told = pages(served), served.log.strip
    columns = told.columns - round(told.overrun_mm / told.pitch_mm)
    # Across the datum, so that both ends of the ring count; small enough for full resolution.
    found = served.get("/window", s0=-5.0, s1=5.0, z0=-5.0, z1=5.0)
    first, last = (math.ceil(-5 / told.pitch_mm), math.floor(5 / told.pitch_mm))
    rows = [round((z - told.z_first_mm) / told.pitch_mm) for z in (-5.0, 5.0)]
    part = images["gray"][rows[0] : rows[1] + 1][:, np.arange(first, last + 1) % columns]
    # A row or column at the border more or less.
    for name, value in found["quantiles"].items():
        low, high = (np.percentile(part, min(max(float(name) + d, 0), 100)) for d in (-0.6, 0.6))
        assert low - 1 <= value <= high + 1
    assert found["low"] < found["high"]


def test_a_spot_is_shown_in_every_frame_that_saw_it(served: Served) -> None:
    before = digests(served.root)
    place = {"s": 40.0, "z": 1.0}
    found, probe = served.get("/spot", **place, half_mm=3), served.get("/probe", **place)
    assert [one["index"] for one in found["spots"]] == [one["index"] for one in probe["frames"]]
    assert len(found["spots"]) >= 2
    for one in found["spots"]:
        frame = tifffile.imread(served.root / "weld" / "frames" / one["file"])
        picture = imagecodecs.png_decode(base64.b64decode(one["raw"].partition(",")[2]))
        low, high = found["window"]["raw"]
        x, y = (
            round(one["mark"][k] * size - 0.5)
            for k, size in zip("xy", picture.shape[::-1], strict=True)
        )
        row, column = round(one["row"]), round(one["column"])
        shade = np.clip((float(frame[row, column]) - low) / (high - low), 0, 1) * 255
        assert abs(float(picture[y, x]) - shade) <= 1
        assert (
            imagecodecs.png_decode(base64.b64decode(one["corrected"].partition(",")[2])).shape
            == picture.shape
        )
    assert digests(served.root) == before


def test_corrected_frames_are_as_bright_as_the_strip(served: Served) -> None:
    """Each frame's corrected picture over its level shows what the strip shows there, but for the
    beam's shape and noise: a few per cent."""
    place = {"s": 60.0, "z": 1.0}
    found, probe = served.get("/spot", **place, half_mm=1), served.get("/probe", **place)
    low, high = found["window"]["corrected"]
    for one in found["spots"]:
        picture = imagecodecs.png_decode(base64.b64decode(one["corrected"].partition(",")[2]))
        gray = low + float(picture.mean()) / 255 * (high - low)
        assert gray == pytest.approx(probe["gray"], rel=0.15)


def test_without_frames_the_strip_is_still_served(served: Served) -> None:
    (served.root / "weld" / "frames").unlink()
    assert not served.get("")["frames_available"]
    answer = served.client.get(f"/api/weld/{served.key}/spot", params={"s": 40, "z": 0})
    assert answer.status_code == 400
    assert "raw frames" in answer.json()["error"]
    assert served.get("/probe", s=40, z=0)["gray"] > 0


def test_a_result_that_was_replaced_is_opened_anew(served: Served) -> None:
    assert served.get("")["verdict"]
    log = served.result / "quality.json"
    log.write_text(log.read_text(encoding="utf-8").replace(served.log.weld.line, "another line"))
    assert served.get("")["job"]["line"] == "another line"
