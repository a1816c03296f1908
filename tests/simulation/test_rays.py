from __future__ import annotations

import numpy as np

from pipeline.simulation.rays import sample_dose


def _plain(
    thickness: np.ndarray,
    x: float,
    y: float,
    path: float,
    extra: float,
    flux: float,
    table: np.ndarray,
    step_mm: float,
    scatter: float,
) -> float:
    """The readable twin: one ray, in float64."""

    def weights(p: float) -> np.ndarray:
        return np.array(
            [
                -0.5 * p + p**2 - 0.5 * p**3,
                1 - 2.5 * p**2 + 1.5 * p**3,
                0.5 * p + 2 * p**2 - 1.5 * p**3,
                -0.5 * p**2 + 0.5 * p**3,
            ]
        )

    x0, y0 = int(np.floor(x)), int(np.floor(y))
    columns = (x0 + np.arange(-1, 3)) % thickness.shape[1]
    rows = np.clip(y0 + np.arange(-1, 3), 0, thickness.shape[0] - 1)
    steel = weights(y - y0) @ thickness[np.ix_(rows, columns)].astype(float) @ weights(x - x0)
    place = (path * steel + extra) / step_mm
    return flux * (float(np.interp(place, np.arange(table.size), table)) + scatter)


def test_every_ray_agrees_with_the_plain_reading() -> None:
    rng = np.random.default_rng(2)
    thickness = rng.uniform(2, 9, (20, 50)).astype(np.float32)
    table = np.exp(-0.2 * np.arange(61) * 0.2).astype(np.float32)
    rows, columns, coarse = 9, 13, 4
    fields = np.empty((5, 4, 5))
    i, j = np.mgrid[0:4, 0:5] * float(coarse)
    # Straight in rows and columns, so that nodes lose nothing; past the map's ends on all sides,
    # and more than once round.
    planes = [(-57.3, 0.1, 17.3), (-4.2, 3.4, 0.05), (1.0, 0.001, 0.002), (0.5, 0.1, 0.2)]
    planes.append((0.9, 0.01, -0.02))
    for k, (start, down, across) in enumerate(planes):
        fields[k] = start + down * i + across * j
    dose = np.empty((rows, columns), dtype=np.float32)
    sample_dose(thickness, fields, coarse, table, 0.2, 0.3, dose)
    for row in range(rows):
        for column in range(columns):
            x, y, path, extra, flux = (a + b * row + c * column for a, b, c in planes)
            expected = _plain(thickness, x, y, path, extra, flux, table, 0.2, 0.3)
            # Weights in float32 (6e-8, sixteen terms) times µ·t of 2, and one float32 result.
            assert abs(dose[row, column] - expected) < 3e-6


def test_steel_past_the_table_takes_its_ends() -> None:
    table = np.array([1.0, 0.5, 0.25], dtype=np.float32)
    fields = np.zeros((5, 2, 2))
    fields[2], fields[4] = 1.0, 1.0
    dose = np.empty((1, 1), dtype=np.float32)
    for steel, expected in ((-3.0, 1.0), (0.5, 0.75), (99.0, 0.25)):
        sample_dose(np.full((4, 4), steel, "f4"), fields, 8, table, 1.0, 0.0, dose)
        assert dose[0, 0] == np.float32(expected)
