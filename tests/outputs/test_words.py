import math

import pytest

from pipeline.outputs.words import clock_position, limit, number


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
