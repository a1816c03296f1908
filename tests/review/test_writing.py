"""Marks and views: written down at once, with history, conflicts told, counted as seen."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.io.indications import read_indications
from pipeline.noted import measure_noted
from tests.review.served import Served, client_of
from tests.weld_folder import digests


def standing(told: dict[str, Any]) -> list[dict[str, Any]]:
    return [one for one in told["marks"] if not one["deleted"]]


def test_a_mark_is_there_after_a_new_start(served: Served) -> None:
    before = digests(served.result)
    told = served.mark(0, remark="by the toe\nof the cap")
    (mark,) = told["marks"]
    assert (mark["id"], mark["word"], mark["author"]) == ("M1", "pore", "A. Example")
    assert (mark["s0"], mark["z0"], mark["s1"], mark["z1"]) == (20.0, -1.0, 25.0, 2.0)
    assert mark["on_this_strip"]
    assert mark["history"] == 1
    again = client_of(served.root).get(f"/api/weld/{served.key}/marks").json()
    assert again == told
    assert digests(served.result) == before  # the result itself is never changed
    assert (served.root / "weld" / "result.review.jsonl").is_file()
    (row,) = client_of(served.root).get("/api/welds").json()["welds"]
    assert row["marks"] == 1


def test_changes_have_a_history_and_nothing_is_lost(served: Served) -> None:
    version = served.mark(0)["version"]
    version = served.mark(version, id="M1", word="slag line", author="B. Example")["version"]
    told = served.post("/marks", {"version": version, "author": "C. Example", "delete": "M1"})
    assert standing(told) == []
    assert told["marks"][0]["history"] == 3
    records = served.get("/marks/M1/history")["records"]
    assert [one["author"] for one in records] == ["A. Example", "B. Example", "C. Example"]
    assert [one.get("word") for one in records] == ["pore", "slag line", None]
    back = served.mark(told["version"], id="M1")
    assert len(standing(back)) == 1


def test_two_tabs_conflict_only_over_the_same_mark(served: Served) -> None:
    version = served.mark(0)["version"]
    served.mark(version, id="M1", word="crack", author="B. Example")
    stale = {"version": version, "author": "C. Example", "delete": "M1"}
    refused = served.post("/marks", stale, status=409)
    assert "B. Example" in refused["error"]
    assert [one["word"] for one in refused["marks"]] == ["crack"]
    told = served.mark(version, s0=30.0, s1=31.0)  # a new one may come from an old state
    assert [one["id"] for one in told["marks"]] == ["M1", "M2"]
    assert served.post("/marks", {**stale, "version": told["version"]})["marks"][0]["deleted"]


def test_two_servers_write_into_one_record(served: Served) -> None:
    other = Served(served.root, served.result, client_of(served.root), served.key, served.log)
    served.mark(0)
    other.mark(0, s0=1.0, s1=2.0)
    told = served.mark(2, s0=3.0, s1=4.0)
    assert [one["id"] for one in told["marks"]] == ["M1", "M2", "M3"]
    assert other.get("/marks") == told


def test_a_crash_in_the_middle_of_a_line_loses_only_that_line(served: Served) -> None:
    served.mark(0)
    path = served.root / "weld" / "result.review.jsonl"
    with path.open("ab") as file:
        file.write(b'{"record": "mark", "id": "M2", "wo')
    fresh = Served(served.root, served.result, client_of(served.root), served.key, served.log)
    assert len(fresh.get("/marks")["marks"]) == 1
    told = fresh.mark(1, s0=1.0, s1=2.0)
    assert [one["id"] for one in told["marks"]] == ["M1", "M2"]
    assert "line 2" in told["damaged"]


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "circle"},
        {"s0": "1"},
        {"s0": None},
        {"z0": 1e6},
        {"s1": 20.0},
        {"s1": 20.0, "z1": -1.0},
        {"s1": 1e6},
        {"word": ""},
        {"word": "  \x00 "},
        {"word": "x" * 81},
        {"remark": "x" * 2001},
        {"remark": 5},
        {"colour": "red"},
        {"id": "M9"},
        {"id": 5},
        {"s0": True},
    ],
)
def test_what_is_no_mark_is_refused(served: Served, change: dict[str, Any]) -> None:
    mark = {"kind": "box", "s0": 20.0, "z0": -1.0, "s1": 25.0, "z1": 2.0, "word": "pore", **change}
    told = served.post("/marks", {"version": 0, "author": "A. Example", "mark": mark}, status=400)
    assert told["error"]
    assert served.get("/marks")["marks"] == []


@pytest.mark.parametrize(
    "body",
    [
        {"author": "A. Example", "delete": "M1"},
        {"version": -1, "author": "A. Example", "delete": "M1"},
        {"version": True, "author": "A. Example", "delete": "M1"},
        {"version": 0, "delete": "M1"},
        {"version": 0, "author": "A. Example"},
        {"version": 0, "author": "A. Example", "delete": "M1", "mark": {}},
        {"version": 0, "author": "A. Example", "delete": ["M1"]},
        {"version": 0, "author": "A. Example", "mark": []},
    ],
)
def test_what_is_no_request_is_refused(served: Served, body: dict[str, Any]) -> None:
    assert served.post("/marks", body, status=400)["error"]


def test_control_characters_and_escapes_do_not_break_the_record(served: Served) -> None:
    told = served.mark(0, remark='a "quote"\u2028\u0085\x1b[31m </script> é 日本\n{"x": 1}')
    again = client_of(served.root).get(f"/api/weld/{served.key}/marks").json()
    assert again == told
    assert "\x1b" not in told["marks"][0]["remark"]
    assert "日本" in told["marks"][0]["remark"]


def test_exported_marks_are_read_and_measured_as_indications(
    served: Served, tmp_path: Path
) -> None:
    around = served.log.strip.circumference_mm
    version = served.mark(0, remark="=1+1, with, commas")["version"]
    version = served.mark(version, kind="line", s0=30.0, z0=-1.0, s1=36.0, z1=1.5)["version"]
    version = served.mark(version, kind="box", s0=around - 2, s1=around + 3)["version"]
    version = served.mark(version, kind="point", s0=50.0, z0=0.0, word="+ odd")["version"]
    version = served.mark(version, s0=70.0, s1=71.0)["version"]
    served.post("/marks", {"version": version, "author": "A. Example", "delete": "M5"})
    answer = served.client.get(f"/api/weld/{served.key}/export.csv")
    assert answer.headers["Content-Type"].startswith("text/csv")
    table = tmp_path / "indications.csv"
    table.write_bytes(answer.content)
    found = read_indications(table, around)
    assert [one.id for one in found] == ["M1", "M2", "M3", "M4"]
    assert found[0].box_mm == (20.0, 25.0, -1.0, 2.0)
    assert found[0].note.startswith("'=1+1, with, commas (A. Example")
    assert found[1].line_mm == ((30.0, -1.0), (36.0, 1.5))
    assert found[2].box_mm is not None
    assert found[2].box_mm[:2] == pytest.approx((around - 2, 3), abs=1e-3)
    assert found[3].kind == "'+ odd"
    assert found[3].box_mm == (49.5, 50.5, -0.5, 0.5)
    listed = measure_noted(served.result, table, suggest=False)
    assert [one.why_not for one in listed.indications] == ["", "", "", ""]


def view(served: Served, **change: float) -> dict[str, float]:
    told = served.log.strip
    height = told.rows * told.pitch_mm
    whole = {"z0": told.z_first_mm - 1, "z1": told.z_first_mm + height + 1}
    return {"s0": 10.0, "s1": 50.0, **whole, "seconds": 2.0, "scale": 1.0, **change}


def test_seen_counts_where_and_how_long(served: Served) -> None:
    told = served.post("/seen", view(served))
    assert told["ranges"] == [[10.0, 50.0]]
    around = served.log.strip.circumference_mm
    assert told["percent"] == pytest.approx(100 * 40 / around, abs=1.0)
    told = served.post("/seen", view(served, s0=100.0, s1=120.0, seconds=0.6))
    assert told["ranges"] == [[10.0, 50.0]]  # less than a second
    told = served.post("/seen", view(served, s0=100.0, s1=120.0, seconds=0.6))
    assert told["ranges"] == [[10.0, 50.0], [100.0, 120.0]]
    assert told["seconds"][51] == pytest.approx(1.2)
    told = served.post("/seen", view(served, s0=150.0, s1=170.0, z1=0.0))
    assert told["part"] == [[150.0, 170.0]]
    assert client_of(served.root).get(f"/api/weld/{served.key}/seen").json() == told
    (row,) = client_of(served.root).get("/api/welds").json()["welds"]
    assert row["seen_percent"] == told["percent"]


def test_all_is_seen_only_where_nothing_is_left(served: Served) -> None:
    around = served.log.strip.circumference_mm
    told = served.post("/seen", view(served, s0=0.0, s1=around - 6))
    assert told["percent"] < 100
    told = served.post("/seen", view(served, s0=around - 10, s1=around + 4))  # across the datum
    assert told["percent"] == 100
    assert len(told["ranges"]) == 1
    assert told["ranges"][0] == pytest.approx([0.0, around], abs=1e-2)


@pytest.mark.parametrize(
    "change",
    [{"scale": 0.5}, {"seconds": 0}, {"seconds": 61}, {"s1": 10.0}, {"z1": -1e6}],
)
def test_what_is_no_view_is_refused(served: Served, change: dict[str, float]) -> None:
    assert served.post("/seen", view(served, **change), status=400)["error"]
    assert served.get("/seen")["percent"] == 0


def test_another_strip_of_the_weld_is_unseen_and_tells_old_marks(served: Served) -> None:
    served.mark(0)
    served.post("/seen", view(served))
    path = served.result / "quality.json"
    log = json.loads(path.read_text(encoding="ascii"))
    log["strip"]["pixels_sha256"] = "0" * 64  # as after a reprocessing
    path.write_text(json.dumps(log), encoding="ascii")
    assert served.get("/seen")["percent"] == 0
    assert [one["on_this_strip"] for one in served.get("/marks")["marks"]] == [False]
