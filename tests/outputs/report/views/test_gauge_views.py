"""Gauges beside their profiles: the right piece of the strip, the right wires seen."""

from __future__ import annotations

import base64
from dataclasses import replace
from xml.etree import ElementTree as ET

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.outputs.report.plots.gauge_series import gauges_of
from pipeline.outputs.report.views.close_up import CloseUp, close_up
from pipeline.outputs.report.views.gauge_views import gauge_sentences, gauge_views
from pipeline.quality.gauges.iqis import IqiRead
from pipeline.quality.log import Series
from tests.outputs.image_quality import duplex_gauge, gauge_log, measure, wire_gauge
from tests.outputs.weld import CIRCUMFERENCE_MM, PITCH_MM, make_arrays, make_log


def decoded(picture: CloseUp) -> NDArray[np.uint8]:
    data = base64.b64decode(picture.uri.split(",", 1)[1])
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    assert image is not None
    assert image.shape[:2] == (picture.height_px, picture.width_px)
    return np.asarray(image, np.uint8)


@pytest.mark.parametrize("s_mm", [60.0, 3.0])
def test_a_close_up_shows_the_place_that_its_scale_says(s_mm: float) -> None:
    strip, _, origin = make_arrays()
    column = round(s_mm / PITCH_MM)
    turn = round(CIRCUMFERENCE_MM / PITCH_MM)
    # A lead wire, light; the ring repeats its first 25 mm.
    strip[:, column] = 1_000
    strip[:, column + turn : column + turn + 1] = 1_000
    picture = close_up(make_log(), strip, origin, s_mm=s_mm, z_mm=0.0, half_s_mm=8.0, half_z_mm=4.0)
    assert picture is not None
    lightest = int(np.argmax(decoded(picture).mean(axis=0)))
    first, last = picture.millimetres[0], picture.millimetres[-1]
    slope = (float(last.label) - float(first.label)) / (last.percent - first.percent)
    place = 100 * (lightest + 0.5) / picture.width_px
    found = float(first.label) + slope * (place - first.percent)
    # Within the rounding of the turn to a pixel, half a pitch.
    assert found % CIRCUMFERENCE_MM == pytest.approx(s_mm, abs=0.5 * PITCH_MM + 0.01)
    assert picture.width_px == round(16 / PITCH_MM) + 1


def test_a_close_up_ends_with_the_strip() -> None:
    strip, _, origin = make_arrays()
    log = make_log()
    # Rows run from −9.75 mm on, 40 of 0.5 mm.
    picture = close_up(log, strip, origin, s_mm=60.0, z_mm=9.0, half_s_mm=5.0, half_z_mm=4.0)
    assert picture is not None
    assert picture.height_px == 10  # from 5 mm, row 29.5 and so 30, to the last
    nothing = close_up(log, strip, origin, s_mm=60.0, z_mm=30.0, half_s_mm=5.0, half_z_mm=4.0)
    assert nothing is None


def test_gauges_are_put_together_from_the_log() -> None:
    wires, pairs = gauges_of(gauge_log(wire_gauge(), duplex_gauge()))
    assert (wires.number, wires.kind, wires.direction) == (1, "wire", "s")
    assert list(wires.marks) == pytest.approx([2.0, 1.3, 0.6])
    assert list(wires.marks_at) == [56.0, 60.0, 64.0]
    assert pairs.measure.name == "D2"
    assert list(pairs.marks[:2]) == [90.0, 15.0]
    assert np.isnan(pairs.marks[2])


def test_a_gauge_without_profile_does_not_shift_the_others() -> None:
    log = gauge_log(wire_gauge(60.0), wire_gauge(300.0))
    lost = measure(None, id="iqi.wire_mm", s_mm=180.0, sigma=None)
    log = replace(log, measures=(log.measures[0], lost, log.measures[1]))
    assert [one.measure.s_mm for one in gauges_of(log)] == [60.0, 300.0]


def test_views_say_what_the_gauge_says_and_what_is_asked() -> None:
    strip, _, origin = make_arrays()
    log = gauge_log(wire_gauge(), duplex_gauge())
    wires, pairs = gauge_views(log, strip, origin)
    assert wires.title == "Wires at 60 mm, 1:22"
    assert wires.found == "Thinnest wire seen: W11, 0.300\u00a0mm. Asked: at most 0.4\u00a0mm."
    assert pairs.found == (
        "Basic spatial resolution: 0.1200\u00a0±\u00a00.0020\u00a0mm, first pair that counts as "
        "one D2. Asked: at most 0.1\u00a0mm."
    )
    for view in (wires, pairs):
        ET.fromstring(view.svg)
        assert view.picture is not None
    assert ">distance from the datum / mm<" in wires.svg
    assert ">D3<" in pairs.svg
    assert pairs.svg.count("stroke-dasharray") == 1  # the 20 % line
    sentences = gauge_sentences([wires, wires, pairs])
    assert [kind for kind, _ in sentences] == ["Wires", "Pairs of wires"]
    assert all(view.title.startswith(f"{view.kind} at ") for view in (wires, pairs))


def test_seen_wires_are_filled_where_the_log_tells_them() -> None:
    strip, _, origin = make_arrays()
    log = gauge_log(wire_gauge())
    wires = wire_gauge().wire
    assert wires is not None
    extra = tuple(
        Series(f"iqi.1.wire.{name}", "", tuple(w.at_mm for w in wires.wires), values, ())
        for name, values in (("number", (10.0, 11.0, 12.0)), ("seen", (1.0, 1.0, 0.0)))
    )
    told = {one.id for one in log.series}
    log = replace(log, series=log.series + tuple(one for one in extra if one.id not in told))
    (gauge,) = gauges_of(log)
    assert gauge.numbers == (10, 11, 12)
    assert gauge.seen == (True, True, False)
    (view,) = gauge_views(log, strip, origin)
    assert "Filled marks are wires that are seen" in view.what_to_see
    for name in ("W10", "W11", "W12"):
        assert f">{name}<" in view.svg


@pytest.mark.parametrize("gauge", [wire_gauge(), duplex_gauge()])
def test_a_gauge_of_which_no_wire_could_be_told_shows_its_profile(gauge: IqiRead) -> None:
    """As of a duplex gauge that leans too little: it has a profile, and a reason."""
    strip, _, origin = make_arrays()
    wire = gauge.wire and replace(gauge.wire, thinnest=None, wires=())
    duplex = gauge.duplex and replace(gauge.duplex, sr_b_mm=None, pairs=())
    log = gauge_log(replace(gauge, wire=wire, duplex=duplex))
    (lost,) = log.measures
    log = replace(log, measures=(replace(lost, value=None, sigma=None, note="they lean by 2°"),))
    (view,) = gauge_views(log, strip, origin)
    assert view.found.endswith(": none. they lean by 2°")
    assert view.picture is None
    ET.fromstring(view.svg)


def test_no_gauge_no_view() -> None:
    strip, _, origin = make_arrays()
    assert gauge_views(make_log(), strip, origin) == ()
