import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import ValidationError

from pipeline.errors import InputError
from pipeline.model import Verdict
from pipeline.quality.log import (
    SCHEMA,
    FrameRecord,
    InputFile,
    QualityLog,
    QualityMeasure,
    Series,
    TapeFacts,
    TapeTick,
)
from tests.outputs.weld import make_log, with_checks


def test_a_log_comes_back_from_its_json_as_it_was():
    log = make_log()
    assert QualityLog.from_json(log.to_json()) == log
    assert QualityLog.from_json(log.to_json()).to_json() == log.to_json()


def test_json_has_every_key_of_the_schema_sorted_and_without_clocks():
    document = json.loads(make_log().to_json())
    assert list(document) == sorted(document)
    assert set(document) == {
        "schema", "weld", "exposure", "verdict", "checks", "remarks", "strip", "geometry", "frames",
        "seams", "gaps", "inputs", "calibration", "software", "tape", "measures", "series",
        "indications",
    }  # fmt: skip
    assert document["schema"] == SCHEMA
    assert document["verdict"] == "fail"
    assert set(document["checks"][0]) == {
        "id", "stage", "value", "unit", "limit", "verdict", "basis", "note",
    }  # fmt: skip
    assert document["frames"][0]["position_mm"] is None


def test_a_tape_comes_back_too():
    tape = TapeFacts(
        10.0, 4, 0.2, 0.1, 0.001, None, (TapeTick(0, 0.1, 0.1), TapeTick(3, 30.3, 0.3))
    )
    log = replace(make_log(), tape=tape)
    assert QualityLog.from_json(log.to_json()) == log
    assert json.loads(log.to_json())["tape"]["ticks"][1]["deviation_mm"] == 0.3


def test_measures_and_series_come_back_too():
    measure = QualityMeasure("noise.snr_n", 120.0, "", 3.0, 140.0, "least", -20.0, basis="a table")
    series = Series("noise.snr_n", "", (0.0, 50.0), (120.0, None), (3.0, None))
    log = replace(make_log(), measures=(measure,), series=(series,))
    assert QualityLog.from_json(log.to_json()) == log
    told = json.loads(log.to_json())
    assert told["measures"][0]["margin"] == -20.0
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    row = next(line for line in readme.splitlines() if line.startswith("| `measures` |"))
    assert all(f"`{key}`" in row for key in told["measures"][0])


def test_the_verdict_is_the_worst_of_the_checks():
    log = make_log()
    assert log.verdict is Verdict.FAIL
    assert (
        with_checks(log, "seam.level_step", "registration.closure_mm").verdict is Verdict.ATTENTION
    )
    assert with_checks(log, "registration.closure_mm").verdict is Verdict.PASS


def test_limits_are_found_by_the_id_of_their_check():
    log = make_log()
    assert log.limit_of("seam.level_step") == 0.003
    assert log.limit_of("acquisition.frames_used") is None
    assert log.limit_of("no.such") is None


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d.update(schema="girthstrip.quality/1"), "schema is 'girthstrip.quality/1'"),
        (lambda d: d.update(verdict="pass"), "verdict is 'pass'; expected 'fail'"),
        (lambda d: d.pop("weld"), "weld: Field required"),
        (lambda d: d.pop("remarks"), "remarks: Field required"),
        (lambda d: d["exposure"].pop("kv_min"), "exposure.kv_min: Field required"),
        (lambda d: d["strip"].update(pitch_mm=0), "strip.pitch_mm: .*greater than 0"),
        (lambda d: d["strip"].update(pitch_um=100), "strip.pitch_um: Unexpected"),
        (lambda d: d["seams"][0].update(left=99), "names a frame that the log doesn't have"),
        (lambda d: d["frames"][1].update(level=None), "a used frame needs its position"),
        (lambda d: d["frames"][0].update(why_not=""), "needs its reason"),
        (lambda d: d["inputs"][0].update(sha256="12"), "inputs.0.sha256"),
    ],
)
def test_a_log_that_was_changed_is_refused_with_its_place(change, message):
    document = json.loads(make_log().to_json())
    change(document)
    with pytest.raises(InputError, match=f"^result/quality.json: .*{message}"):
        QualityLog.from_json(json.dumps(document), where="result/quality.json")


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '"x"', "[" * 100_000, "\x00"])
def test_text_that_is_no_log_is_refused(text):
    with pytest.raises(InputError, match=r"no valid JSON|schema is"):
        QualityLog.from_json(text)


@pytest.mark.parametrize("constant", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_values_that_are_not_finite_are_refused_on_the_way_in(constant):
    text = make_log().to_json().replace('"pitch_mm": 0.5', f'"pitch_mm": {constant}')
    with pytest.raises(InputError, match="finite"):
        QualityLog.from_json(text)


def test_values_that_are_not_finite_are_refused_on_the_way_out():
    with pytest.raises(ValidationError, match="finite"):
        FrameRecord("a.tif", 0, True, "", float("nan"), 0.0, 0.0, 0.0, 1.0)


def test_digests_must_be_sha256():
    with pytest.raises(ValidationError, match="should match pattern"):
        InputFile("a", "XY")


def test_readme_explains_every_key_of_the_log() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    section = readme[readme.index("**For programs**, `quality.json`") :]
    rows = re.findall(r"^\| `(\w+)` \|(.*)\|$", section.split("\n## ")[0], re.MULTILINE)
    document = json.loads(make_log().to_json())
    assert f'"schema": "{SCHEMA}"' in section
    assert {key for key, _ in rows} == set(document) - {"schema"}
    told = dict(rows)
    for key in ("exposure", "gaps"):
        entry = document[key][0] if isinstance(document[key], list) else document[key]
        assert set(re.findall(r"`(\w+)`", told[key])) == set(entry)
    assert set(document["checks"][0]) == set(re.findall(r"`(\w+)`", told["checks"]))
