"""Changes of welds, invented: one of each kind among many that hardly changed."""

from __future__ import annotations

import random

from pipeline.outputs.batch.change import Change, CheckChange, PositionChange
from pipeline.outputs.batch.pixels import PixelChange

FILES = ("quality.json", "strip.tif", "maps.tif", "positions.csv", "quality.html", "config.toml")


def pixels(worst: float = 0.3, filled: tuple[int, int] = (106, 110)) -> PixelChange:
    """A small difference of two strips, but for its worst cell and what was filled in."""
    return PixelChange(
        level=0.0003, rms=0.09, equal=0.2, rms_touched=0.6, rms_untouched=0.08, fewer_frames=957,
        more_frames=270, filled=filled, filled_new=max(0, filled[1] - filled[0]),
        not_covered=(0, 0), cell_mm=0.4, worst_cell=worst, worst_s_mm=210.0, worst_z_mm=7.3,
    )  # fmt: skip


def change(number: int, **values: object) -> Change:
    """A weld whose calibration changed."""
    rng = random.Random(number)
    old = 237.0 + rng.gauss(0, 4)
    usual: dict[str, object] = {
        "weld": f"W-{number:04d}",
        "old": f"/welds/w{number:04d}/result",
        "new": f"/welds/w{number:04d}/result.reprocessed",
        "why": ("calibration: 087fc8705601 → 68ee2a5545fc",),
        "same": ("config.toml",),
        "different": tuple(name for name in FILES if name != "config.toml"),
        "old_verdict": "pass",
        "new_verdict": "pass",
        "checks": (
            CheckChange(
                "noise.predicted_snr", "", old, old - 1 + rng.gauss(0, 0.5), "pass", "pass"
            ),
            CheckChange(
                "registration.closure_mm", "mm", 0.0005, 0.0005 + rng.gauss(0, 5e-5), "pass", "pass"
            ),
        ),
        "positions": PositionChange(rng.uniform(2e-4, 5e-4), 1e-4, "f.tif", 1e-4, (), ()),
        "pixels": pixels(),
        "bad_pixels": {"total": (362, 381), "dead": (169, 169), "noisy": (58, 77)},
        "calibration": ("087f", "68ee"),
    }
    return Change(**{**usual, **values})  # type: ignore[arg-type]
