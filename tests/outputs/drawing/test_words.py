import math

import pytest

from pipeline.outputs.drawing.words import (
    clock_position,
    limit,
    number,
    period,
    span,
    unbroken,
    with_unit,
)


@pytest.mark.parametrize(
    ("value", "decimals", "sign", "text"),
    [
        (None, None, False, "–"),
        (0, None, False, "0"),
        (0.0, None, True, "0"),
        (12, None, False, "12"),
        (1234.5, None, False, "1234"),
        (0.01234, None, False, "0.0123"),
        (-0.5, None, False, "−0.500"),
        (0.5, 1, True, "+0.5"),
        (-0.04, 1, True, "0.0"),  # no minus zero
        (1e-12, None, False, "0.00000000"),
    ],
)
def test_numbers_read_as_people_write_them(value, decimals, sign, text):
    assert number(value, decimals, sign=sign) == text


def test_limits_have_no_trailing_zeros_and_no_digits_that_mean_nothing():
    values = (0.003, 70, 0.25, -1.5, 65_535, 0.04999777782)
    assert [limit(v) for v in values] == ["0.003", "70", "0.25", "−1.5", "65535", "0.05"]


# Worked out for a pipe of 610 mm: the circumference is 1916.37 mm, an hour 159.70 mm.
@pytest.mark.parametrize(
    ("s_mm", "clockwise", "text"),
    [
        (0, True, "12:00"),
        (159.7, True, "1:00"),
        (479.1, True, "3:00"),
        (958.2, True, "6:00"),
        (1500.0, True, "9:24"),  # 281.78°, 9.393 h
        (479.1, False, "9:00"),
        (math.pi * 610, True, "12:00"),
        (math.pi * 610 + 159.7, True, "1:00"),
        (-159.7, True, "11:00"),
    ],
)
def test_clock_positions(s_mm, clockwise, text):
    assert clock_position(s_mm, math.pi * 610, clockwise=clockwise) == text


@pytest.mark.parametrize(
    ("text", "unit", "whole"),
    [
        ("1", "frames", "1 frame"),
        ("0", "frames", "0 frames"),
        ("1.00", "pixels", "1.00 pixels"),
        ("1", "mm", "1 mm"),
        ("1", "s", "1 s"),  # the unit, no plural
        ("3", "", "3"),
    ],
)
def test_one_thing_stands_in_the_singular(text, unit, whole):
    assert with_unit(text, unit) == whole


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (160.0, 160.0, "160 kV"),
        (158.25, 160, "158.2 to 160 kV"),
        (160.0, 160.00001, "160 kV"),
        (None, None, ""),
    ],
)
def test_a_range_of_one_value_is_that_value(low, high, text):
    assert span(low, high, "kV") == text


@pytest.mark.parametrize(
    ("first", "last", "text"),
    [
        (
            "2026-03-02T06:30:12+00:00",
            "2026-03-02T06:33:06+00:00",
            "2026-03-02 06:30:12 to 06:33:06 UTC",
        ),
        (
            "2026-03-02T23:59:12+05:30",
            "2026-03-03T00:03:06+05:30",
            "2026-03-02 23:59:12 to 2026-03-03 00:03:06 UTC+05:30",
        ),
        (
            "2026-03-02T06:30:12+01:00",
            "2026-03-02T06:33:06-03:00",
            "2026-03-02 06:30:12 UTC+01:00 to 2026-03-02 06:33:06 UTC-03:00",
        ),
        ("2026-03-02T06:30:12", "2026-03-02T06:30:12.5", "2026-03-02 06:30:12"),
        ("2026-03-02T06:30:12Z", "2026-03-02T06:30:12Z", "2026-03-02 06:30:12 UTC"),
        (None, None, ""),
    ],
)
def test_a_period_names_date_and_zone_once(first, last, text):
    assert period(first, last) == text


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("0.4 % of 20 GV in 3 sets", "0.4_% of 20_GV in 3 sets"),
        ("1.92 %; limit 0.5 %", "1.92_%; limit_0.5_%"),
        ("2 s a frame, 3 scans, limits 4", "2_s a frame, 3 scans, limits 4"),
        ("4868 GV/(mA·s)", "4868 GV/(mA·s)"),  # long enough to be broken in a narrow table
        ("0.0953 mm, 12 µm, 1 σ", "0.0953_mm, 12_µm, 1_σ"),
    ],
)
def test_numbers_keep_their_units_on_the_line(text, kept):
    assert unbroken(text) == kept.replace("_", "\u00a0")
