"""Maps of a panel as pictures: no bad pixel averaged away, scales as they say."""

from __future__ import annotations

import base64

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.model import PixelClass
from pipeline.outputs.calibration.panel_pictures import (
    SHOWN_PX,
    MapPicture,
    bad_pixel_picture,
    block_means,
    change_picture,
    changed_pixel_picture,
    gray_picture,
)

PAPER = (251, 254, 255)  # blue, green, red


def decoded(picture: MapPicture) -> NDArray[np.uint8]:
    data = base64.b64decode(picture.uri.removeprefix("data:image/png;base64,"))
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    assert image is not None
    assert image.shape[:2] == (picture.height_px, picture.width_px)
    return np.asarray(image, np.uint8)


@pytest.mark.parametrize("columns", [SHOWN_PX, SHOWN_PX + 1, 3 * SHOWN_PX - 1])
def test_a_single_bad_pixel_anywhere_is_shown(columns: int) -> None:
    for place in ((0, 0), (70, columns - 1), (35, columns // 2)):
        classes = np.zeros((71, columns), np.uint8)
        classes[place] = PixelClass.NOISY
        shown = decoded(bad_pixel_picture(classes))
        assert shown.shape[1] <= SHOWN_PX
        assert np.any(np.all(shown == (0x73, 0x9E, 0x00), axis=-1))  # #009e73


def test_of_several_classes_the_first_is_shown() -> None:
    classes = np.full((9, 9), PixelClass.DEAD | PixelClass.NOISY, np.uint8)
    assert np.all(decoded(bad_pixel_picture(classes)) == 0)


def test_means_are_of_the_good_pixels_of_a_square() -> None:
    rng = np.random.default_rng(1)
    image = rng.normal(0, 1, (50, 2 * SHOWN_PX - 3)).astype(np.float32)
    good = rng.random(image.shape) < 0.7
    good[:2, :2] = False
    means, seen = block_means(image, good)
    assert means.shape == (25, SHOWN_PX - 1)
    assert not seen[0, 0]
    square = np.s_[10:12, 100:102]
    assert means[5, 50] == pytest.approx(image[square][good[square]].mean(), rel=1e-6)


def test_gray_runs_between_the_percentiles_that_it_says() -> None:
    image = np.tile(np.linspace(0, 100, 401, dtype=np.float32), (40, 1))
    good = np.ones(image.shape, bool)
    image[0, 0], good[0, 0] = 1e6, False
    picture = gray_picture(image, good)
    assert picture.low == pytest.approx(0.5, abs=0.26)  # a column is 0.25
    assert picture.high == pytest.approx(99.5, abs=0.26)
    shown = decoded(picture)
    assert shown[0, 0] == 128
    assert (shown[5, 0], shown[5, 400]) == (0, 255)
    assert shown[5, 200] == pytest.approx(127.5, abs=1)


def test_a_change_is_paper_at_zero_and_coloured_by_its_sign() -> None:
    change = np.tile(np.linspace(-2, 2, 401, dtype=np.float32), (40, 1))
    good = np.ones(change.shape, bool)
    good[:, 300] = False
    picture = change_picture(change, good, reach=1.0)
    assert (picture.low, picture.high) == (-1.0, 1.0)
    shown = decoded(picture)
    assert tuple(shown[0, 200]) == PAPER
    assert tuple(shown[0, 0]) == (0xB2, 0x72, 0x00)  # blue: less
    assert tuple(shown[0, 400]) == (0x00, 0x5E, 0xD5)  # vermilion: more
    assert tuple(shown[0, 300]) == (0xB1, 0xAD, 0xA9)  # gray: bad
    still = change_picture(np.zeros_like(change), good)
    assert tuple(decoded(still)[0, 0]) == PAPER


def test_come_lies_over_gone_over_kept() -> None:
    masks = np.zeros((3, 30, 40), bool)
    masks[:, 10, 10] = True
    masks[1:, 20, 30] = True
    come, gone, kept = masks
    shown = decoded(changed_pixel_picture(come, gone, kept))
    assert tuple(shown[10, 10]) == (0x00, 0x5E, 0xD5)
    assert tuple(shown[20, 30]) == (0xB2, 0x72, 0x00)


def test_changes_within_the_noise_are_pale() -> None:
    change = np.random.default_rng(2).normal(0, 1e-3, (60, 80)).astype(np.float32)
    good = np.ones(change.shape, bool)
    picture = change_picture(change, good, noise=1e-3)
    assert (picture.low, picture.high) == (-3e-3, 3e-3)
    change[:20] += 0.02
    large = change_picture(change, good, noise=1e-3)
    assert large.high == pytest.approx(0.0225, abs=5e-4)  # 99.5 % of all: 98.5 % of the larger
    assert change_picture(change, good, 1e-3, noise=1e-3).high == 1e-3
