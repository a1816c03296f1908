from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from pipeline.outputs.report.page import render_page
from pipeline.outputs.report.told.check_words import basis_text, limit_text, note_text
from pipeline.quality.log import at_most
from pipeline.quality.noted.indication import Suggestion
from tests.outputs.image_quality import BASIS, along, duplex_gauge, gauge_log, wire_gauge
from tests.outputs.report.told.test_indications import LIST
from tests.outputs.weld import make_arrays, make_log, with_checks

VOID = {"meta", "img", "br", "hr", "input", "link", "wbr"}


class Page(HTMLParser):
    """Text, tags and attributes of a page; fails on a tag that isn't closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "svg", "g"):
            self.text += data


@pytest.fixture(scope="module")
def html():
    return render_page(make_log(), *make_arrays())


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


def test_the_page_holds_all_it_shows(html, page):
    assert "://" not in html
    assert "@import" not in html
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "iframe", "object", "embed", "base", "form")
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href", "xlink:href"):
            assert (attributes.get(name) or "#").startswith(("#", "data:image/"))
    policies = [a["content"] for t, a in page.tags if a.get("http-equiv")]
    assert policies == ["default-src 'none'; img-src data:; style-src 'unsafe-inline'"]


def test_what_people_typed_is_text_not_markup(html, page):
    assert "<script" not in html
    assert "<still>" not in html
    assert "W-1 <script>alert('1')</script>" in page.text
    assert "Line & 1" in page.text
    assert "tube <still> ramping up" in page.text


def test_every_check_stands_there_with_limit_basis_and_verdict(page):
    log = make_log()
    for check in log.checks:
        assert check.id in page.text
        assert note_text(check) in page.text
        assert limit_text(check) in page.text
        assert basis_text(check) in page.text
    for outcome in ("reported", "met", "attention", "not met", "not measured"):
        assert outcome in page.text
    assert "common practice, no published source" in page.text


def test_the_worst_checks_stand_first_in_the_box(page):
    box = page.text[: page.text.index("This is a verdict on the picture")]
    found = [box.index(title) for title in ("Length of strip", "Gray step", "Normalised signal")]
    assert found == sorted(found)


def test_remarks_stand_on_the_page_where_there_are_any(page):
    for remark in make_log().remarks:
        assert remark in page.text
    assert "Remarks" in page.text
    without = Page(render_page(replace(make_log(), remarks=()), *make_arrays()))
    assert "Remarks" not in without.text


def test_an_id_is_broken_between_its_words_only(html):
    assert "<code>registration.<wbr>closure_<wbr>mm</code>" in html


def test_columns_of_narrow_screens_say_what_they_are(page):
    labels = {a["data-label"] for tag, a in page.tags if tag == "td" and "data-label" in a}
    assert labels == {"value", "limit", "basis", "page", "encoder / mm"}


def test_notches_at_the_edge_are_explained_where_they_are_seen():
    log = replace(make_log(), gaps=())
    strip, count, origin = make_arrays()
    strip, count, origin = (array[:, : 290 * 2] for array in (strip, count, origin))
    log = replace(log, strip=replace(log.strip, columns=580))
    whole = Page(render_page(log, strip, count, origin)).text
    assert "notches" not in whole
    origin[0, :20] = 0
    text = Page(render_page(log, strip, count, origin)).text
    assert text.count("notches at the upper and lower edge") == 3  # strip, plot, gaps
    # 20 of 40 × 580 pixels.
    assert "0.0862 % of the pixels" in text


def test_the_rest_of_the_log_stands_there_too(page):
    log = make_log()
    for seam in log.seams:
        assert f"{seam.left + 1} | {seam.right + 1}" in page.text
    for file in log.inputs:
        assert file.path in page.text
        assert file.sha256 in page.text
    assert "not covered from 300.0 to 306.0 mm" in page.text
    assert log.calibration.identity in page.text
    assert "clock 12:00 to" in page.text
    assert "counted clockwise" in page.text
    assert "Film-like negative" in page.text


def test_only_values_beyond_their_limit_are_marked_in_the_seam_table(html):
    # Steps run from −0.3 to +0.4 %, the limit is 0.3 %: only the last is beyond.
    assert html.count('class="n over"') == 1


def test_the_seam_table_says_how_the_finished_strip_disagrees_and_where():
    log = make_log()
    bad = replace(log.seams[2], disagreement=4.25, disagreement_s_mm=170.0, disagreement_z_mm=-3.5)
    check = at_most("seam.disagreement", 4.25, 3.0, stage="blending", unit="σ", basis="config")
    log = replace(log, seams=(*log.seams[:2], bad, *log.seams[3:]), checks=(*log.checks, check))
    html = render_page(log, *make_arrays())
    text = Page(html).text
    assert "4.25" in text and "170.0; −3.5" in text
    assert html.count('class="n over"') == 2  # this and the gray step


def test_bad_pixels_are_counted_with_their_total_last(page):
    dead, noisy, total = (page.text.index(x) for x in ("hardly ans", "jumps about", "each counted"))
    assert dead < noisy < total


@pytest.mark.parametrize(
    ("checks", "word", "meaning"),
    [
        (
            ("registration.closure_mm",),
            "Limits met",
            "Every check of this strip lies within its limit",
        ),
        (("seam.level_step",), "Attention", "not every limit is met"),
        (("coverage.gap_mm",), "Limits not met", "at least one limit is far from met"),
        ((), "Attention", "No check was made"),
    ],
)
def test_the_verdict_is_said_in_words_and_never_judges_the_weld(checks, word, meaning):
    page = Page(render_page(with_checks(make_log(), *checks), *make_arrays()))
    assert f"{word}" in page.text
    assert meaning in page.text
    assert "It neither accepts nor rejects the weld" in page.text


def test_cautions_stand_on_every_page(page):
    for words in (
        "ionising radiation", "controlled area", "licensed and qualified personnel",
        "never accepts or rejects a weld", "not a standard’s", "Check them against your own copy",
        "Local codes and the written procedure prevail",
    ):  # fmt: skip
        assert words in page.text


def test_the_same_log_and_strip_give_the_same_text(html):
    assert render_page(make_log(), *make_arrays()) == html


def test_a_scan_without_gaps_seams_or_lost_frames_says_so():
    log = make_log()
    log = replace(log, gaps=(), seams=(), frames=tuple(f for f in log.frames if f.used))
    text = Page(render_page(log, *make_arrays())).text
    assert "every place along the strip was covered" in text
    assert "every frame of the scan is in the strip" in text
    assert "no two frames meet" in text


def test_long_tables_are_folded_away():
    log = make_log()
    html = render_page(replace(log, seams=log.seams * 20), *make_arrays())
    assert html.count("<details open>") == 1  # the frame left out
    assert "160 seams" in html


def test_a_full_24_inch_strip_of_nothing_but_noise_stays_below_8_mb():
    # Noise is what JPEG compresses worst; no weld can make a larger page than this one.
    log = make_log()
    shape = (1100, 19_664)
    log = replace(
        log, gaps=(), strip=replace(log.strip, rows=shape[0], columns=shape[1], pitch_mm=0.1)
    )
    strip = np.random.default_rng(4).integers(0, 65_536, shape, dtype=np.uint16)
    measured = np.ones(shape, np.uint8)
    assert len(render_page(log, strip, measured, measured).encode()) <= 8e6


@pytest.fixture(scope="module")
def measured():
    """A weld with gauges, a series along the strip and a check of one of the measures."""
    log = gauge_log(wire_gauge(), duplex_gauge())
    check = at_most(
        "sharpness.sr_b_mm", 0.12, 0.1, stage="quality", unit="mm", basis=BASIS, note="long note"
    )
    series = (*log.series, along("noise.snr_n", 150.0, 148.0))
    return replace(log, checks=(*log.checks, check), series=series)


def test_measures_stand_beside_what_is_asked_with_their_source_marks(measured):
    page = Page(render_page(measured, *make_arrays()))
    for words in ("Image quality", "0.1200\u00a0±\u00a00.0020 mm", "at most 0.1 mm", "−0.0200",
                  f"Basis: {BASIS}.", "Gauges in the strip", "Thinnest wire seen: W11",
                  "Normalised signal-to-noise ratio"):  # fmt: skip
        assert words in page.text
    assert "Nothing here accepts or rejects the weld" in page.text
    assert "only those of image quality are a standard’s" in page.text
    # The check refers to the measure, instead of telling it all again; its source mark stays below.
    assert "long note" not in page.text
    assert "a standard, table 1\u00a0²" in page.text
    targets = {a["id"] for _, a in page.tags if "id" in a}
    links = {a["href"][1:] for tag, a in page.tags if tag == "a"}
    assert links == {"image-quality"}
    assert links <= targets


def test_ids_in_a_page_are_its_own(measured):
    page = Page(render_page(measured, *make_arrays()))
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))


def test_what_was_not_measured_has_no_section(html, page):
    for words in ("Image quality", "Gauges in the strip", "Lengths taken together", "SNR_N"):
        assert words not in page.text
        assert f">{words}<" not in html
    assert "²" not in page.text


def test_noted_indications_stand_in_the_page_and_over_its_pictures():
    one = Suggestion((250.0, 252.0, -1.0, 1.0), "less_radiation", 9.1, 4.2)
    suggested = replace(LIST, suggestions=(one,))
    page = Page(render_page(replace(make_log(), indications=suggested), *make_arrays()))
    assert "slag <line>" in page.text
    assert "Nothing here is judged" in page.text
    assert "Thin boxes are drawn over the pictures" in page.text
    # Two indications and a suggestion in the sections, each again in its close-up.
    boxes = [a for tag, a in page.tags if tag == "rect" and str(a.get("x")).endswith("%")]
    assert sum(a.get("class") == "suggested" for a in boxes) == 2
    assert len(boxes) == 6
    alts = [a["alt"] for tag, a in page.tags if tag == "img"]
    assert {"1: slag <line> in the strip", "2: pore in the strip", "?1 in the strip"} <= set(alts)


def test_the_verdict_says_that_no_image_quality_was_asked_for(page):
    assert "No image quality was asked for" in page.text
    assert "Thin boxes" not in page.text


def test_the_seams_pictures_are_folded_away_where_they_are_many():
    log = make_log()
    html = render_page(log, *make_arrays())
    assert html.count('alt="Seam at') == 8
    assert "Every seam as a picture" in html
    assert html.count("<details open>") == 3  # left-out frames, seams, their pictures
    many = render_page(replace(log, seams=log.seams * 2), *make_arrays())
    assert many.count('alt="Seam at') == 16
    assert many.count("<details open>") == 2


def test_only_the_band_of_the_ring_picture_is_seen(page):
    (image,) = [a for tag, a in page.tags if tag == "image"]
    assert image["clip-path"] == "url(#ring-band)"
    assert "ring-band" in [a["id"] for tag, a in page.tags if tag == "clippath"]
