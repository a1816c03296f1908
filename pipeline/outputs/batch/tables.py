"""All welds' changes for programs: a CSV with a row a weld, a JSON with everything."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from pipeline.outputs.batch.change import Change

_FIGURES = (
    "noise.snr_n",
    "noise.predicted_snr",
    "sharpness.sr_b_mm",
    "registration.closure_mm",
    "registration.residual_px",
    "seam.level_step",
    "seam.disagreement",
    "pixels.filled_fraction",
)


def verdicts(changes: Sequence[Change]) -> Mapping[tuple[str, str], int]:
    """How many welds went from which verdict to which."""
    return Counter((one.old_verdict, one.new_verdict) for one in changes if not one.fault)


def changes_record(changes: Sequence[Change]) -> dict[str, Any]:
    """Everything, as plain values."""
    return {
        "schema": "girthstrip.batch_changes/1",
        "welds": len(changes),
        "identical": sum(one.identical for one in changes),
        "same_strip": sum(one.same_strip for one in changes),
        "to_look_at": sum(bool(one.look) for one in changes),
        "verdicts": [
            {"old": old, "new": new, "welds": count}
            for (old, new), count in sorted(verdicts(changes).items())
        ],
        "changes": [
            asdict(one)
            | {"identical": one.identical, "same_strip": one.same_strip, "look": list(one.look)}
            for one in changes
        ],
    }


def changes_csv(changes: Sequence[Change]) -> str:
    """A row a weld; figures old and new side by side, empty where there is none."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    pairs = [f"{name}_{which}" for name in _FIGURES for which in ("old", "new")]
    writer.writerow(
        ["weld", "old", "new", "verdict_old", "verdict_new", "identical", "same_strip", "moved_mm",
         "frames_gone", "frames_come", "rms_sigmas", "worst_cell_sigmas", "level", *pairs, "look"]
    )  # fmt: skip
    for one in changes:
        moved, pixels = one.positions, one.pixels
        writer.writerow(
            [
                one.weld,
                one.old,
                one.new,
                one.old_verdict,
                one.new_verdict,
                int(one.identical),
                int(one.same_strip),
                *(
                    ["", "", ""]
                    if moved is None
                    else [f"{moved.largest_mm:.5f}", len(moved.gone), len(moved.come)]
                ),
                *(
                    ["", "", ""]
                    if pixels is None
                    else [f"{pixels.rms:.4f}", f"{pixels.worst_cell:.3f}", f"{pixels.level:.6f}"]
                ),
                *(
                    "" if value is None else f"{value:.6g}"
                    for name in _FIGURES
                    for value in one.value(name)
                ),
                "; ".join(one.look),
            ]
        )
    return text.getvalue()
