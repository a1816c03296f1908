from dataclasses import replace

from pipeline.calibration.conditions import Misfit
from pipeline.calibration.decisions import Entry
from pipeline.calibration.lookup import Choice
from pipeline.calibration.wanted import Condition
from pipeline.model import Verdict
from pipeline.outputs.report.page import render_page
from pipeline.outputs.report.told.findings import findings
from pipeline.quality.calibration import calibration_checks
from pipeline.quality.log import FrameRecord, Gap, TapeFacts, TapeTick, at_most
from tests.calibration.ageing_panel import aged
from tests.outputs.image_quality import measure
from tests.outputs.weld import make_arrays, make_log


def with_check(log, check_id, value=1.0, **changes):
    check = at_most(check_id, value, 0, stage="a", unit="frames", basis="config")
    return replace(log, checks=(check,), **changes)


def left_out(file, page, why_not):
    return FrameRecord(file, page, False, why_not, 0.0, None, None, None, None)


def where(log):
    (found,) = findings(log)
    return found.where


def test_failures_come_first_then_attention_each_in_the_logs_order():
    log = make_log()
    assert [found.check.id for found in findings(log)] == [
        "coverage.gap_mm", "seam.level_step", "noise.snr_n",
    ]  # fmt: skip
    twice = replace(log, checks=log.checks[::-1])
    assert [found.check.verdict for found in findings(twice)] == [
        Verdict.FAIL, Verdict.ATTENTION, Verdict.ATTENTION,
    ]  # fmt: skip
    assert [found.check.id for found in findings(twice)][1:] == ["noise.snr_n", "seam.level_step"]


def test_a_finding_says_value_limit_place_and_what_to_do():
    gap = findings(make_log())[0]
    assert (gap.title, gap.value, gap.limit) == (
        "Length of strip that no frame covered", "6.00 mm", "none allowed",
    )  # fmt: skip
    # 300 and 306 of 528.7 mm are 6.81 and 6.95 hours.
    assert gap.where == "300.0 to 306.0 mm (clock 6:49 to 6:57)"
    assert gap.what_to_do == "Shoot the gap again."


def test_image_quality_is_mended_as_its_measures_say_and_found_where_they_lie():
    worst = measure(0.12, s_mm=66.0, name="D8", remedy="1.3 times the dose")
    other = measure(0.11, s_mm=132.0, remedy="1.3 times the dose")
    log = with_check(make_log(), "sharpness.sr_b_mm", 0.12, measures=(other, worst))
    (found,) = findings(log)
    assert found.what_to_do == "1.3 times the dose."
    assert found.where == "at 66 mm, 1:30 o’clock, D8"
    lost = replace(other, value=None, margin=None, remedy="")
    (found,) = findings(replace(log, measures=(lost, worst)))
    assert found.what_to_do == (
        "1.3 times the dose. A gauge couldn’t be read: is it where the config says?"
    )


def test_frames_left_out_for_the_checks_reason_are_named():
    frames = make_log().frames
    lost = (
        left_out("x.tif", 0, "unreadable: empty"),
        left_out("y.tif", 0, "saturated: 0.5"),
        *(left_out("many.tif", k, "unreadable: cut off") for k in range(8)),
    )
    log = with_check(make_log(), "acquisition.unreadable", frames=(*frames, *lost))
    assert where(log) == "x.tif, " + ", ".join(f"many.tif page {k}" for k in range(5)) + (
        " and 3 more"
    )
    misplaced = left_out("z.tif", 0, "wrong_place: it shows something else")
    log = with_check(make_log(), "registration.wrong_place", frames=(*frames, misplaced))
    assert where(log) == "z.tif"


def test_the_worst_seam_and_the_least_sure_frame_are_named():
    log = make_log()
    # Steps of the seams run from −0.3 to +0.4 %; the last lies half a frame before the datum.
    assert where(with_check(log, "seam.level_step")) == "at 496 mm, where f8.tif meets f1.tif"
    assert where(with_check(log, "seam.level_step", seams=())) == ""
    apart = (
        replace(log.seams[0], disagreement=1.1, disagreement_s_mm=30.0, disagreement_z_mm=2.0),
        replace(log.seams[1], disagreement=4.2, disagreement_s_mm=95.6, disagreement_z_mm=-8.2),
        log.seams[2],
    )
    assert where(with_check(log, "seam.disagreement", seams=apart)) == (
        "at 96 mm, −8 mm along the pipe, near where f2.tif meets f3.tif"
    )
    assert where(with_check(log, "seam.disagreement")) == ""  # none of its seams tells
    unsure = tuple(
        replace(frame, sigma_mm=0.3) if frame.file == "f3.tif" else frame for frame in log.frames
    )
    assert (
        where(with_check(log, "registration.position_sigma_mm", frames=unsure))
        == "f3.tif, at 132 mm"
    )


def test_what_is_held_against_the_calibration_stands_there_in_full():
    misfits = (
        Misfit(Condition.WITHDRAWN, "it was withdrawn on 2026-03-01 by C. Example: light; leaked"),
        Misfit(Condition.KV, "the frames are of 200 kV, it holds for 100 to 180 kV"),
    )
    one = aged(0)
    choice = Choice(
        Entry("P", one.identity, one.facts),
        misfits,
        ("date (the frames don't tell)",),
        "",
        undecided=("date",),
    )
    log = replace(make_log(), checks=calibration_checks(choice))
    told = {found.check.id: found.where for found in findings(log)}
    assert told == {
        "calibration.not_released": "It was withdrawn on 2026-03-01 by C. Example: light; leaked",
        "calibration.out_of_range": "The frames are of 200 kV, it holds for 100 to 180 kV",
        "calibration.not_judged": "Date (the frames don't tell); others that might be right differ "
        "in: date",
    }
    page = render_page(log, *make_arrays())
    box = page[: page.index("<h2")]
    assert "It was withdrawn on 2026-03-01 by C. Example: light; leaked" in box


def test_the_worst_tick_of_the_tape_is_named():
    ticks = (TapeTick(0, 0.1, 0.1), TapeTick(7, 68.8, -1.2), TapeTick(9, 90.6, 0.6))
    tape = TapeFacts(10.0, 10, 0.8, 0.1, 0.0, None, ticks)
    assert where(with_check(make_log(), "position.tape_mm", tape=tape)) == "tick 7, at 68.8 mm"
    assert where(with_check(make_log(), "position.tape_mm")) == ""


def test_many_gaps_are_cut_short():
    gaps = tuple(Gap(10.0 * k, 10.0 * k + 1) for k in range(9))
    assert where(with_check(make_log(), "coverage.gap_mm", gaps=gaps)).endswith(" and 5 more")


def test_a_check_without_a_place_or_unknown_is_told_by_its_id():
    (found,) = findings(with_check(make_log(), "some.thing"))
    assert (found.title, found.where, found.what_to_do) == ("some.thing", "", "")


def test_what_could_not_be_measured_says_why_instead_of_where():
    log = make_log()
    assert where(with_check(log, "seam.level_step", value=None)) == ""
    check = at_most("seam.level_step", None, 0, stage="a", unit="", basis="c", note="one frame; no")
    assert where(replace(log, checks=(check,))) == "One frame; no"
