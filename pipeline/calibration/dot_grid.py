"""What a shot of a dot grid or hole plate says of the panel: roll, tilts, scale, distortion."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.dot_finder import Dots, find_dots
from pipeline.calibration.dot_lattice import index_dots
from pipeline.calibration.plane_fit import (
    apply_homography,
    bend_terms,
    fit_bend,
    fit_bent_homography,
    fit_homography,
)
from pipeline.errors import CalibrationError
from pipeline.model import FloatArray, FloatImage

_SMALLEST_PX = 6.0  # spacing
_FEWEST = 25
_FEWEST_FOR_BEND = 60
_OUTLIER = 6.0  # robust standard deviations
_HARMLESS_PX = 0.02  # a smaller misfit is no reason to leave a dot out
_FARTHEST = 4.0  # magnification


@dataclass(frozen=True, slots=True)
class DotGrid:
    """The dots that are part of the lattice, and how the lattice's plane is seen on the panel.

    ``columns``, ``rows`` (n,) are measured centres in px, ``sigma_px`` their uncertainty, and
    ``plate_mm`` (n, 2) their true places on the plate, x in the direction nearest to the panel's
    columns. ``homography`` (3×3) takes plate mm to panel (column, row) px as a central projection;
    ``bend_px`` (n, 2) is what a smooth cubic surface says is missing from that, (column, row), and
    ``residual_px`` (n, 2) what neither explains. ``used`` marks the dots that the fit rests on.
    ``left_out`` counts blots that are no dot of the lattice, and dots that don't fit.
    """

    panel_columns: int
    panel_rows: int
    pitch_mm: float
    source_distance_mm: float | None
    columns: FloatArray
    rows: FloatArray
    sigma_px: FloatArray
    plate_mm: FloatArray
    homography: FloatArray
    bend_px: FloatArray
    residual_px: FloatArray
    used: NDArray[np.bool_]
    left_out: int

    @property
    def roll_deg(self) -> float:
        """By how much the panel is rolled against the plate; sign as ``geometry.Panel.roll_rad``.

        Taken at the panel's middle, free of scale and shear.
        """
        jacobian = self._at_middle()
        return math.degrees(
            math.atan2(jacobian[0, 1] - jacobian[1, 0], jacobian[0, 0] + jacobian[1, 1])
        )

    @property
    def magnification(self) -> float:
        """How much larger the plate is seen at the panel's middle: 1 for a plate on the panel."""
        jacobian = self._at_middle()
        return math.sqrt(abs(float(np.linalg.det(jacobian)))) * self.pitch_mm

    def magnification_change(self) -> tuple[float, float]:
        """By which part magnification grows from the first to the last column, and row.

        From the projection's denominator, to which the distance from the source is proportional.
        """
        middle_column, middle_row = (self.panel_columns - 1) / 2, (self.panel_rows - 1) / 2
        ends = np.array(
            [
                [0.0, middle_row],
                [2 * middle_column, middle_row],
                [middle_column, 0.0],
                [middle_column, 2 * middle_row],
            ]
        )
        depth = self._depth(ends)
        return float(depth[0] / depth[1] - 1), float(depth[2] / depth[3] - 1)

    def tilts_deg(self) -> tuple[float, float] | None:
        """By how much the plate leans from the panel's plane along its columns, and its rows.

        Positive where the plate is farther from the source at higher columns (rows). None where
        the distance from the source to the panel wasn't told: a tilt is seen only as a change of
        magnification, and that is the tilt over this distance. The source is taken to stand over
        the panel's middle. With the source at the origin and f to the panel, the homography's
        columns are f times the directions of the plate's axes (Zhang's decomposition with the
        focal length known).
        """
        if self.source_distance_mm is None:
            return None
        centre = np.array([(self.panel_columns - 1) / 2, (self.panel_rows - 1) / 2])
        to_ray = np.array(
            [
                [self.pitch_mm, 0.0, -self.pitch_mm * centre[0]],
                [0.0, self.pitch_mm, -self.pitch_mm * centre[1]],
                [0.0, 0.0, self.source_distance_mm],
            ]
        )
        axes = (to_ray @ self.homography)[:, :2]
        axes = axes / np.sqrt((axes**2).sum(axis=0).mean())
        left, _, right = np.linalg.svd(axes, full_matrices=False)
        normal = np.cross(*(left @ right).T)
        along_columns, along_rows = -normal[:2] / normal[2]
        return math.degrees(math.atan(along_columns)), math.degrees(math.atan(along_rows))

    def facts(self) -> dict[str, float]:
        """The figures that a calibration keeps as ``panel_geometry``.

        ``roll_deg``, ``tilt_columns_deg`` and ``tilt_rows_deg`` (if they can be told),
        ``magnification``, its change over the panel, ``distortion_um`` (largest smooth departure
        from a central projection) and ``residual_um`` (root mean square of what is left, both
        directions together), both in µm on the panel; ``dots`` and ``dots_left_out``.
        """
        change_columns, change_rows = self.magnification_change()
        micrometres = 1000 * self.pitch_mm
        left = self.residual_px[self.used]
        figures = {
            "roll_deg": self.roll_deg,
            "magnification": self.magnification,
            "magnification_change_columns": change_columns,
            "magnification_change_rows": change_rows,
            "distortion_um": float(np.hypot(*self.bend_px.T).max()) * micrometres,
            "residual_um": float(np.sqrt((left**2).sum(axis=1).mean())) * micrometres,
            "dots": float(np.count_nonzero(self.used)),
            "dots_left_out": float(self.left_out),
        }
        tilts = self.tilts_deg()
        if tilts is not None:
            figures["tilt_columns_deg"], figures["tilt_rows_deg"] = tilts
        return figures

    def _depth(self, pixels: FloatArray) -> FloatArray:
        """The projection's denominator at places (column, row) of the panel."""
        back = np.asarray(np.linalg.inv(self.homography), dtype=np.float64)
        plate = apply_homography(back, pixels)
        return np.asarray(plate @ self.homography[2, :2] + self.homography[2, 2])

    def _at_middle(self) -> FloatArray:
        """d(column, row)/d(plate x, y) at the panel's middle, px/mm (2×2)."""
        pixel = np.array([[(self.panel_columns - 1) / 2, (self.panel_rows - 1) / 2]])
        matrix = self.homography
        away = matrix[:2, :2] - np.outer(pixel[0], matrix[2, :2])
        return np.asarray(away / self._depth(pixel)[0])


def measure_dot_grid(
    image: FloatImage,
    *,
    dot_spacing_mm: float,
    pitch_mm: float,
    source_distance_mm: float | None = None,
) -> DotGrid:
    """How the square lattice of dots in ``image`` is seen.

    ``image`` (rows, columns) float32 is linear in dose, corrected for dark and gain, bad pixels
    filled; dots may be dark or bright. ``dot_spacing_mm`` is the lattice's true spacing on the
    plate, ``pitch_mm`` the panel's, ``source_distance_mm`` from the focal spot to the panel.

    Fitted are a central projection and, from 60 dots on, a cubic surface on what it leaves; dots
    beyond six robust standard deviations are left out and both fitted again.

    Raises:
        CalibrationError: no lattice is seen, or its spacing on the panel can't be that of the
            plate.
    """
    spacing_px = dot_spacing_mm / pitch_mm
    if spacing_px < _SMALLEST_PX:
        raise CalibrationError(
            f"dots {dot_spacing_mm:g} mm apart are {spacing_px:.1f} pixels apart on the panel",
            where="dot grid",
            expected=f"{_SMALLEST_PX:g} pixels or more",
            remedy="Use a coarser grid, or correct dot_spacing_mm or the panel's pitch_mm",
        )
    dots = find_dots(image, spacing_px)
    if dots is None:
        raise _nothing_seen(0)
    _require_spacing(dots, dot_spacing_mm, pitch_mm)
    rows, columns = image.shape
    lattice = index_dots(dots.columns, dots.rows, ((columns - 1) / 2, (rows - 1) / 2))
    if lattice.members.size < _FEWEST:
        raise _nothing_seen(lattice.members.size)
    members = lattice.members
    seen = np.column_stack([dots.columns[members], dots.rows[members]])
    plate = dot_spacing_mm * np.column_stack([lattice.across, lattice.down]).astype(np.float64)
    homography, bend, used = _fit(plate, seen, (columns, rows))
    return DotGrid(
        panel_columns=columns,
        panel_rows=rows,
        pitch_mm=pitch_mm,
        source_distance_mm=source_distance_mm,
        columns=seen[:, 0],
        rows=seen[:, 1],
        sigma_px=dots.sigma_px[members],
        plate_mm=plate,
        homography=homography,
        bend_px=bend,
        residual_px=seen - apply_homography(homography, plate) - bend,
        used=used,
        left_out=dots.columns.size - int(np.count_nonzero(used)),
    )


def _fit(
    plate: FloatArray, seen: FloatArray, size: tuple[int, int]
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Homography, bend in px at every dot, and which dots count."""
    middle = (np.array(size) - 1) / 2
    unit = (seen - middle) / max(middle)
    used = np.ones(len(seen), dtype=np.bool_)
    for _ in range(2):
        if np.count_nonzero(used) < _FEWEST_FOR_BEND:
            homography = fit_homography(plate[used], seen[used])
            error = seen - apply_homography(homography, plate)
            bend = np.zeros_like(error)
        else:
            homography = fit_bent_homography(plate[used], seen[used], unit[used])
            error = seen - apply_homography(homography, plate)
            bend = bend_terms(unit) @ fit_bend(unit[used], error[used])
        left = np.hypot(*(error - bend).T)
        # The median of a Rayleigh distribution is 1.1774 standard deviations of one direction.
        spread = float(np.median(left[used])) / 1.1774
        kept = left <= max(_OUTLIER * spread, _HARMLESS_PX)
        if np.array_equal(kept, used):
            break
        used = kept
    return homography, bend, used


def _require_spacing(dots: Dots, dot_spacing_mm: float, pitch_mm: float) -> None:
    seen_mm = dots.spacing_px * pitch_mm
    magnification = seen_mm / dot_spacing_mm
    if not 0.97 <= magnification <= _FARTHEST:
        raise CalibrationError(
            f"the dots are seen {seen_mm:.2f} mm apart on the panel, but dot_spacing_mm = "
            f"{dot_spacing_mm:g}",
            where="dot grid",
            expected="a shadow as large as the plate or larger, not over four times as large",
            remedy="Correct dot_spacing_mm or the panel's pitch_mm",
        )


def _nothing_seen(count: int) -> CalibrationError:
    return CalibrationError(
        f"no square lattice of dots is seen ({count} dots hang together)",
        where="dot grid",
        expected=f"{_FEWEST} dots or more, all alike, over most of the panel",
        remedy="Shoot the plate alone, sharp and well exposed, or leave this set out",
    )
