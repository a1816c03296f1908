"""Groups of bad pixels drawn by hand, and against an independent count."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.calibration.grouping import BadGroup, GroupKind, GroupRules, group_bad_pixels


def drawn(*lines):
    return np.array([[character == "#" for character in line] for line in lines], np.uint8)


def labels(classes):
    return [group.label for group in group_bad_pixels(classes).groups]


@pytest.mark.parametrize(
    ("picture", "expected"),
    [
        (("....", "....", "...."), []),
        (("....", ".#..", "...."), ["s"]),
        # At the edge or in a corner a lone pixel is still a single one.
        (("#...", "....", "...#"), ["s", "s"]),
        (("......", ".#.#..", "......"), ["s", "s"]),
        (("......", ".##...", "......"), ["c1x2"]),
        # Over a corner, too.
        ((".....", ".#...", "..#..", "....."), ["c2x2"]),
        # The corner of three has six good neighbours, the others as many.
        ((".....", ".##..", ".#...", "....."), ["c2x2"]),
        # Each of four in a square has three bad neighbours and five good ones.
        ((".....", ".##..", ".##..", "....."), ["c2x2"]),
        # The middle of a T has three bad neighbours; with a fifth pixel four: kernel.
        ((".....", ".###.", "..#..", "....."), ["c2x3"]),
        ((".....", "..#..", ".###.", "..#..", "....."), ["rc3x3-1"]),
        # Corners of a block have five good neighbours, the rest fewer.
        ((".....", ".###.", ".###.", ".###.", "....."), ["rc3x3-5"]),
        # Beyond the edge nothing is good: of five neighbours one is bad.
        (("..#..", "..#..", "....."), ["rc2x1-1"]),
        (("##...", ".....", "....."), ["rc1x2-2"]),
    ],
)
def test_small_pictures(picture, expected):
    assert labels(drawn(*picture)) == expected


def test_a_line_needs_more_than_ten_pixels():
    classes = np.zeros((20, 40), np.uint8)
    classes[5, 3:13] = 1
    classes[10, 3:14] = 1
    classes[8:19, 30] = 1
    found = group_bad_pixels(classes)
    assert [(g.label, g.kind) for g in found.groups] == [
        ("c1x10", GroupKind.CLUSTER),
        ("l11x1", GroupKind.LINE),
        ("l1x11", GroupKind.LINE),
    ]


@pytest.mark.parametrize(("beside", "is_line"), [(0, True), (3, True), (4, False)])
def test_a_line_has_bad_pixels_beside_a_tenth_of_it_at_most(beside, is_line):
    classes = np.zeros((20, 60), np.uint8)
    classes[10, 10:40] = 1
    classes[11, 12 : 12 + 4 * beside : 4] = 1
    found = group_bad_pixels(classes)
    assert len(found.groups) == 1
    (group,) = found.groups
    assert group.pixels == 30 + beside
    assert (group.kind is GroupKind.LINE) == is_line


def test_a_double_line_is_a_relevant_cluster():
    classes = np.zeros((20, 60), np.uint8)
    classes[10:12, 10:40] = 1
    # The four corners have three bad neighbours, all others five.
    assert labels(classes) == ["rc2x30-56"]


def test_lines_that_cross_are_two_and_the_longer_has_the_pixel():
    classes = np.zeros((60, 60), np.uint8)
    classes[30, 10:40] = 1
    classes[20:45, 20] = 1
    found = group_bad_pixels(classes)
    assert [(g.label, g.pixels) for g in found.groups] == [("l25x1", 24), ("l1x30", 30)]
    assert found.numbers[30, 20] == 2


def test_a_cluster_at_a_line_is_one_of_its_own_and_a_lone_pixel_is_the_lines():
    classes = np.zeros((60, 80), np.uint8)
    classes[30, 10:70] = 1
    classes[29, 12] = 1
    classes[31:34, 50:53] = 1  # beside 3 of 60
    found = group_bad_pixels(classes)
    assert [(g.label, g.pixels) for g in found.groups] == [("l2x60", 61), ("rc3x3-7", 9)]
    assert found.numbers[29, 12] == 1


def test_positions_and_counts():
    classes = np.zeros((50, 50), np.uint8)
    classes[4, 7] = 8
    classes[20:23, 30:34] = 1
    classes[40, 5:8] = 2
    found = group_bad_pixels(classes)
    assert found.groups[0] == BadGroup(GroupKind.SINGLE, 4, 7, 1, 1, 1, 0)
    assert found.groups[1] == BadGroup(GroupKind.RELEVANT_CLUSTER, 20, 30, 3, 4, 12, 8)
    assert found.groups[2] == BadGroup(GroupKind.CLUSTER, 40, 5, 1, 3, 3, 0)
    assert found.counts() == {
        "single": 1,
        "cluster": 1,
        "line": 0,
        "relevant_cluster": 1,
        "kernel_pixels": 8,
        "largest_cluster_pixels": 12,
    }
    assert found.numbers.dtype == np.int32
    np.testing.assert_array_equal(found.numbers != 0, classes != 0)


@pytest.mark.parametrize(
    ("rules", "expected"),
    [
        (GroupRules(), ["rc2x30-56", "c1x8"]),
        (GroupRules(kernel_good_neighbours=3), ["c2x30", "c1x8"]),
        (GroupRules(kernel_good_neighbours=6), ["rc2x30-60", "c1x8"]),
        (GroupRules(line_min_px=8), ["rc2x30-56", "l1x8"]),
        (GroupRules(line_max_adjacent=1.0), ["l1x30", "l1x30", "c1x8"]),
    ],
)
def test_rules_are_parameters(rules, expected):
    classes = np.zeros((20, 60), np.uint8)
    classes[10:12, 10:40] = 1
    classes[15, 10:18] = 1
    assert [group.label for group in group_bad_pixels(classes, rules).groups] == expected


def test_a_wholly_bad_panel_is_one_cluster():
    found = group_bad_pixels(np.ones((30, 40), np.uint8))
    assert labels(np.ones((30, 40), np.uint8)) == ["rc30x40-1200"]
    assert found.counts()["largest_cluster_pixels"] == 1200


def flood(bad):
    """Components over corners, by walking from pixel to pixel."""
    left = set(map(tuple, np.argwhere(bad).tolist()))
    while left:
        todo, part = [left.pop()], set()
        while todo:
            row, column = todo.pop()
            part.add((row, column))
            for down in (-1, 0, 1):
                for right in (-1, 0, 1):
                    if (there := (row + down, column + right)) in left:
                        left.remove(there)
                        todo.append(there)
        yield part


@given(arrays(np.uint8, (9, 10), elements=st.sampled_from([0, 0, 0, 1, 16])))
@settings(max_examples=150, deadline=None)
def test_small_maps_against_a_walk_from_pixel_to_pixel(classes):
    """Nine by ten pixels hold no line, so that groups are just what touches."""
    found = group_bad_pixels(classes)
    bad = np.pad(classes != 0, 1)
    good = np.pad(classes == 0, 1)
    expected = set()
    for part in flood(classes != 0):
        kernels = sum(
            len(part) > 1 and good[row : row + 3, column : column + 3].sum() < 5
            for row, column in part
        )
        rows, columns = zip(*part, strict=True)
        expected.add((min(rows), min(columns), len(part), kernels))
        numbers = {int(found.numbers[place]) for place in part}
        assert len(numbers) == 1
    seen = {(g.row, g.column, g.pixels, g.kernel_pixels) for g in found.groups}
    assert seen == expected
    assert found.kernel.sum() == sum(kernels for *_, kernels in expected)
    assert found.kernel.sum() == found.counts()["kernel_pixels"]
    assert bad.sum() == sum(g.pixels for g in found.groups)
