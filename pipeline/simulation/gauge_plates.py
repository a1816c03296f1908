"""What is laid before the panel to calibrate it: a duplex wire gauge, a dot grid, a step wedge.

Each gives the dose that reaches every pixel, relative to the bare beam: 1 where nothing is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray, FloatImage
from pipeline.simulation.layout import DUPLEX_MM, TUNGSTEN_PAIRS
from pipeline.simulation.spectrum import panel_signal

MARGIN_PX = 8  # beyond which blur no longer reaches
_FINE_ACROSS, _FINE_ALONG = 16, 4  # parts of a pixel across the gauge's wires, and along them
_FINE_DOTS = 4
_BLOCK_ROWS = 128
_TABLE_MM = np.linspace(0.0, 0.8, 401)  # of wire

Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class DuplexGauge:
    """A duplex wire gauge that lies on the panel, wires down the columns but for the tilt.

    ``first_column`` and ``row`` are where the middle of the thickest pair lies. The wires of a
    pair are one diameter apart; the three thickest pairs are tungsten, the others platinum.
    """

    first_column: float
    row: float
    tilt_deg: float = 3.0
    step_mm: float = 4.5
    length_mm: float = 14.0

    def pair_columns(self, pitch_mm: float) -> FloatArray:
        """The column of each pair's middle, in ``row``."""
        steps = np.arange(len(DUPLEX_MM), dtype=np.float64)
        return self.first_column + steps * self.step_mm / pitch_mm

    def dose(
        self, shape: tuple[int, int], pitch_mm: float, blur_px: float, kv: float
    ) -> FloatImage:
        """The relative dose at every pixel, blurred and sampled, (rows, columns) float32.

        Wires are drawn on 16×4 parts of a pixel, so the thinnest is eight parts wide.
        """
        import cv2  # noqa: PLC0415

        slope = math.tan(math.radians(self.tilt_deg))
        half_rows = self.length_mm / 2 / pitch_mm
        lean = slope * half_rows
        centres = self.pair_columns(pitch_mm)
        reach = 1.5 * DUPLEX_MM[0] / pitch_mm + lean + MARGIN_PX
        top, bottom = math.floor(self.row - half_rows) - MARGIN_PX, math.ceil(self.row + half_rows)
        left, right = math.floor(centres[0] - reach), math.ceil(centres[-1] + reach)
        rows = _parts(top, bottom + MARGIN_PX, _FINE_ALONG) - self.row
        columns = _parts(left, right, _FINE_ACROSS)
        passed = np.ones((rows.size, columns.size), dtype=np.float32)
        seen = np.abs(rows) <= half_rows
        for number, (centre, diameter_mm) in enumerate(zip(centres, DUPLEX_MM, strict=True)):
            part = slice(*np.searchsorted(columns, (centre - reach, centre + reach)))
            across = columns[part] - centre - slope * rows[seen, None]
            across_mm = across * pitch_mm * math.cos(math.radians(self.tilt_deg))
            chord = sum(
                2 * np.sqrt(np.maximum((diameter_mm / 2) ** 2 - (across_mm - side) ** 2, 0))
                for side in (-diameter_mm, diameter_mm)
            )
            passed[seen, part] *= np.interp(chord, _TABLE_MM, wire_transmission(number, kv))
        fine_blur = _FINE_ACROSS * blur_px, _FINE_ALONG * blur_px
        passed = cv2.GaussianBlur(passed, (0, 0), sigmaX=fine_blur[0], sigmaY=fine_blur[1])
        means = passed.reshape(-1, _FINE_ALONG, right - left + 1, _FINE_ACROSS).mean(axis=(1, 3))
        dose = np.ones(shape, dtype=np.float32)
        dose[top : bottom + MARGIN_PX + 1, left : right + 1] = means
        return dose


def wire_transmission(pair: int, kv: float) -> FloatArray:
    """What passes through 0 … 0.8 mm (401 values) of the wire of pair ``pair`` (0 the thickest)."""
    element, density = ("W", 19.3) if pair < TUNGSTEN_PAIRS else ("Pt", 21.45)
    signal = panel_signal(kv, _TABLE_MM, element, density)
    return np.asarray(signal / signal[0])


@dataclass(frozen=True, slots=True)
class DotPlate:
    """A plate with a square lattice of round dots, before the panel, leaning and rolled.

    The plate is the panel's plane, rolled (sign as ``geometry.Panel.roll_rad``), then tilted
    without a twist; positive tilts are away from the source at higher columns
    (rows). Its dot (0, 0) is seen ``offset_px`` (column, row) from the panel's middle. The source
    stands over the panel's middle. ``corner_bend_px`` is by how much the panel shows a corner too
    near to the middle (a smooth cubic error, as of a bulging scintillator).
    """

    spacing_mm: float = 5.0
    dot_mm: float = 1.2
    passed: float = 0.35
    source_distance_mm: float = 700.0
    plate_distance_mm: float = 668.0
    roll_deg: float = 0.35
    tilt_columns_deg: float = 1.5
    tilt_rows_deg: float = -0.8
    offset_px: Place = (3.4, -2.7)
    corner_bend_px: float = 0.3

    def homography(self, shape: tuple[int, int], pitch_mm: float) -> FloatArray:
        """The 3×3 matrix from plate mm to panel (column, row), the bend left aside."""
        a, b, c = (
            math.radians(v) for v in (self.tilt_columns_deg, self.tilt_rows_deg, self.roll_deg)
        )
        # The plate's plane is z = x·tan a + y·tan b, reached by the smallest turn: no twist.
        normal = np.array([-math.tan(a), -math.tan(b), 1.0])
        normal /= np.linalg.norm(normal)
        lean = np.eye(3) - np.outer(normal, normal) / (1 + normal[2])
        lean[:, 2], lean[2] = normal, [-normal[0], -normal[1], normal[2]]
        along = lean @ np.array([math.cos(c), -math.sin(c), 0.0])
        down = lean @ np.array([math.sin(c), math.cos(c), 0.0])
        focal = self.source_distance_mm / pitch_mm
        column, row = (shape[1] - 1) / 2, (shape[0] - 1) / 2
        to_panel = np.array([[focal, 0, column], [0, focal, row], [0, 0, 1.0]])
        origin = np.array([*self.offset_px, focal]) * self.plate_distance_mm / focal
        matrix = to_panel @ np.column_stack([along, down, origin])
        return np.asarray(matrix / matrix[2, 2])

    def dots(self, shape: tuple[int, int], pitch_mm: float) -> FloatArray:
        """(plate x in mm, plate y, column, row) of every dot seen whole, (n, 4)."""
        matrix = self.homography(shape, pitch_mm)
        most = math.ceil(math.hypot(*shape) * pitch_mm / self.spacing_mm)
        number = np.arange(-most, most + 1) * self.spacing_mm
        x, y = (values.ravel() for values in np.meshgrid(number, number))
        seen = np.column_stack([x, y, np.ones_like(x)]) @ matrix.T
        ideal = seen[:, :2] / seen[:, 2:]
        pixel = ideal
        for _ in range(20):  # the bend is small: every turn is nearer by a factor of 100 or more
            reached = self._ideal(pixel[:, 0], pixel[:, 1], shape)
            pixel = pixel + ideal - np.stack(reached, axis=1)
        edge = self.dot_mm / 2 / pitch_mm * 1.2 + 1
        inside = (pixel > edge).all(axis=1)
        inside &= (pixel < np.array([shape[1], shape[0]]) - 1 - edge).all(axis=1)
        return np.column_stack([x, y, pixel])[inside]

    def dose(self, shape: tuple[int, int], pitch_mm: float, blur_px: float) -> FloatImage:
        """The relative dose at every pixel, blurred and sampled, (rows, columns) float32."""
        import cv2  # noqa: PLC0415

        back = np.linalg.inv(self.homography(shape, pitch_mm)).astype(np.float32)
        cell_mm = pitch_mm / _FINE_DOTS
        columns = _parts(-MARGIN_PX, shape[1] - 1 + MARGIN_PX, _FINE_DOTS)
        dose = np.empty(shape, dtype=np.float32)
        for first in range(0, shape[0], _BLOCK_ROWS):
            count = min(_BLOCK_ROWS, shape[0] - first)
            rows = _parts(first - MARGIN_PX, first + count - 1 + MARGIN_PX, _FINE_DOTS)
            ideal = self._ideal(columns[None, :], rows[:, None], shape)
            # float32 leaves places right to 1e-4 px, in half the time.
            column, row = (place.astype(np.float32) for place in ideal)
            depth = back[2, 0] * column + back[2, 1] * row + back[2, 2]
            x = (back[0, 0] * column + back[0, 1] * row + back[0, 2]) / depth
            y = (back[1, 0] * column + back[1, 1] * row + back[1, 2]) / depth
            x -= self.spacing_mm * np.rint(x / self.spacing_mm)
            y -= self.spacing_mm * np.rint(y / self.spacing_mm)
            cover = np.clip((self.dot_mm / 2 - np.sqrt(x * x + y * y)) / cell_mm + 0.5, 0, 1)
            fine = (1 - (1 - self.passed) * cover).astype(np.float32)
            fine = cv2.GaussianBlur(fine, (0, 0), _FINE_DOTS * blur_px)
            size = columns.size // _FINE_DOTS, rows.size // _FINE_DOTS
            means = cv2.resize(fine, size, interpolation=cv2.INTER_AREA)
            dose[first : first + count] = means[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
        return dose

    def _ideal(
        self, column: FloatArray, row: FloatArray, shape: tuple[int, int]
    ) -> tuple[FloatArray, FloatArray]:
        """Where a panel without the bend would show what is seen at (column, row)."""
        away_columns, away_rows = column - (shape[1] - 1) / 2, row - (shape[0] - 1) / 2
        corner_sq = ((shape[1] - 1) ** 2 + (shape[0] - 1) ** 2) / 4
        share = (away_columns**2 + away_rows**2) * (self.corner_bend_px / corner_sq**1.5)
        return column + share * away_columns, row + share * away_rows


@dataclass(frozen=True, slots=True)
class StepWedge:
    """A steel wedge with even steps, thinnest at lower columns, in the panel's middle."""

    thickness_mm: tuple[float, ...] = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0)

    def step_columns(self, columns: int) -> tuple[int, ...]:
        """Where each step begins, and where the last one ends; together 70 % of the panel."""
        step = round(0.7 * columns / len(self.thickness_mm))
        first = (columns - step * len(self.thickness_mm)) // 2
        return tuple(first + step * number for number in range(len(self.thickness_mm) + 1))

    def dose(self, shape: tuple[int, int], blur_px: float, kv: float) -> FloatImage:
        """The relative dose at every pixel, (rows, columns) float32."""
        import cv2  # noqa: PLC0415

        signal = panel_signal(kv, np.array([0.0, *self.thickness_mm]))
        dose = np.ones(shape, dtype=np.float32)
        edges = self.step_columns(shape[1])
        rows = slice(shape[0] // 4, shape[0] - shape[0] // 4)
        for first, last, passed in zip(edges, edges[1:], signal[1:] / signal[0], strict=False):
            dose[rows, first:last] = passed
        return np.asarray(cv2.GaussianBlur(dose, (0, 0), blur_px))


def _parts(first_px: int, last_px: int, fine: int) -> FloatArray:
    """Centres of the ``fine`` parts of each of the pixels ``first_px`` … ``last_px``."""
    count = (last_px - first_px + 1) * fine
    return first_px - 0.5 + (np.arange(count) + 0.5) / fine
