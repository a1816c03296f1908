"""What a person is asked to look at, in which order; page and tables of many welds."""

from __future__ import annotations

import csv
import io
import json

import pytest

from pipeline.outputs.batch.change import Change, CheckChange, PositionChange
from pipeline.outputs.batch.page import render_changes
from pipeline.outputs.batch.picture import data_uri
from pipeline.outputs.batch.tables import changes_csv, changes_record
from tests.outputs.batch.invented import FILES, change, pixels

RESIDUAL = CheckChange("registration.residual_px", "px", 0.3, 0.7, "pass", "attention")


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"new_verdict": "attention", "checks": (RESIDUAL,)},
         ["its verdict was pass and is attention",
          "registration.residual_px was pass and is attention"]),
        ({"old_verdict": "fail", "new_verdict": "fail"}, ["its verdict was fail and still is"]),
        ({"old_verdict": "fail"}, ["its verdict was fail and is pass"]),
        ({"positions": PositionChange(0.051, 0.01, "f7.tif", 0, (), ("f3.tif",))},
         ["1 frames are no longer in the strip (f3.tif …)", "f7.tif moved by 0.051 mm"]),
        ({"positions": PositionChange(0.049, 0.01, "f7.tif", 0, ("f4.tif",), ())},
         ["1 frames are new in the strip (f4.tif …)"]),
        ({"checks": (CheckChange("noise.snr_n", "", 100.0, 94.9, "pass", "pass"),)},
         ["noise.snr_n fell by 5 %"]),
        ({"checks": (CheckChange("noise.snr_n", "", 100.0, 95.1, "pass", "pass"),)}, []),
        ({"pixels": pixels(worst=-1.2)},
         ["at 210 mm from the datum the strip differs by -1.2 σ over 0.4 mm"]),
        ({"pixels": pixels(filled=(1000, 1101))}, ["1101 pixels are filled in, 1000 were"]),
        ({"pixels": pixels(filled=(1000, 1099))}, []),
        ({"pixels": None},
         ["the strips can't be laid on each other: another pitch or place"]),
        ({"pixels": None, "same": FILES, "different": ()}, []),
        ({"fault": "gone"}, ["can't be compared: gone"]),
    ],
)  # fmt: skip
def test_reasons_to_look(values: dict[str, object], said: list[str]) -> None:
    assert list(change(1, **values).look) == said


def many() -> list[Change]:
    """Forty that hardly changed, and three that did."""
    worse = {"new_verdict": "fail", "checks": (RESIDUAL,)}
    return [
        *(change(number) for number in range(1, 41)),
        change(41, pixels=pixels(worst=2.0)),
        change(42, **worse),
        change(43, pixels=None, same=FILES, different=()),
    ]


def test_the_page_begins_with_verdicts_that_changed() -> None:
    changes = many()
    uri = data_uri(b"png")
    page = render_changes("welds <of> a job", changes, {changes[41].new: (uri, 0.5)})
    assert "welds &lt;of&gt; a job" in page
    look = page[page.index('id="look"') : page.index('id="distributions"')]
    assert look.index("W-0042") < look.index("W-0041")
    assert "W-0001" not in look
    assert page.count(uri) == 1
    assert page.count("<svg viewBox") >= 3, "histograms"
    assert "all files the same" in page
    for number in range(1, 44):
        assert f"W-{number:04d}" in page
    assert "http://" not in page


def test_tables_have_every_weld() -> None:
    changes = many()
    rows = list(csv.DictReader(io.StringIO(changes_csv(changes))))
    assert [row["weld"] for row in rows] == [one.weld for one in changes]
    assert rows[41]["look"].startswith("its verdict was pass and is fail; registration.residual_px")
    assert (rows[42]["identical"], rows[42]["rms_sigmas"]) == ("1", "")
    told = json.loads(json.dumps(changes_record(changes), allow_nan=False))
    assert (told["welds"], told["identical"], told["to_look_at"]) == (43, 1, 2)
    assert {(one["old"], one["new"]): one["welds"] for one in told["verdicts"]} == {
        ("pass", "pass"): 42, ("pass", "fail"): 1,
    }  # fmt: skip
