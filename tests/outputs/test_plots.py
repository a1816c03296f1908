import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import matplotlib
import pytest

from pipeline.outputs.coverage import coverage_profile
from pipeline.outputs.plots import draw_plots
from tests.outputs.weld import PITCH_MM, make_arrays, make_log


@pytest.fixture(scope="module")
def coverage():
    _, count, origin = make_arrays()
    return coverage_profile(count, origin, pitch_mm=PITCH_MM, s_first_mm=0.0)


def test_every_plot_has_axes_units_and_sentences(coverage):
    plots = draw_plots(make_log(), coverage)
    assert len(plots) == 6
    units = ["frames", "difference / mm", "axial shift / mm", "relative exposure", "step / %",
             "disagreement / σ"]  # fmt: skip
    for plot, unit in zip(plots, units, strict=True):
        ET.fromstring(plot.svg)
        assert ">distance from the datum / mm<" in plot.svg
        assert f">{unit}<" in plot.svg
        assert plot.what_to_see.endswith(".")
        assert plot.found.endswith(".")


def test_plots_say_what_was_found(coverage):
    found = {plot.title: plot.found for plot in draw_plots(make_log(), coverage)}
    assert "least 0;" in found["Coverage"]
    # Differences are 0, 0.01 … 0.07 mm; their median is 0.035.
    assert "Largest −0.04 mm at 0 mm" in found["Position minus encoder"]
    assert "The median of all frames, +0.04 mm" in found["Position minus encoder"]
    assert "Spread 7.00 %" in found["Level of each frame"]
    assert "Largest +0.400 %" in found["Gray step at the seams"]  # 0.001 · (7 − 3)


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


def test_plots_without_data_are_left_out(coverage):
    log = make_log()
    unmeasured = tuple(replace(seam, level_step=None, doubling=None) for seam in log.seams)
    assert len(draw_plots(replace(log, seams=unmeasured), coverage)) == 4
    nothing = replace(log, seams=(), frames=tuple(f for f in log.frames if not f.used))
    assert [plot.title for plot in draw_plots(nothing, coverage)] == ["Coverage"]
