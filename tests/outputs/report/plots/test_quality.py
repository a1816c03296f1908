"""Image quality along the strip: what was measured is drawn and told, nothing else."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree as ET

from pipeline.outputs.report.plots.quality import quality_plots
from pipeline.quality.log import QualityMeasure
from tests.outputs.image_quality import along
from tests.outputs.weld import make_log

SNR = along("noise.snr_n", 150.0, 131.0, 148.0)
ASKED = QualityMeasure("noise.snr_n", 131.0, "", required=140.0, bound="least", margin=-9.0)


def test_what_was_not_measured_is_not_shown() -> None:
    assert quality_plots(make_log()) == []
    unknown = along("weld.width_mm", None, None)
    assert quality_plots(replace(make_log(), series=(unknown,))) == []


def test_every_plot_has_axes_units_and_sentences() -> None:
    log = replace(
        make_log(),
        series=(
            SNR,
            along("weld.centre_z_mm", 0.5, -0.25),
            along("weld.width_mm", 9.0, None, 10.0),
        ),
    )
    plots = quality_plots(log)
    units = ["SNR_N", "centre line, z / mm", "width of the cap / mm"]
    for plot, unit in zip(plots, units, strict=True):
        ET.fromstring(plot.svg)
        assert ">distance from the datum / mm<" in plot.svg
        assert f">{unit}<" in plot.svg
        assert plot.what_to_see.endswith(".")
        assert plot.found.endswith(".")
    assert plots[1].found == "From −0.25 mm at 50 mm to +0.50 mm at 0 mm; told all along."
    assert plots[2].found == (
        "From 9.0 mm at 0 mm to 10.0 mm at 100 mm, median 9.5 mm; not told at 1 of 3 places."
    )


def test_the_required_snr_is_a_line_where_one_is_asked() -> None:
    (bare,) = quality_plots(replace(make_log(), series=(SNR,)))
    (plot,) = quality_plots(replace(make_log(), series=(SNR,), measures=(ASKED,)))
    assert bare.found == "Least 131 ± 2.0 at 50 mm."
    assert plot.found == "Least 131 ± 2.0 at 50 mm. Asked: at least 140, dashed."
    assert plot.svg.count("stroke-dasharray") == bare.svg.count("stroke-dasharray") + 1


def test_windows_and_single_frames_are_named_where_they_are_drawn() -> None:
    base = along("noise.snr_n.base.low_z", 140.0, 160.0)
    frames = along("noise.snr_n_frame", 100.0, 101.0)
    (plot,) = quality_plots(replace(make_log(), series=(SNR, base, frames)))
    assert ">beside the weld<" in plot.svg
    assert ">one frame alone<" in plot.svg
    assert ">heat-affected zone<" not in plot.svg
