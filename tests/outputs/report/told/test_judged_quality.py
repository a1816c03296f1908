"""What a verdict doesn't rest on is said."""

from __future__ import annotations

from dataclasses import replace

from pipeline.outputs.report.told.judged_quality import unjudged_quality
from tests.outputs.image_quality import measure
from tests.outputs.weld import make_log

EVERY_PART = ("noise.snr_n", "sharpness.sr_b_mm", "iqi.wire_mm", "geometry.unsharpness_mm")


def test_without_measures_nothing_was_asked_for() -> None:
    short, meaning = unjudged_quality(make_log())
    assert short == "No image quality was asked for"
    assert "[quality]" in meaning


def test_what_is_only_told_was_not_asked() -> None:
    told = measure(0.09, required=None, bound=None, margin=None)
    assert unjudged_quality(replace(make_log(), measures=(told,)))[0] == (
        "Nothing was asked of the image quality"
    )


def test_parts_without_a_judged_measure_are_named() -> None:
    judged = [measure(0.09, id=name) for name in EVERY_PART]
    assert unjudged_quality(replace(make_log(), measures=tuple(judged))) == ("", "")
    lost = replace(judged[2], value=None, margin=None)
    short, _ = unjudged_quality(replace(make_log(), measures=(*judged[1:2], lost)))
    assert short == (
        "Not judged of the image quality: signal-to-noise ratio, wires, the exposure’s geometry"
    )
