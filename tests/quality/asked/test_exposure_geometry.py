"""Geometry of an exposure against worked examples and hand calculations."""

from __future__ import annotations

import math

import pytest

from pipeline.geometry import Arrangement, ScanGeometry
from pipeline.quality.asked.exposure_geometry import (
    ExposureGeometry,
    exposure_geometry,
    geometric_unsharpness_mm,
    image_sr_b_mm,
    least_distance_mm,
    thickness_ratio,
    total_unsharpness_mm,
)

# Both from memory of ISO 17636-2:2013 (classes A and B); the profile's own are tested elsewhere.
RULE = {"exponent": 2 / 3, "least_b_in_t": 1.2}


def test_unsharpness_of_published_examples() -> None:
    """A 3 mm spot, object 1 m from the tube and 0.5 m before the detector: 0.15 cm (a textbook's
    problem). 6 mm, 20 in, 1.5 in: 0.45 mm; with 18.5 in to the object 0.486 mm (a military NDI
    manual's nomogram: which distance is meant decides)."""
    assert geometric_unsharpness_mm(3, 500, 1000) == pytest.approx(1.5)
    inch = 25.4
    assert geometric_unsharpness_mm(6, 1.5 * inch, 20 * inch) == pytest.approx(0.45)
    assert geometric_unsharpness_mm(6, 1.5 * inch, 18.5 * inch) == pytest.approx(0.486, abs=5e-4)


# OD, wall, spot → f, b, M at the inner surface, Ug, (f/d)/b^(2/3): computed from the formulae with
# another program, panel 10 mm off the pipe; each to its last digit.
PANORAMIC = [
    (219.1, 8.2, 1.0, 101.35, 18.2, 1.1796, 0.180, 14.65),
    (323.9, 10.0, 1.0, 151.95, 20.0, 1.1316, 0.132, 20.62),
    (508.0, 12.7, 2.0, 241.3, 22.7, 1.0941, 0.188, 15.05),
    (610.0, 12.7, 2.0, 292.3, 22.7, 1.0777, 0.155, 18.23),
    (914.0, 19.1, 3.0, 437.9, 29.1, 1.0665, 0.199, 15.43),
    (1219.0, 25.4, 3.0, 584.1, 35.4, 1.0606, 0.182, 18.06),
    (1422.0, 25.4, 3.0, 685.6, 35.4, 1.0516, 0.155, 21.20),
]


@pytest.mark.parametrize(("od", "t", "d", "f", "b", "m", "ug", "ratio"), PANORAMIC)
def test_panoramic_cases(
    od: float, t: float, d: float, f: float, b: float, m: float, ug: float, ratio: float
) -> None:
    exposure = exposure_geometry(ScanGeometry(od / 2, 10.0), t, d)
    assert exposure.source_to_object_mm == pytest.approx(f, abs=1e-9)
    assert exposure.object_to_detector_mm == pytest.approx(b, abs=1e-9)
    assert exposure.magnification == pytest.approx(m, abs=6e-5)
    assert exposure.unsharpness_mm == pytest.approx(ug, abs=6e-4)
    assert exposure.distance_ratio is not None
    assert exposure.distance_ratio / b ** (2 / 3) == pytest.approx(ratio, abs=6e-3)


@pytest.mark.parametrize(
    ("b", "d", "factor", "least"),
    [
        (10, 1, 7.5, 34.8),
        (10, 1, 15, 69.6),
        (20, 2, 7.5, 110.5),
        (20, 2, 15, 221.0),
        (25, 3, 15, 384.7),
        (30, 1, 7.5, 72.4),
        (30, 3, 15, 434.5),
        (15, 3, 7.5, 136.8),
    ],
)
def test_least_distance(b: float, d: float, factor: float, least: float) -> None:
    """The formulae's table, computed to 0.1 mm."""
    found = least_distance_mm(d, b, 1.0, factor=factor, **RULE)
    assert found == pytest.approx(least, abs=0.05)
    # At the least distance Ug is b^(1/3) over the factor.
    assert geometric_unsharpness_mm(d, b, found) == pytest.approx(b ** (1 / 3) / factor)


def test_a_detector_close_to_the_wall_counts_as_one_wall_away() -> None:
    """b < 1.2 t: t in place of b; at 1.2 t it is b again."""
    close, at, beyond = (
        least_distance_mm(2, b, 10.0, factor=7.5, **RULE) for b in (11.9, 12.0, 13.0)
    )
    assert close == pytest.approx(2 * 7.5 * 10 ** (2 / 3))
    assert at == pytest.approx(2 * 7.5 * 12 ** (2 / 3))
    assert close < at < beyond


@pytest.mark.parametrize(
    ("od", "t", "d", "total", "sr_b"),
    [(610, 12.7, 2, 0.2350, 0.1175), (1219, 25.4, 3, 0.2548, 0.1274)],
)
def test_image_sharpness(od: float, t: float, d: float, total: float, sr_b: float) -> None:
    """Two cases computed elsewhere from a rounded Ug: to 3e-4 of them."""
    exposure = exposure_geometry(ScanGeometry(od / 2, 10.0), t, d)
    assert exposure.unsharpness_mm is not None
    told = exposure.unsharpness_mm, 0.1, exposure.magnification
    assert total_unsharpness_mm(*told) == pytest.approx(total, abs=3e-4)
    assert image_sr_b_mm(*told) == pytest.approx(sr_b, abs=2e-4)


def test_an_off_centre_source_counts_where_it_is_nearest() -> None:
    centred = exposure_geometry(ScanGeometry(305.0, 10.0), 12.7, 2.0)
    off = exposure_geometry(ScanGeometry(305.0, 10.0, source_x_mm=3.0, source_y_mm=4.0), 12.7, 2.0)
    assert off.source_to_object_mm == pytest.approx(centred.source_to_object_mm - 5.0)
    with pytest.raises(ValueError, match="stands in a wall"):
        exposure_geometry(ScanGeometry(305.0, 10.0, source_x_mm=295.0), 12.7, 2.0)


def test_through_two_walls_the_object_is_the_wall_at_the_panel() -> None:
    geometry = ScanGeometry(109.55, 10.0, Arrangement.TWO_WALL, source_distance_mm=400.0)
    exposure = exposure_geometry(geometry, 8.18, 1.0)
    assert exposure.source_to_object_mm == pytest.approx(400 + 109.55 - 8.18)
    assert exposure.object_to_detector_mm == pytest.approx(18.18)


def test_without_a_focal_spot_there_is_no_unsharpness() -> None:
    exposure = ExposureGeometry(300.0, 20.0, 10.0)
    assert (exposure.unsharpness_mm, exposure.distance_ratio) == (None, None)


def test_a_centred_source_sees_the_same_thickness_everywhere() -> None:
    assert thickness_ratio(ScanGeometry(305.0, 10.0), 12.7, 0.25) == pytest.approx(1.0)


def test_thickness_against_marching_along_the_ray() -> None:
    """Counting steps of 5 µm that lie in the wall: each of its four surfaces may be wrong by one
    step, in both of the paths."""
    radius, wall, reach = 109.55, 8.18, 0.2
    geometry = ScanGeometry(radius, 10.0, Arrangement.TWO_WALL, source_distance_mm=400.0)

    def marched(angle: float) -> float:
        end = (radius * math.cos(angle), radius * math.sin(angle))
        length = math.dist((-400.0, 0.0), end)
        step, inside = 5e-3, 0
        for k in range(int(length / step)):
            part = (k + 0.5) * step / length
            x, y = -400 + part * (end[0] + 400), part * end[1]
            inside += radius - wall <= math.hypot(x, y) <= radius
        return inside * step

    assert thickness_ratio(geometry, wall, reach) == pytest.approx(
        marched(reach) / marched(0.0), abs=4 * 2 * 5e-3 / (2 * wall)
    )


def test_an_off_centre_source_sees_more_at_one_side() -> None:
    """At p = e the path is √(R² − e²) − √(r² − e²); straight ahead it is the wall."""
    e, radius, wall = 20.0, 305.0, 12.7
    geometry = ScanGeometry(radius, 10.0, source_y_mm=e)
    found = thickness_ratio(geometry, wall, 0.3)
    most = (math.sqrt(radius**2 - e**2) - math.sqrt((radius - wall) ** 2 - e**2)) / wall
    assert 1.0 < found < most
