"""Requests that must be refused, and what every answer carries."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.review.security import MOST_BODY
from tests.review.served import HOST, TOKEN, Served, client_of
from tests.weld_folder import digests

JSON = {"Content-Type": "application/json"}
MARK = {
    "version": 0,
    "author": "A. Example",
    "mark": {"kind": "point", "s0": 5.0, "z0": 0.0, "word": "pore"},
}


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8123", "127.0.0.1", "127.0.0.1:1", "", "localhost.evil:1"],
)
def test_another_host_is_refused(served: Served, host: str) -> None:
    """A name that was made to lead to 127.0.0.1 (DNS rebinding) is in the Host header."""
    for path in ("/", "/api/welds", f"/weld/{served.key}/strip.tif", "/static/weld.js"):
        assert served.client.get(path, headers={"Host": host}).status_code == 400


def test_localhost_is_served(served: Served) -> None:
    answer = served.client.get("/api/welds", headers={"Host": "localhost:8123"})
    assert answer.status_code == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403),
        ({"X-Girthstrip-Token": ""}, 403),
        ({"X-Girthstrip-Token": TOKEN[:-1]}, 403),
        ({"X-Girthstrip-Token": TOKEN, "Origin": "http://evil.example"}, 403),
        ({"X-Girthstrip-Token": TOKEN, "Origin": "http://127.0.0.1:9"}, 403),
        ({"X-Girthstrip-Token": TOKEN, "Origin": "null"}, 403),
        ({"X-Girthstrip-Token": TOKEN, "Content-Type": "text/plain"}, 415),
        ({"X-Girthstrip-Token": TOKEN, "Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"X-Girthstrip-Token": TOKEN, "Origin": f"http://{HOST}"}, 200),
    ],
)
def test_only_the_own_page_writes(served: Served, headers: dict[str, str], status: int) -> None:
    answer = served.client.post(
        f"/api/weld/{served.key}/marks", json=MARK, headers={**JSON, **headers}
    )
    assert answer.status_code == status
    assert len(served.get("/marks")["marks"]) == (1 if status == 200 else 0)


def test_large_bodies_are_refused_told_or_not(served: Served) -> None:
    address = f"/api/weld/{served.key}/marks"
    headers = {**JSON, "X-Girthstrip-Token": TOKEN}
    large = b'{"x": "' + b"a" * MOST_BODY + b'"}'
    assert served.client.post(address, content=large, headers=headers).status_code == 413

    def pieces() -> object:
        for first in range(0, len(large), 4096):
            yield large[first : first + 4096]

    chunked = served.client.post(address, content=pieces(), headers=headers)  # type: ignore[arg-type]
    assert chunked.status_code == 413


@pytest.mark.parametrize("body", ["", "[]", "{", '{"version": NaN}', "[" * 60000, "\xff"])
def test_what_is_no_object_is_refused(served: Served, body: str) -> None:
    headers = {**JSON, "X-Girthstrip-Token": TOKEN}
    answer = served.client.post(
        f"/api/weld/{served.key}/marks", content=body.encode("latin-1"), headers=headers
    )
    assert answer.status_code == 400
    assert answer.json()["error"]


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e%2f%2e%2e%2f%2e%2e%2fpyproject.toml",
        "/static//etc/passwd",
        "/static/%00",
        "/weld/KEY/quality.json",
        "/weld/KEY/..%2fresult%2fstrip.tif",
        "/weld/KEY/%2e%2e",
        "/weld/..%2f..%2fetc/passwd",
        "/weld/weld%2fresult/strip.tif",
        "/api/weld/..%2f..%2f",
        "/api/weld/000000000000",
        "/api/weld/KEY/marks/..%2f..%2fx/history",
    ],
)
def test_no_path_leads_elsewhere(served: Served, path: str) -> None:
    answer = served.client.get(path.replace("KEY", served.key))
    assert answer.status_code in (400, 404)
    assert b"root:" not in answer.content
    assert b"import " not in answer.content


def test_a_link_out_of_the_folder_is_not_served(served: Served, tmp_path: Path) -> None:
    secret = tmp_path / "secret.tif"
    secret.write_bytes(b"secret")
    strip = served.result / "strip.tif"
    strip.unlink()
    strip.symlink_to(secret)
    answer = served.client.get(f"/weld/{served.key}/strip.tif")
    assert answer.status_code == 400
    assert b"secret" not in answer.content.replace(b"secret.tif", b"")
    client = client_of(tmp_path)
    (told,) = client.get("/api/welds").json()["welds"]
    assert "strip.tif is no plain file" in told["fault"]


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(served: Served, method: str) -> None:
    assert served.client.request(method, "/api/welds").status_code == 405


def test_every_answer_carries_the_policy(served: Served) -> None:
    paths = ["/", f"/weld/{served.key}", "/api/welds", "/nothing", f"/weld/{served.key}/maps.tif"]
    for path in paths:
        headers = served.client.get(path).headers
        assert "default-src 'self'" in headers["Content-Security-Policy"]
        assert "unsafe" not in headers["Content-Security-Policy"]
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["X-Frame-Options"] == "DENY"
        assert "Access-Control-Allow-Origin" not in headers
    refused = served.client.get("/", headers={"Host": "evil.example"})
    assert refused.headers["X-Frame-Options"] == "DENY"


def test_pages_hold_the_token_and_no_other_answer_does(served: Served) -> None:
    assert TOKEN in served.client.get("/").text
    assert TOKEN in served.client.get(f"/weld/{served.key}").text
    assert "{{token}}" not in served.client.get("/").text
    for path in ("/api/welds", f"/api/weld/{served.key}"):
        assert TOKEN not in served.client.get(path).text


def test_read_only_writes_nothing_but_measures(served: Served) -> None:
    client = client_of(served.root, read_only=True)
    headers = {"X-Girthstrip-Token": TOKEN}
    before = digests(served.root)
    view = {"s0": 0, "s1": 9, "z0": -5, "z1": 5, "seconds": 2, "scale": 1}
    for path, body in (("marks", MARK), ("seen", view)):
        answer = client.post(f"/api/weld/{served.key}/{path}", json=body, headers=headers)
        assert answer.status_code == 403
    ends = {"kind": "distance", "s0": 1, "z0": 0, "s1": 4, "z1": 4}
    told = client.post(f"/api/weld/{served.key}/measure", json=ends, headers=headers).json()
    assert told["length_mm"] == pytest.approx(5)
    assert digests(served.root) == before


def test_garbage_is_listed_with_its_error(served: Served) -> None:
    root = served.root
    cases = {
        "a-no-log": {"strip.tif": b"x"},
        "b-no-json": {"quality.json": b"\xff\x00", "strip.tif": b"", "maps.tif": b""},
        "c-no-log": {"quality.json": b"[1]", "strip.tif": b"", "maps.tif": b""},
        "d-deep": {"quality.json": b"[" * 100_000, "strip.tif": b"", "maps.tif": b""},
        "e-no-strip": {"quality.json": (served.result / "quality.json").read_bytes()},
    }
    for name, files in cases.items():
        (root / name).mkdir()
        for file, content in files.items():
            (root / name / file).write_bytes(content)
    client = client_of(root)
    told = {one["label"]: one for one in client.get("/api/welds").json()["welds"]}
    assert set(told) == {*cases, "weld/result"}
    assert told["weld/result"]["fault"] is None
    for name in cases:
        assert told[name]["fault"]
        answer = client.get(f"/api/weld/{told[name]['key']}")
        assert answer.status_code == 400
        assert answer.json()["error"]


def test_a_damaged_strip_is_told_and_the_rest_is_served(served: Served) -> None:
    strip = served.result / "strip.tif"
    strip.write_bytes(strip.read_bytes()[:2000])
    answer = client_of(served.root).get(f"/api/weld/{served.key}")
    assert answer.status_code == 400
    assert "strip.tif" in answer.json()["error"]
