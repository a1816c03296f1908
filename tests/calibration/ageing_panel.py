"""Invented calibrations of one panel as it ages, put together from their truth without exposures.

At ``age`` 0 the panel is as new; each unit of age raises the dark, the read noise and the lag,
lowers sensitivity, shades the gain and turns more pixels bad: ages 0 to 3 go from sound to unfit.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from pipeline.calibration.product import (
    CalibrationFacts,
    CalibrationSet,
    NoiseModel,
    content_identity,
)
from pipeline.model import PixelClass

ROWS, COLUMNS = 96, 128
READ_GV, SLOPE_GV, SIGNAL_GV = 12.0, 0.9, 37_000.0
FRAMES = 30
GAIN_NOISE = 0.0012
SHADING = 0.03
"""Gain lost at the right edge for each unit of age."""


def aged(
    age: float, *, rows: int = ROWS, columns: int = COLUMNS, seed: int = 1, **facts: Any
) -> CalibrationSet:
    """The calibration at an age; ``facts`` replace what its facts would say."""
    fixed = np.random.default_rng(seed)
    own = np.random.default_rng([seed, round(1000 * age)])
    x = np.linspace(0, 1, columns)
    dark = 290 + fixed.normal(0, 6, (rows, columns)) + 6 * np.sin(12 * x) + 30 * age
    dark += own.normal(0, READ_GV / FRAMES**0.5, (rows, columns))
    gain = 1 + fixed.normal(0, 0.012, (rows, columns)) + 0.05 * np.cos(3 * x)
    gain *= 1 - SHADING * age * x
    gain *= 1 + own.normal(0, GAIN_NOISE, (rows, columns))
    classes = bad_pixels(age, rows, columns, fixed)
    gain /= np.median(gain[classes == 0])
    arrays = dark.astype(np.float32), gain.astype(np.float32), classes
    told = dataclasses.replace(facts_at(age, classes), **facts)
    return CalibrationSet(told, *arrays, content_identity(told, *arrays))


def bad_pixels(age: float, rows: int, columns: int, rng: np.random.Generator) -> np.ndarray:
    """Single bad pixels of all classes; from age 1 on a 3×3 cluster, from age 2 on a line too."""
    classes = np.zeros((rows, columns), np.uint8)
    places = rng.permutation(rows * columns)[: round((0.002 + 0.004 * age) * rows * columns)]
    kinds = [kind for kind in PixelClass if kind is not PixelClass.BAD_NEIGHBOURHOOD]
    classes.flat[places] = np.array(kinds, np.uint8)[np.arange(len(places)) % len(kinds)]
    if age >= 1:
        classes[rows // 3 : rows // 3 + 3, columns // 4 : columns // 4 + 3] = PixelClass.DEAD
    if age >= 2:
        classes[rows // 5 : rows // 5 + rows // 2, 2 * columns // 3] = PixelClass.UNDER_RESPONDING
    return classes


def facts_at(age: float, classes: np.ndarray) -> CalibrationFacts:
    """All that is told of the panel at an age; every figure measured."""
    counts = {
        str(kind.name).lower(): int(np.count_nonzero(classes & np.uint8(kind)))
        for kind in PixelClass
    }
    signal_gv = SIGNAL_GV * (1 - 0.04 * age)
    read_gv = READ_GV * (1 + 0.08 * age)
    return CalibrationFacts(
        serial="TEST-1",
        gain_mode="normal",
        rows=classes.shape[0],
        columns=classes.shape[1],
        noise=NoiseModel(read_gv**2, SLOPE_GV, GAIN_NOISE),
        frame_time_s=2.0,
        kv_min=100.0,
        kv_max=180.0,
        temperature_min_c=10.0,
        temperature_max_c=30.0,
        valid_from=f"2026-{1 + 3 * int(age):02d}-{5 + round(10 * (age % 1)):02d}",
        valid_until=f"2026-{4 + 3 * int(age):02d}-05",
        source_distance_mm=1000.0,
        lag_fractions=(0.02 * (1 + age / 2), 0.006),
        linearity={
            "levels": 3.0,
            "slope": signal_gv / 4.2,
            "intercept": 0.002,
            "max_deviation": 0.006 * (1 + age),
        },
        bad_pixels=counts | {"total": int(np.count_nonzero(classes))},
        bad_groups={
            "single": counts["noisy"] * 5,
            "cluster": 2 + int(age),
            "relevant_cluster": int(age >= 1),
            "line": int(age >= 2),
            "kernel_pixels": 9 * int(age >= 1),
            "largest_cluster_pixels": 9 * int(age >= 1),
        },
        acceptance={
            "bad_fraction": float(np.mean(classes != 0)),
            "dark_frames": float(FRAMES),
            "dark_level_gv": 290.0 + 30 * age,
            "dark_std_gv": read_gv,
            "dark_drift_gv": 3.0 + 2 * age,
            "dark_rejected": 0.0,
            "flat_frames": 20.0,
            "flat_levels": 3.0,
            "flat_signal_gv": signal_gv,
            "flat_snr": 200.0 - 10 * age,
            **_levels(signal_gv, read_gv),
            "non_uniform_limit": 0.01,
            "non_uniform_limit_wanted": 0.01,
            "uniformity": 0.0028 * (1 + 0.3 * age),
            "flat_shape_within": 0.002,
            "flat_shape_between": 0.004,
            "gain_percentile_1": 0.93,
            "gain_percentile_99": 1.07,
            "lag_first_frame": 0.02 * (1 + age / 2),
            "lag_second_frame": 0.006,
            "electrons_per_gv": 1 / SLOPE_GV,
            "read_noise_electrons": read_gv / SLOPE_GV,
            "quantum_limited_from_gv": read_gv**2 / SLOPE_GV,
            "sr_b_mm": 0.105,
            "snr_n": (200.0 - 10 * age) * 0.0886 / 0.105,
            "contrast_sensitivity": 0.011,
        },
        exposures=(
            {"kind": "dark", "dose": None, "folder": "dark", "files": [{"name": "d1.tif"}]},
            {"kind": "flat", "dose": 1.8, "folder": "flat_1", "files": [{"name": "f1.tif"}]},
            {"kind": "flat", "dose": 4.2, "folder": "flat_2", "files": [{"name": "f2.tif"}]},
        ),
    )


def _levels(signal_gv: float, read_gv: float) -> dict[str, float]:
    """What was measured of three levels: on the noise model but for a percent of the variance."""
    figures: dict[str, float] = {}
    for number, (share, off) in enumerate(((0.2, -0.002), (0.5, 0.006), (1.0, -0.003)), start=1):
        level_gv = share * signal_gv
        figures |= {
            f"flat_{number}_dose": 4.2 * share,
            f"flat_{number}_gv": level_gv,
            f"flat_{number}_off_line": off,
            f"flat_{number}_noise_gv": level_gv,
            f"flat_{number}_variance_gv2": 1.01 * (read_gv**2 + SLOPE_GV * level_gv),
        }
    return figures
