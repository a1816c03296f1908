"""The flats' beam, told apart from the pixels' gain, so that flats serve at another distance.

A point source at the distance h above the panel's plane gives, at (u, v) from its foot,

    (1 + (u² + v²)/h²)^(−3/2) · exp(a·u/h + b·v/h + c·(u/h)² + d·(v/h)²)

inverse square and obliquity, and the heel of the anode as a low-order function of the ray's
direction. With flats at one distance only the first factor can be known, foot in the middle of the
panel: the heel then stays in the gain. With flats at two distances what belongs to the pixels
cancels in their ratio, and foot and heel are fitted to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.calibration.levels import Level
from pipeline.calibration.product import CalibrationSet
from pipeline.calibration.sketch import Sketch
from pipeline.errors import CalibrationError
from pipeline.geometry import Panel, ScanGeometry, relative_flux
from pipeline.model import FloatArray, FloatImage

FOOT_SIGMA_MM = 10.0
HEEL_SIGMA = 0.5
"""How far foot and heel are expected from the middle and from none: what the ratio of two flats
tells about them is far sharper, but for one mixture of both; common practice, no source."""

RATIO_SIGMA = 2e-4
LEAST_SIGMA = 1e-5
"""Of a cell's logarithm, at first; then as the fit leaves it, but never less than this."""

MOST_RESIDUAL = 0.01
"""A ratio of two flats that the model misses by more (RMS) is not that of two distances."""


@dataclass(frozen=True, slots=True)
class Beam:
    """Foot of the source on the panel (pixels), heel (a, b, c, d above), distance (mm) at which
    the gain's flats were shot; ``residual`` of the fit (RMS, relative), None for one distance."""

    distance_mm: float
    foot_column: float
    foot_row: float
    heel: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    residual: float | None = None

    def facts(self) -> dict[str, float]:
        """As it stands in ``CalibrationFacts.beam``."""
        names = ("heel_columns", "heel_rows", "heel_columns_2", "heel_rows_2")
        found = {
            "source_distance_mm": self.distance_mm,
            "foot_column": self.foot_column,
            "foot_row": self.foot_row,
            **dict(zip(names, self.heel, strict=True)),
        }
        return found if self.residual is None else found | {"residual": self.residual}

    def over(
        self, column: FloatArray, row: FloatArray, pitch_mm: float, distance_mm: float
    ) -> FloatArray:
        """The beam at these pixels, relative to the source's foot; arguments broadcast."""
        logarithm = _log_beam(
            (column - self.foot_column) * pitch_mm / distance_mm,
            (row - self.foot_row) * pitch_mm / distance_mm,
            np.array(self.heel),
        )
        return np.asarray(np.exp(logarithm))


def _log_beam(across: FloatArray, down: FloatArray, heel: FloatArray) -> FloatArray:
    """Logarithm of the beam in the direction of these tangents."""
    a, b, c, d = heel
    plain = -1.5 * np.log1p(across**2 + down**2)
    return np.asarray(plain + a * across + b * down + c * across**2 + d * down**2)


def separate_beam(
    levels: Sequence[Level], fitted: int, pitch_mm: float
) -> tuple[list[Level], Beam]:
    """The levels without the beam's shape, and the beam, as the first ``fitted`` of them show it.

    Every level must tell its distance; it keeps its median.

    Raises:
        CalibrationError: flats at two distances differ by something else than distance.
    """
    rows, columns = levels[0].signal.shape
    beam = _fit(levels[:fitted], pitch_mm)
    column = np.arange(columns, dtype=np.float64)[None, :]
    row = np.arange(rows, dtype=np.float64)[:, None]
    plain = []
    for level in levels:
        shape = beam.over(column, row, pitch_mm, _distance(level))
        signal: FloatImage = (level.signal / shape).astype(np.float32)
        signal *= np.float32(level.median / np.median(signal))
        plain.append(replace(level, signal=signal))
    return plain, beam


def _distance(level: Level) -> float:
    if level.distance_mm is None:
        raise ValueError(f"{level.where}: no source distance")
    return level.distance_mm


def _fit(levels: Sequence[Level], pitch_mm: float) -> Beam:
    from scipy.optimize import least_squares  # noqa: PLC0415  (slow import)

    rows, columns = levels[0].signal.shape
    middle = (columns - 1) / 2, (rows - 1) / 2
    distances_mm = [_distance(level) for level in levels]
    far = int(np.argmax(distances_mm))
    brightest = int(np.argmax([level.median for level in levels]))
    others = [k for k, one in enumerate(distances_mm) if one < 0.999 * distances_mm[far]]
    if not others:
        return Beam(distances_mm[brightest], *middle)
    cells = Sketch(rows, columns, samples=max(rows, columns))
    column, row = _centres(cells)
    far_signal = np.maximum(levels[far].signal, np.float32(1))
    # The quotient of pixels, in which their gain cancels, not that of cells.
    seen = np.stack(
        [np.log(np.maximum(cells.of(levels[k].signal / far_signal), 1e-6)) for k in others]
    )

    def misfit(values: FloatArray) -> FloatArray:
        foot, heel = values[:2], values[2:]

        def beam(distance: float) -> FloatArray:
            scale = pitch_mm / distance
            return _log_beam(
                (column - middle[0]) * scale - foot[0] / distance,
                (row - middle[1]) * scale - foot[1] / distance,
                heel,
            )

        left = seen - np.stack([beam(distances_mm[k]) - beam(distances_mm[far]) for k in others])
        left = left - left.mean(axis=(1, 2), keepdims=True)
        return np.asarray(left.ravel())

    def penalised(values: FloatArray, sigma: float) -> FloatArray:
        return np.concatenate(
            [misfit(values) / sigma, values[:2] / FOOT_SIGMA_MM, values[2:] / HEEL_SIGMA]
        )

    solved, residual = np.zeros(6), RATIO_SIGMA
    for _ in range(2):
        sigma = max(residual, LEAST_SIGMA)
        fit = least_squares(penalised, solved, args=(sigma,), loss="soft_l1", f_scale=3.0)
        solved = fit.x
        residual = float(np.sqrt(np.mean(misfit(solved) ** 2)))
    if residual > MOST_RESIDUAL:
        raise CalibrationError(
            f"the flats at {distances_mm[others[0]]:g} and {distances_mm[far]:g} mm differ by more "
            f"than distance explains ({100 * residual:.1f} %)",
            where="gain.separate_beam",
            expected=f"at most {100 * MOST_RESIDUAL:g} %, moved straight away from the panel",
            remedy="Check source_distance_mm of each set, and that nothing stood in the beam",
        )
    return Beam(
        distances_mm[brightest],
        float(middle[0] + solved[0] / pitch_mm),
        float(middle[1] + solved[1] / pitch_mm),
        (float(solved[2]), float(solved[3]), float(solved[4]), float(solved[5])),
        residual,
    )


def _centres(cells: Sketch) -> tuple[FloatArray, FloatArray]:
    """Column and row of the middle of every cell."""
    down, across = cells.shape
    height, width = cells.rows // down, cells.columns // across
    column = np.arange(across, dtype=np.float64) * width + (width - 1) / 2
    row = np.arange(down, dtype=np.float64) * height + (height - 1) / 2
    return column[None, :], row[:, None]


def scan_beam(geometry: ScanGeometry, panel: Panel) -> FloatImage:
    """The bare beam over the panel where the source nominally stands in a scan, float32."""
    told = replace(geometry, source_x_mm=0.0, source_y_mm=0.0)
    u, v = panel.to_plane(
        np.arange(panel.columns, dtype=np.float64)[None, :],
        np.arange(panel.rows, dtype=np.float64)[:, None],
    )
    return relative_flux(told, told.source(0.0), u, v).astype(np.float32)


def with_beam(calibration: CalibrationSet, beam: FloatImage) -> CalibrationSet:
    """The calibration as if its flats had been shot in that beam: what a scan needs.

    For a calibration whose gain holds no beam (``facts.beam``); any other is returned as it is.
    Corrected frames are then what they are with flats shot where the scan's source stands. The
    curvature goes over to the new gain. The set in memory is no longer what is on disk, but keeps
    its identity: that is what it was made from.
    """
    if calibration.facts.beam is None:
        return calibration
    good = calibration.classes == 0
    relative = beam / np.float32(np.median(beam[good] if good.any() else beam))
    gain = calibration.gain * relative
    curvature = calibration.curvature
    if curvature is not None:
        # Of a signal s both must give s/gain · (1 + c·(s/gain_before − v₀)): a quadratic in s,
        # whose two coefficients settle the new gain and the new curvature.
        bend = curvature * np.float32((calibration.facts.linearity or {}).get("reference_gv", 0.0))
        stretch = 2 / (1 - bend + np.sqrt((1 - bend) ** 2 + 4 * bend * relative))
        gain = gain * stretch
        curvature = curvature * relative * stretch**2
    return replace(calibration, gain=gain, curvature=curvature)
