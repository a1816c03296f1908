"""Which frames a calibration fits."""

import dataclasses
from typing import Any

import pytest

from pipeline.errors import CalibrationError
from tests.calibration.ageing_panel import COLUMNS, ROWS, aged

FRAMES: dict[str, Any] = {
    "rows": ROWS,
    "columns": COLUMNS,
    "serial": "TEST-1",
    "gain_mode": "normal",
}


def made(binning: str | None):
    one = aged(0)
    return dataclasses.replace(one, facts=dataclasses.replace(one.facts, binning=binning))


@pytest.mark.parametrize(("ours", "theirs"), [(None, None), (None, "2x2"), ("1x1", None)])
def test_binning_that_one_side_leaves_open_is_no_misfit(ours, theirs):
    made(ours).require_fit(**FRAMES, binning=theirs)
    made(ours).require_fit(**FRAMES)


def test_binning_counts_where_both_tell():
    made("2x2").require_fit(**FRAMES, binning="2x2")
    with pytest.raises(
        CalibrationError, match=r"binning is 1x1 in the calibration but 2x2 in the frames"
    ):
        made("1x1").require_fit(**FRAMES, binning="2x2")


def test_every_misfit_is_told_at_once():
    other = FRAMES | {"rows": ROWS + 1, "serial": "TEST-2", "gain_mode": ""}
    with pytest.raises(CalibrationError) as caught:
        made("1x1").require_fit(**other, binning="2x2")
    for name in ("panel size", "detector serial", "gain mode", "binning"):
        assert f"{name} is " in str(caught.value)
