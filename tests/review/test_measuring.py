"""Measures on the page: the same figures as the functions give on the whole strip."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import tifffile

from pipeline.measure import measure_strip
from pipeline.quality.noise.resampled_noise import resampled_correlation
from pipeline.quality.noise.snr import measure_snrs
from tests.review.served import Served


def measured(served: Served, kind: str, *ends: float, **more: Any) -> Any:
    places = dict(zip(("s0", "z0", "s1", "z1"), ends, strict=True))
    return served.post("/measure", {"kind": kind, **places, **more})


def test_a_distance_is_pythagoras_with_the_rulers_deviation(served: Served) -> None:
    told = measured(served, "distance", 10, -2, 13, 2)
    assert told["length_mm"] == pytest.approx(5)
    assert 0 < told["sigma_mm"] < 0.5
    across = measured(served, "distance", 10, 0, 10, 2)
    pixel = served.log.strip.pitch_mm / math.sqrt(12)
    assert across["sigma_mm"] == pytest.approx(math.sqrt(2) * pixel)


def test_a_profile_along_a_row_is_the_rows_pixels(served: Served) -> None:
    told = served.log.strip
    gray = tifffile.imread(served.result / "strip.tif", key=0)
    row, first, last = told.rows // 2, 300, 420
    z = told.z_first_mm + row * told.pitch_mm
    s = [told.s_first_mm + column * told.pitch_mm for column in (first, last)]
    found = measured(served, "profile", s[0], z, s[1], z)
    assert len(found["gray"]) == last - first + 1
    # Stored to two decimals; places to a hundred-millionth of a pixel.
    assert found["gray"] == pytest.approx(gray[row, first : last + 1].tolist(), abs=0.02)
    turn = told.circumference_mm
    again = measured(served, "profile", s[0] + turn, z, s[1] + turn, z)
    assert again["gray"] == pytest.approx(found["gray"], abs=0.5)


def test_a_wide_profile_across_the_datum_is_the_mean_of_rows(served: Served) -> None:
    told = served.log.strip
    gray = tifffile.imread(served.result / "strip.tif", key=0)
    around = told.columns - round(told.overrun_mm / told.pitch_mm)
    row = told.rows // 2
    z = told.z_first_mm + row * told.pitch_mm
    found = measured(
        served, "profile", -20 * told.pitch_mm, z, 20 * told.pitch_mm, z, width_mm=3 * told.pitch_mm
    )
    columns = np.arange(-20, 21) % around
    expected = gray[row - 1 : row + 2][:, columns].mean(axis=0)
    assert found["gray"] == pytest.approx(expected.tolist(), abs=0.02)


def test_snr_is_that_of_the_window(served: Served) -> None:
    told = served.log.strip
    gray = tifffile.imread(served.result / "strip.tif", key=0)
    origin = tifffile.imread(served.result / "maps.tif", key=1)
    rows, columns = slice(60, 100), slice(700, 800)
    place = [
        told.s_first_mm + columns.start * told.pitch_mm,
        told.z_first_mm + rows.start * told.pitch_mm,
        told.s_first_mm + (columns.stop - 1) * told.pitch_mm,
        told.z_first_mm + (rows.stop - 1) * told.pitch_mm,
    ]
    found = measured(served, "snr", *place)
    assert (found["rows"], found["columns"]) == (40, 100)
    covariance = resampled_correlation()
    (expected,) = measure_snrs(
        gray[rows, columns][np.newaxis],
        good=(origin[rows, columns] == 1)[np.newaxis],
        correlation=tuple(one / covariance[0] for one in covariance),
    )
    assert expected is not None
    assert found["snr"] == pytest.approx(expected.value)
    assert found["snr_panel"] == pytest.approx(expected.value * covariance[0])
    assert found["groups"] == expected.groups


def test_where_no_gauge_lies_none_is_read(served: Served) -> None:
    told = measured(served, "duplex", 60.0, 8.0, 90.0, 8.0)
    assert told["sr_b_mm"] is None
    assert told["why_not"]
    told = measured(served, "wires", 60.0, 8.0, 90.0, 8.0)
    assert told["thinnest"] is None
    assert told["why_not"]


@pytest.mark.parametrize(
    "body",
    [
        {"kind": "weight", "s0": 0, "z0": 0, "s1": 1, "z1": 1},
        {"kind": ["snr"], "s0": 0, "z0": 0, "s1": 1, "z1": 1},
        {"kind": "snr", "s0": 0, "z0": 0, "s1": 0.5, "z1": 0.5},
        {"kind": "snr", "s0": 0, "z0": 0, "s1": 1},
        {"kind": "snr", "s0": 0, "z0": 1e5, "s1": 1, "z1": 2e5},
        {"kind": "profile", "s0": 1, "z0": 0, "s1": 1, "z1": 0},
        {"kind": "profile", "s0": 1, "z0": 0, "s1": 9, "z1": 0, "width_mm": 1000},
        {"kind": "wires", "s0": 1, "z0": 0, "s1": 9, "z1": 0, "wires": 1000},
        {"kind": "wires", "s0": 1, "z0": 0, "s1": 9, "z1": 0, "direction": "q"},
        {"kind": "duplex", "s0": 1, "z0": 0, "s1": 9, "z1": 0, "side": "top"},
    ],
)
def test_what_cannot_be_measured_is_refused(served: Served, body: dict[str, Any]) -> None:
    assert served.post("/measure", body, status=400)["error"]


def test_gauges_are_read_as_measure_reads_them(ring_with_gauges: Served) -> None:
    """The config's gauges, once as ``girthstrip measure`` reads them where it declares them, once
    where a reviewer drew a line across."""
    served = ring_with_gauges
    read = measure_strip(served.result).quality.iqis
    kinds = {one.plan.kind for one in read}
    assert kinds == {"wire", "duplex"}
    for one in read:
        plan, (s, z) = one.plan, (one.s_mm, one.z_mm)
        assert s is not None
        assert z is not None
        if plan.kind == "duplex":
            assert one.duplex is not None
            told = measured(served, "duplex", s - 26.5, z + 0.4, s + 27.2, z - 0.3)
            assert one.duplex.sr_b_mm is not None
            # Other lines of the same gauge: as far apart as both deviations allow.
            allowed = 4 * math.hypot(told["sigma_mm"], one.duplex.sigma_mm or 0.0)
            assert told["sr_b_mm"] == pytest.approx(one.duplex.sr_b_mm, abs=allowed)
            assert told["first_unresolved"] == one.duplex.first_unresolved
        else:
            assert one.wire is not None
            told = measured(served, "wires", s - 15.4, plan.z_mm, s + 14.9, plan.z_mm)
            assert told["thinnest"] == one.wire.thinnest
            for mine, theirs in zip(told["wires"], one.wire.wires, strict=True):
                assert mine["at_mm"] == pytest.approx(theirs.at_mm, abs=0.3)
