"""How bad pixels lie together: alone, in a line, in a cluster that can be interpolated or can't.

The kinds are those of ASTM E2597. That a cluster is two or more connected bad pixels is as a
public user forum quotes its 2014-era wording ("Bad Pixel Management", 20 December 2019); the
connection over corners, the rule for kernel pixels, the label ``rcNxM-K`` and the rule for lines
are *from memory*, clauses not checked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FlagImage


@dataclass(frozen=True, slots=True)
class GroupRules:
    """What makes a kernel pixel and a line, as quoted above."""

    kernel_good_neighbours: int = 5  # a bad pixel with fewer can't be interpolated well
    line_min_px: int = 11  # bad pixels in a row
    line_max_adjacent: float = 0.1  # part of the line that has bad pixels beside it


class GroupKind(StrEnum):
    """How a group of bad pixels lies together, from the least harm to the most."""

    SINGLE = "single"
    CLUSTER = "cluster"
    LINE = "line"
    RELEVANT_CLUSTER = "relevant_cluster"


@dataclass(frozen=True, slots=True)
class BadGroup:
    """One group: its kind, its bounding box, how many pixels it has and how many are kernel."""

    kind: GroupKind
    row: int
    column: int
    rows: int
    columns: int
    pixels: int
    kernel_pixels: int

    @property
    def label(self) -> str:
        """``rcNxM-K`` for a relevant cluster: bounding box in rows × columns, kernel pixels.

        ``cNxM`` for another cluster, ``lNxM`` for a line, ``s`` for a single pixel.
        """
        size = f"{self.rows}x{self.columns}"
        match self.kind:
            case GroupKind.SINGLE:
                return "s"
            case GroupKind.CLUSTER:
                return f"c{size}"
            case GroupKind.LINE:
                return f"l{size}"
            case GroupKind.RELEVANT_CLUSTER:
                return f"rc{size}-{self.kernel_pixels}"


@dataclass(frozen=True, slots=True)
class BadGroups:
    """All groups of a panel, from the top left on.

    ``numbers`` (int32, rows × columns) has the group of each bad pixel, counted from 1, and 0
    where the panel is good; ``kernel`` (bool) are the kernel pixels.
    """

    groups: tuple[BadGroup, ...]
    numbers: NDArray[np.int32]
    kernel: NDArray[np.bool_]

    def counts(self) -> dict[str, int]:
        """How many groups there are of each kind, all kernel pixels, and the largest cluster's
        pixels (of either kind; 0 without any)."""
        counts = {str(kind): sum(group.kind is kind for group in self.groups) for kind in GroupKind}
        clusters = (GroupKind.CLUSTER, GroupKind.RELEVANT_CLUSTER)
        largest = max((g.pixels for g in self.groups if g.kind in clusters), default=0)
        return counts | {
            "kernel_pixels": sum(group.kernel_pixels for group in self.groups),
            "largest_cluster_pixels": largest,
        }


def group_bad_pixels(classes: FlagImage, rules: GroupRules | None = None) -> BadGroups:
    """The groups of a bad-pixel map (uint8, rows × columns; anything but 0 is bad).

    By the usual ``rules``:

    A line is a run of more than ten bad pixels along a row or column of which at most a tenth
    have another bad pixel beside them, across the line; where lines cross, the longer one has
    the pixel. What else touches a line is a part of it when it is one pixel, and a cluster of its
    own when it is more. All other bad pixels that touch, over corners too, are one cluster; it is
    relevant when it has a kernel pixel: one with fewer than five good pixels among its eight
    neighbours. Beyond the panel's edge nothing is good. A lone bad pixel is single, wherever it is.
    """
    from scipy import ndimage  # noqa: PLC0415  (slow import)

    rules = rules or GroupRules()
    bad = classes != 0
    kernel = _kernel_pixels(bad, rules)
    numbers = np.zeros(bad.shape, np.int32)
    lines = 0
    for line in sorted(_lines(bad, rules), key=lambda line: -line[1]):
        _take_line(numbers, line[0], lines + 1)
        lines += bool((numbers[line[0]] == lines + 1).any())
    rest, pieces = ndimage.label(bad & (numbers == 0), np.ones((3, 3)))
    sizes = np.bincount(rest.ravel(), minlength=pieces + 1)
    _give_to_lines(numbers, rest, sizes)
    own = (rest != 0) & (numbers == 0)
    numbers[own] = rest[own] + lines
    return _describe(numbers, kernel, lines)


def _kernel_pixels(bad: NDArray[np.bool_], rules: GroupRules) -> NDArray[np.bool_]:
    """Bad pixels with too few good neighbours and at least one that is bad."""
    rows, columns = bad.shape
    good_around = np.zeros(bad.shape, np.uint8)
    bad_around = np.zeros(bad.shape, np.uint8)
    good, edged = np.pad(~bad, 1), np.pad(bad, 1)
    for down in range(3):
        for right in range(3):
            if (down, right) != (1, 1):
                window = np.s_[down : down + rows, right : right + columns]
                good_around += good[window]
                bad_around += edged[window]
    return np.asarray(bad & (bad_around > 0) & (good_around < rules.kernel_good_neighbours))


Slices = tuple[slice, slice]


def _lines(bad: NDArray[np.bool_], rules: GroupRules) -> Iterator[tuple[Slices, int]]:
    """Place and length of every run that is a line; along rows first, from the top left on."""
    for along_columns in (False, True):
        image = bad.T if along_columns else bad
        edged = np.pad(image, ((1, 1), (0, 0)))
        beside = edged[:-2] | edged[2:]
        seen = np.concatenate(
            [np.zeros((len(image), 1), np.int64), np.cumsum(beside, axis=1)], axis=1
        )
        steps = np.diff(np.pad(image, ((0, 0), (1, 1))).astype(np.int8), axis=1)
        starts, stops = np.argwhere(steps == 1), np.argwhere(steps == -1)
        for (row, first), (_, stop) in zip(starts.tolist(), stops.tolist(), strict=True):
            length = stop - first
            adjacent = int(seen[row, stop] - seen[row, first])
            if length >= rules.line_min_px and adjacent <= rules.line_max_adjacent * length:
                across, along = slice(row, row + 1), slice(first, stop)
                yield ((along, across) if along_columns else (across, along)), length


def _take_line(numbers: NDArray[np.int32], place: Slices, number: int) -> None:
    """Number the pixels of a line that no longer one has."""
    part = numbers[place]
    part[part == 0] = number


def _give_to_lines(
    numbers: NDArray[np.int32], rest: NDArray[np.int32], sizes: NDArray[np.int64]
) -> None:
    """Lone pixels of ``rest`` that touch a line become part of it, of the longest if of several."""
    lone = np.argwhere((sizes == 1)[rest] & (rest != 0))
    touched = [
        (row, column, around[around > 0].min())
        for row, column in lone.tolist()
        if (around := numbers[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]).any()
    ]
    for row, column, number in touched:  # all judged before any is given away
        numbers[row, column] = number


def _describe(numbers: NDArray[np.int32], kernel: NDArray[np.bool_], lines: int) -> BadGroups:
    """Groups in the order of their first pixel, and renumbered so."""
    places = np.flatnonzero(numbers)
    _, first, which = np.unique(numbers.ravel()[places], return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    is_line = (numbers.ravel()[places[first]] <= lines)[order]
    number = rank[which]
    renumbered = np.zeros(numbers.shape, np.int32)
    renumbered.ravel()[places] = number + 1

    row, column = np.divmod(places, numbers.shape[1])
    count = len(order)
    low = np.full((2, count), max(numbers.shape))
    high = np.zeros((2, count), np.int64)
    for axis, at in enumerate((row, column)):
        np.minimum.at(low[axis], number, at)
        np.maximum.at(high[axis], number, at)
    pixels = np.bincount(number, minlength=count)
    kernels = np.bincount(number, weights=kernel.ravel()[places], minlength=count)
    groups = tuple(
        BadGroup(
            kind=_kind(line=bool(is_line[i]), pixels=int(pixels[i]), kernels=int(kernels[i])),
            row=int(low[0, i]),
            column=int(low[1, i]),
            rows=int(high[0, i] - low[0, i] + 1),
            columns=int(high[1, i] - low[1, i] + 1),
            pixels=int(pixels[i]),
            kernel_pixels=int(kernels[i]),
        )
        for i in range(count)
    )
    return BadGroups(groups, renumbered, kernel)


def _kind(*, line: bool, pixels: int, kernels: int) -> GroupKind:
    if line:
        return GroupKind.LINE
    if pixels == 1:
        return GroupKind.SINGLE
    return GroupKind.RELEVANT_CLUSTER if kernels else GroupKind.CLUSTER
