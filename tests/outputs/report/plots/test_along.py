import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import matplotlib
import numpy as np
import pytest

from pipeline.outputs.report.plots.along import draw_plots
from pipeline.outputs.report.plots.coverage import coverage_profile
from pipeline.quality.log import TapeFacts, TapeTick, at_most
from tests.outputs.weld import PITCH_MM, make_arrays, make_log


@pytest.fixture(scope="module")
def coverage():
    _, count, origin = make_arrays()
    return coverage_profile(count, origin, pitch_mm=PITCH_MM, s_first_mm=0.0)


def test_every_plot_has_axes_units_and_sentences(coverage):
    plots = draw_plots(make_log(), coverage)
    units = ["frames", "filled pixels / %", "position − encoder / mm", "σ of the position / mm",
             "axial shift / mm", "relative exposure", "step / %", "disagreement / σ"]  # fmt: skip
    for plot, unit in zip(plots, units, strict=True):
        ET.fromstring(plot.svg)
        assert ">distance from the datum / mm<" in plot.svg
        assert f">{unit}<" in plot.svg
        assert plot.what_to_see.endswith(".")
        assert plot.found.endswith(".")


def test_plots_say_what_was_found(coverage):
    found = {plot.title: plot.found for plot in draw_plots(make_log(), coverage)}
    assert "Least 0, on average" in found["Coverage"]
    # A gap of 6 mm in 553.5 mm of strip.
    assert found["Coverage"].endswith("Not covered: 1.08 % in gaps.")
    # As they stand in positions.csv: 0, 0.01 … 0.07 mm, a frame every 66.1 mm.
    assert "From 0.00 mm at 0 mm to +0.07 mm at 463 mm" in found["Position minus encoder"]
    assert "Spread 7.00 %" in found["Level of each frame"]
    assert "Largest +0.400 %" in found["Gray step at the seams"]  # 0.001 · (7 − 3)
    # One of 40 pixels of column 100, at 50 mm, which is half a bin of the 800.
    assert found["Filled pixels"].endswith("most 1.25 % at 50 mm.")
    assert found["Uncertainty of the positions"] == "Largest 0.00400 mm at 0 mm."


def test_a_limit_far_out_is_told_but_does_not_flatten_the_points(coverage):
    log = make_log()
    small = tuple(replace(seam, level_step=1e-5) for seam in log.seams)
    wide, close = (
        next(p for p in draw_plots(replace(log, seams=seams), coverage) if "Gray" in p.title)
        for seams in (log.seams, small)
    )
    # The limit of the log is 0.3 %; the steps reach 0.4 %, or 0.001 % only.
    assert wide.found.endswith("The limit, ±0.3 %, is dashed.")
    assert close.found.endswith("The limit, ±0.3 %, lies outside the plot.")
    assert wide.svg.count("stroke-dasharray") == close.svg.count("stroke-dasharray") + 2


def test_notches_at_the_edge_are_named_beside_the_coverage(coverage):
    log = make_log()
    some = draw_plots(log, replace(coverage, edge_fraction=0.004))[0].found
    assert some.endswith("0.684 % in gaps, 0.400 % in notches at the upper and lower edge.")
    whole = replace(coverage, edge_fraction=0.0, not_covered_fraction=0.0)
    assert draw_plots(log, whole)[0].found.endswith("Every pixel is covered.")


def test_a_frame_solved_a_hair_before_the_datum_stands_at_the_start(coverage):
    log = make_log()
    first = replace(log.frames[1], position_mm=-1e-15)
    moved = replace(log, frames=(log.frames[0], first, *log.frames[2:]))
    assert draw_plots(moved, coverage)[2].svg == draw_plots(log, coverage)[2].svg


def test_plots_are_the_same_bytes_each_time_and_name_nothing_outside(coverage):
    first, second = (draw_plots(make_log(), coverage) for _ in range(2))
    assert first == second
    text = "".join(plot.svg for plot in first)
    assert "http" not in text
    assert "<metadata" not in text
    assert "<style" not in text


def test_ids_of_one_plot_are_no_other_plots(coverage):
    ids = [
        set(re.findall(r'\bid="([^"]+)"', plot.svg)) for plot in draw_plots(make_log(), coverage)
    ]
    assert sum(map(len, ids)) == len(set().union(*ids))
    for plot, own in zip(draw_plots(make_log(), coverage), ids, strict=True):
        used = re.findall(r'(?:url\(#|href="#)([^")]+)', plot.svg)
        assert used
        assert set(used) <= own


def test_drawing_leaves_matplotlibs_settings_as_they_were(coverage):
    before = dict(matplotlib.rcParams)
    draw_plots(make_log(), coverage)
    assert dict(matplotlib.rcParams) == before


def test_a_tape_is_drawn_with_its_ticks(coverage):
    off = [0.1, -0.4, 0.2]
    tape = TapeFacts(
        10.0, 4, 0.265, 0.1, 0.001, 5.1,
        tuple(TapeTick(k, 10.0 * k + d, d) for k, d in enumerate(off)),
    )  # fmt: skip
    log = make_log()
    check = at_most("position.tape_mm", 0.4, 0.3, stage="a", unit="mm", basis="config")
    plot = draw_plots(replace(log, tape=tape, checks=(*log.checks, check)), coverage)[-1]
    assert plot.title == "Location tape"
    assert ">deviation / mm<" in plot.svg
    assert plot.found == (
        "3 of 4 ticks; largest −0.40 mm at 10 mm, root mean square 0.265 mm. From the last tick "
        "to the first: 5.1 mm. The limit, ±0.3 mm, is dashed."
    )
    arc = replace(log, tape=replace(tape, closing_mm=None))
    assert "to the first" not in draw_plots(arc, coverage)[-1].found


def test_the_finished_strips_disagreement_stands_where_it_is_worst(coverage):
    log = make_log()
    seams = tuple(
        replace(
            seam,
            disagreement=1.5 + (k == 3) * 2,
            disagreement_s_mm=seam.s_mm + 5,
            disagreement_z_mm=-4.2,
        )
        for k, seam in enumerate(log.seams)
    )
    check = at_most("seam.disagreement", 3.5, 3.0, stage="blending", unit="σ", basis="config")
    log = replace(log, seams=seams, checks=(*log.checks, check))
    plot = draw_plots(log, coverage)[-1]
    assert plot.title == "Disagreement in the finished strip"
    at = round(seams[3].s_mm + 5)
    assert plot.found == (
        f"Largest 3.50 at {at} mm, −4.2 mm along the pipe. The limit, 3, is dashed."
    )
    # A seam where no two frames overlap has no mark.
    fewer = (replace(seams[0], disagreement=None, disagreement_s_mm=None), *seams[1:])
    assert draw_plots(replace(log, seams=fewer), coverage)[-1].svg.count("<use") < plot.svg.count(
        "<use"
    )


def test_the_positions_uncertainty_is_shown_with_its_limit(coverage):
    log = make_log()
    frames = (*log.frames[:4], replace(log.frames[4], sigma_mm=0.06), *log.frames[5:])
    check = at_most(
        "registration.position_sigma_mm", 0.06, 0.05, stage="a", unit="mm", basis="config"
    )
    log = replace(log, frames=frames, checks=(*log.checks, check))
    plot = next(p for p in draw_plots(log, coverage) if p.title == "Uncertainty of the positions")
    assert plot.found == "Largest 0.0600 mm at 198 mm. The limit, 0.05 mm, is dashed."


def test_plots_without_data_are_left_out(coverage):
    log = make_log()
    unmeasured = tuple(replace(seam, level_step=None, doubling=None) for seam in log.seams)
    assert len(draw_plots(replace(log, seams=unmeasured), coverage)) == 6
    nothing = replace(log, seams=(), frames=tuple(f for f in log.frames if not f.used))
    whole = replace(coverage, filled=np.zeros_like(coverage.filled))
    assert [plot.title for plot in draw_plots(nothing, whole)] == ["Coverage"]
