"""Marks lie where the strip shows what they mark."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from pydicom.dataset import Dataset

from .exported import export, log_of, read

TABLE = """id,kind,s_first_mm,s_last_mm,z_first_mm,z_last_mm,line_mm,note
7,porosity,356.0,2.5,-2.5,1.0,,across the datum
8,slag line,,,,,100 2.6; 104 2.9; 110 2.7,
"""


def _drawn(state: Dataset, layer: str, uid: str | None = None) -> list[np.ndarray]:
    """The polylines of a layer: points (column, row)."""
    return [
        np.reshape(one.GraphicData, (-1, 2))
        for annotation in state.GraphicAnnotationSequence
        if annotation.GraphicLayer == layer
        and uid in (None, annotation.ReferencedImageSequence[0].ReferencedSOPInstanceUID)
        for one in annotation.GraphicObjectSequence
    ]


def _texts(state: Dataset, layer: str) -> list[str]:
    return [
        text.UnformattedTextValue
        for annotation in state.GraphicAnnotationSequence
        if annotation.GraphicLayer == layer
        for text in annotation.get("TextObjectSequence", ())
    ]


@pytest.fixture(scope="module")
def state(small_finished: Path, tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    """The marks of the small ring with two indications."""
    folder = tmp_path_factory.mktemp("marks")
    (folder / "indications.csv").write_text(TABLE)
    export(small_finished / "result", folder / "out", indications=folder / "indications.csv")
    return read(folder / "out/marks.dcm")


def test_the_datum_is_where_its_lead_mark_is(
    small_finished: Path, state: Dataset, exported: Path
) -> None:
    """The tape's tick 0 lies at the datum: by the log the strip shows it there, and by the state
    the line runs through it, at the strip's beginning and where the ring repeats."""
    strip = log_of(small_finished / "result").strip
    columns = [line[0, 0] for line in _drawn(state, "DATUM")]
    turn = strip.circumference_mm / strip.pitch_mm
    assert columns == pytest.approx([0.5, turn + 0.5], abs=2e-3)  # of single precision
    assert [line[:, 1].tolist() for line in _drawn(state, "DATUM")] == [[0, strip.rows]] * 2


def test_indications_are_drawn_where_they_were_marked(small_finished: Path, state: Dataset) -> None:
    strip = log_of(small_finished / "result").strip
    boxes = _drawn(state, "INDICATIONS")
    assert _texts(state, "INDICATIONS") == ["7 porosity", "7 porosity", "8 slag line"]
    spans = [(box[:, 0].min(), box[:, 0].max()) for box in boxes]
    turn_mm = strip.circumference_mm
    column = lambda s_mm: s_mm / strip.pitch_mm + 0.5  # noqa: E731
    # Across the datum: at the beginning its end only, and whole where the ring repeats.
    assert spans[0] == pytest.approx((0.0, column(2.5)), abs=1e-2)
    assert spans[1] == pytest.approx((column(356.0), column(turn_mm + 2.5)), abs=1e-2)
    assert spans[2] == pytest.approx((column(100.0), column(110.0)), abs=1e-2)
    row = lambda z_mm: (z_mm - strip.z_first_mm) / strip.pitch_mm + 0.5  # noqa: E731
    assert boxes[2][:, 1].min() == pytest.approx(row(2.6), abs=1e-2)
    assert boxes[2][:, 1].max() == pytest.approx(row(2.9), abs=1e-2)


def test_indications_stand_in_group_0014_and_nothing_judges_them(state: Dataset) -> None:
    evaluator = state.EvaluatorSequence[0]
    assert evaluator.EvaluatorName == "B. Example"
    first = evaluator.IndicationSequence[0]
    assert (first.IndicationNumber, first.IndicationLabel) == (1, "7")
    assert first.IndicationDescription == "7 porosity\r\nacross the datum"
    assert all("IndicationDisposition" not in one for one in evaluator.IndicationSequence)
    told = {
        one.PropertyLabel: (float(one.NumericValue), one.MeasurementUnitsCodeSequence[0].CodeValue)
        for one in first.IndicationPhysicalPropertySequence
    }
    assert told["s first"] == (pytest.approx(356.0), "mm")
    assert told["s last"] == (pytest.approx(2.5), "mm")
    assert "contrast sd" in told


def test_seams_are_the_logs(small_finished: Path, exported: Path) -> None:
    log, marks = log_of(small_finished / "result"), read(exported / "marks.dcm")
    numbers = [int(text) for text in _texts(marks, "SEAMS")]
    columns = {line[0, 0] for line in _drawn(marks, "SEAMS")}
    assert set(numbers) == set(range(1, len(log.seams) + 1))
    for seam in log.seams:
        wanted = seam.s_mm / log.strip.pitch_mm + 0.5
        assert min(abs(column - wanted) for column in columns) < 1e-2


def test_without_indications_nobody_is_said_to_have_drawn(exported: Path) -> None:
    marks = read(exported / "marks.dcm")
    assert marks.ContentCreatorName == ""
    assert "EvaluatorSequence" not in marks
    assert "INDICATIONS" not in {layer.GraphicLayer for layer in marks.GraphicLayerSequence}


def test_the_state_refers_to_the_images_and_shows_them_as_they_are(exported: Path) -> None:
    marks, image = read(exported / "marks.dcm"), read(exported / "presentation.dcm")
    series = marks.ReferencedSeriesSequence[0]
    assert series.SeriesInstanceUID == image.SeriesInstanceUID
    assert [one.ReferencedSOPInstanceUID for one in series.ReferencedImageSequence] == [
        image.SOPInstanceUID
    ]
    window = marks.SoftcopyVOILUTSequence[0]
    assert (window.WindowCenter, window.WindowWidth) == (image.WindowCenter, image.WindowWidth)
    assert marks.PresentationLUTShape == image.PresentationLUTShape


def test_each_part_has_its_own_marks(small_finished: Path, tmp_path: Path) -> None:
    """A place in the overlap of two parts is marked in both, at the same place of the strip."""
    export(small_finished / "result", tmp_path / "out", most_columns=1500)
    marks = read(tmp_path / "out/marks.dcm")
    parts = [read(path) for path in sorted((tmp_path / "out").glob("presentation_*.dcm"))]
    whole: set[float] = set()
    for part in parts:
        first = part.ColumnPositionInTotalImagePixelMatrix - 1
        for line in _drawn(marks, "SEAMS", part.SOPInstanceUID):
            assert 0 <= line[:, 0].min() <= line[:, 0].max() <= part.Columns
            whole.add(round(float(line[0, 0]) + first, 1))
    one = tmp_path / "one"
    export(small_finished / "result", one)
    assert whole == {round(float(s[0, 0]), 1) for s in _drawn(read(one / "marks.dcm"), "SEAMS")}


def test_a_review_has_its_own_moment(small_finished: Path, tmp_path: Path) -> None:
    moment = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
    export(small_finished / "result", tmp_path / "out", reviewed=moment)
    marks = read(tmp_path / "out/marks.dcm")
    assert (marks.PresentationCreationDate, marks.PresentationCreationTime) == (
        "20260304",
        "050607",
    )
