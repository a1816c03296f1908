"""Any point's distance from the datum, round a 24-inch ring: 0.1 mm + 0.02 %, against the truth."""

from __future__ import annotations

import numpy as np
import pytest

from tests.accuracy import column_shifts_px, compare, load
from tests.benchmarks.conftest import Report, Run
from tests.test_position_truth import promised_mm, true_ticks

PIECE_PX, STEP_PX = 160, 80


@pytest.mark.parametrize("preset", ["ring24", "continuous24"])
def test_distances_from_the_datum(
    preset: str, table: Report, request: pytest.FixtureRequest
) -> None:
    """By the ticks of the tape beside the weld, and by the weld's own texture all along it.

    Both are places in the finished strip against places in the truth, with no common part taken
    away: a wrong datum counts.
    """
    run: Run = request.getfixturevalue(preset)
    solved = load(run.scan, run.result)
    true = true_ticks(run.scan)
    ticks = {tick["number"]: tick["s_mm"] for tick in solved.quality["tape"]["ticks"]}
    assert ticks.keys() == true.keys()
    at = np.array([true[number] for number in ticks])
    off = np.array(list(ticks.values())) - at

    shifts_mm = column_shifts_px(
        compare(run.scan, run.result, solved), width_px=PIECE_PX, step_px=STEP_PX
    )
    shifts_mm *= solved.pitch_mm
    middle = (STEP_PX * np.arange(len(shifts_mm)) + PIECE_PX / 2) * solved.pitch_mm

    for what, s, error in (("ticks", at, off), ("weld", middle, shifts_mm)):
        share = np.abs(error) / promised_mm(s)
        table.row(
            f"{preset} distance from the datum, {len(s)} places by the {what}",
            f"RMS {np.sqrt(np.mean(error**2)):.4f}, worst {np.abs(error).max():.4f} mm, "
            f"{share.max():.2f} of what is promised",
            "≤ 0.1 mm + 0.02 %",
        )
        assert np.all(share <= 1)
