"""A served folder as the tests of the review use it: a result made once, copied, and its client."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from pipeline.quality.log import QualityLog
from pipeline.review.app import Review, make_app

PORT = 8123
HOST = f"127.0.0.1:{PORT}"
TOKEN = "a-token-of-this-run"


@dataclass(frozen=True)
class Served:
    """The folder ``root`` with the weld ``result``, a client, and the weld's key."""

    root: Path
    result: Path
    client: TestClient
    key: str
    log: QualityLog

    def get(self, path: str, **query: Any) -> Any:
        """The JSON of an address of the weld, which must answer."""
        answer = self.client.get(f"/api/weld/{self.key}{path}", params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, body: Any, status: int = 200) -> Any:
        """The JSON that a write request is answered with."""
        answer = self.client.post(
            f"/api/weld/{self.key}{path}", json=body, headers={"X-Girthstrip-Token": TOKEN}
        )
        assert answer.status_code == status, answer.text
        return answer.json()

    def mark(self, version: int, *, author: str = "A. Example", **mark: Any) -> Any:
        """Write down a mark; what isn't told is a box."""
        box = {"kind": "box", "s0": 20.0, "z0": -1.0, "s1": 25.0, "z1": 2.0, "word": "pore"}
        told = {"version": version, "author": author, "mark": {**box, **mark}}
        return self.post("/marks", told)


def client_of(root: Path, *, read_only: bool = False) -> TestClient:
    """A client of a server in this process."""
    review = Review(root, TOKEN, read_only)
    return TestClient(make_app(review, PORT), base_url=f"http://{HOST}")


def serve_copy(scan: Path, result: Path, root: Path, *, read_only: bool = False) -> Served:
    """A copy of a result beside the frames that it was made from, served."""
    weld = root / "weld"
    weld.mkdir()
    shutil.copytree(result, weld / "result")
    for name in ("frames", "calibration"):
        (weld / name).symlink_to(scan / name)
    client = client_of(root, read_only=read_only)
    (told,) = client.get("/api/welds").json()["welds"]
    log = QualityLog.from_json((result / "quality.json").read_text(encoding="utf-8"))
    return Served(root, weld / "result", client, told["key"], log)
