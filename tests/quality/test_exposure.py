import pytest

from pipeline.model import FrameRow
from pipeline.quality.exposure import exposure_facts


def row(index=0, **told):
    return FrameRow(index, f"f{index}.tif", 0, 0.0, **told)


def times(*told):
    facts = exposure_facts([row(k, time=time) for k, time in enumerate(told)])
    return facts.first_time, facts.last_time


def test_ranges_are_the_least_and_the_greatest_told():
    facts = exposure_facts(
        [row(0, kv=160.0, ma=3.0), row(1, kv=158.5, exposure_s=2.0), row(2, kv=161.0, ma=0.0)]
    )
    assert (facts.kv_min, facts.kv_max) == (158.5, 161.0)
    assert (facts.ma_min, facts.ma_max) == (0.0, 3.0)
    assert (facts.exposure_s_min, facts.exposure_s_max) == (2.0, 2.0)
    assert (facts.first_time, facts.last_time) == (None, None)


def test_nothing_told_is_nothing_known():
    for rows in ([], [row()]):
        facts = exposure_facts(rows)
        assert facts.kv_min is facts.ma_max is facts.exposure_s_min is facts.last_time is None


def test_times_are_ordered_as_times_not_as_text():
    assert times("2026-03-02T06:30:01.5+00:00", "2026-03-02T06:30:01+00:00", None) == (
        "2026-03-02T06:30:01+00:00", "2026-03-02T06:30:01.5+00:00",
    )  # fmt: skip
    assert times("2026-03-02T06:00:00+02:00", "2026-03-02T05:00:00+00:00") == (
        "2026-03-02T06:00:00+02:00", "2026-03-02T05:00:00+00:00",
    )  # fmt: skip


@pytest.mark.parametrize("other", ["2026-03-02T06:30:00", "banana"])
def test_times_that_cannot_be_compared_give_none(other):
    assert times("2026-03-02T06:30:00+00:00", other) == (None, None)
