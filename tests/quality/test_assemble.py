import numpy as np
import pytest

from pipeline.model import Origin, Strip, StripGrid, Verdict
from pipeline.quality.assemble import acquisition_checks, disagreement_check, strip_checks
from pipeline.quality.limits import Limits
from pipeline.quality.placing import unlinked_check


def by_id(checks):
    return {check.id: check for check in checks}


@pytest.mark.parametrize("kind", ["unreadable", "saturated", "no_signal", "low_level"])
def test_one_frame_left_out_asks_for_attention_and_none_is_the_limit(kind):
    checks = by_id(acquisition_checks({3: f"{kind}: why"}, 10))
    check = checks.pop(f"acquisition.{kind}")
    assert (check.value, check.limit, check.verdict) == (1, 0, Verdict.ATTENTION)
    assert check.note.endswith("attention above 0, never a failure")
    assert {c.verdict for c in checks.values()} == {Verdict.PASS}
    assert checks["acquisition.frames_used"].value == 9


def test_limits_of_counts_are_whole_numbers():
    checks = [*acquisition_checks({}, 10), *strip_checks(strip_of(2), [], 0, Limits())]
    counted = [check for check in checks if check.unit in ("frames", "pixels", "overlaps")]
    assert len(counted) >= 8
    for check in counted:
        assert isinstance(check.value, int)
        assert check.limit is None or float(check.limit).is_integer()


@pytest.mark.parametrize(
    ("count", "verdict"),
    [(0, Verdict.PASS), (1, Verdict.ATTENTION), (2, Verdict.ATTENTION), (3, Verdict.FAIL)],
)
def test_a_few_frames_on_the_encoder_alone_ask_for_attention(count, verdict):
    names = [f"frame_{k}.tif" for k in range(count)]
    check = unlinked_check(names)
    assert all(name in check.note for name in names)
    assert (check.value, check.limit, check.verdict) == (count, 0, verdict)
    assert check.note.endswith("attention above 0, fail above 2")


def test_many_names_are_counted():
    note = unlinked_check([f"frame_{k}.tif" for k in range(10)]).note
    assert "frame_5.tif and 4 more; attention" in note
    assert "frame_6.tif" not in note


@pytest.mark.parametrize(
    ("frames", "verdict"), [(2, Verdict.PASS), (1, Verdict.PASS), (0, Verdict.FAIL)]
)
def test_nearly_every_pixel_needs_a_frame(frames, verdict):
    check = by_id(strip_checks(strip_of(frames), [], 0, Limits()))["coverage.frames"]
    assert (check.value, check.limit, check.verdict) == (frames, 1.0, verdict)


@pytest.mark.parametrize(
    ("sigmas", "value", "verdict"),
    [
        ([1.0, 3.0, 2.0], 3.0, Verdict.PASS),
        ([1.0, 3.1], 3.1, Verdict.ATTENTION),
        ([9.1], 9.1, Verdict.FAIL),
        ([], None, Verdict.ATTENTION),
    ],
)
def test_frames_that_lie_apart_in_the_strip_are_told(sigmas, value, verdict):
    check = disagreement_check(sigmas)
    assert (check.id, check.value, check.verdict) == ("seam.disagreement", value, verdict)


def strip_of(frames: int) -> Strip:
    """A strip whose pixels were all measured by so many frames."""
    shape = (16, 40)
    return Strip(
        grid=StripGrid(*shape, 0.1, 0.0, 0.0, False),
        values=np.full(shape, 1000, np.uint16),
        sigma=np.full(shape, 10, np.uint16),
        count=np.full(shape, frames, np.uint8),
        origin=np.full(shape, Origin.MEASURED, np.uint8),
        sigma_scale=1.0,
    )
