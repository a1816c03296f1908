"""The digest of a strip's pixels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.quality.pixel_digest import foreign_pixels, pixels_sha256
from tests.outputs.weld import make_arrays, make_log


def test_it_is_the_sha_256_of_the_gray_values_two_bytes_each() -> None:
    """Two pixels that are the bytes of "abcd", as GNU coreutils hashes them:
    printf abcd | sha256sum."""
    picture = np.frombuffer(b"abcd", dtype="<u2").reshape(1, 2)
    expected = "88d4266fd4e6338d13b845fcf289579d209c897823b9217da3e161936f031589"
    assert pixels_sha256(picture) == expected
    assert pixels_sha256(picture.astype(">u2")) == expected
    assert pixels_sha256(np.asfortranarray(picture)) == expected


def test_a_foreign_strip_of_the_same_size_is_told() -> None:
    strip = make_arrays()[0]
    told = replace(make_log().strip, pixels_sha256=pixels_sha256(strip))
    assert foreign_pixels(strip, told) == ""
    assert "another strip" in foreign_pixels(strip[:, ::-1], told)
    assert foreign_pixels(strip, make_log().strip) == ""
