"""The server's addresses: which function answers what."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from pipeline.errors import GirthstripError, InputError
from pipeline.io.growing_file import GrowingFile
from pipeline.review.along import along_strip
from pipeline.review.answers import (
    BAD,
    FORBIDDEN,
    OWN_FAULT,
    RequestError,
    fault_answer,
    json_answer,
)
from pipeline.review.export import marks_csv
from pipeline.review.facts import list_row, weld_facts, words_of
from pipeline.review.finding import MAPS_FILE, STRIP_FILE, Found, require_plain
from pipeline.review.journal import journal_of
from pipeline.review.levels import visible_window
from pipeline.review.marks import history_of, marks_of, write_mark
from pipeline.review.measuring import measure
from pipeline.review.probe import probe
from pipeline.review.security import BODY, Guard
from pipeline.review.seen import seen_of, seen_percent, write_seen
from pipeline.review.shelf import Shelf
from pipeline.review.spot import spot
from pipeline.review.weld import OpenWeld

STATIC = Path(__file__).parent / "static"
_TOKEN_PLACE = "{{token}}"
_AT_ONCE = 1  # requests that hold large parts of a strip or frames


@dataclass(slots=True)
class Review:
    """What is served, and to whom: the welds below ``root``, and the reviewer's type words."""

    root: Path
    token: str
    read_only: bool = False
    words: Sequence[str] = ()
    shelf: Shelf = field(init=False)
    _journals: dict[Path, GrowingFile] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _heavy: threading.BoundedSemaphore = field(
        default_factory=lambda: threading.BoundedSemaphore(_AT_ONCE)
    )

    def __post_init__(self) -> None:
        self.shelf = Shelf(self.root)

    def page(self, name: str) -> Response:
        """One of the two pages, with the token in it; no cache keeps it."""
        text = (STATIC / name).read_text(encoding="utf-8").replace(_TOKEN_PLACE, self.token)
        return HTMLResponse(text, headers={"Cache-Control": "no-store"})

    def list_page(self, _: Request) -> Response:
        """The list of welds."""
        return self.page("welds.html")

    def weld_page(self, request: Request) -> Response:
        """The viewer of one weld."""
        self.shelf.found(request.path_params["key"])
        return self.page("weld.html")

    def welds(self, _: Request) -> Response:
        """All welds, faulty ones with their fault."""
        rows = [self._row(one) for one in self.shelf.welds().values()]
        return json_answer({"welds": rows, "read_only": self.read_only})

    def facts(self, request: Request) -> Response:
        """Everything about one weld that the page needs first."""
        key = request.path_params["key"]
        told = weld_facts(self.shelf.open(key), self.shelf.found(key), self.shelf.welds())
        told |= {"words": words_of(self.words), "read_only": self.read_only}
        return json_answer(told)

    def image(self, request: Request) -> Response:
        """strip.tif or maps.tif, whole or in ranges."""
        name = request.path_params["name"]
        if name not in (STRIP_FILE, MAPS_FILE):
            raise HTTPException(404)
        path = self.shelf.found(request.path_params["key"]).folder / name
        require_plain(path)
        headers = {"Cache-Control": "no-cache"}
        return FileResponse(path, media_type="image/tiff", headers=headers)

    def along(self, request: Request) -> Response:
        """Figures along the strip."""
        with self._heavy:
            return json_answer(along_strip(self._weld(request)))

    def probe(self, request: Request) -> Response:
        """What one point tells."""
        s_mm, z_mm = _asked(request, "s", "z")
        return json_answer(probe(self._weld(request), s_mm, z_mm))

    def window(self, request: Request) -> Response:
        """Gray levels of a part."""
        s0, s1, z0, z1 = _asked(request, "s0", "s1", "z0", "z1")
        with self._heavy:
            return json_answer(visible_window(self._weld(request), (s0, s1), (z0, z1)))

    def spot(self, request: Request) -> Response:
        """The frames that saw a point."""
        s_mm, z_mm = _asked(request, "s", "z")
        half_mm = _asked(request, "half_mm")[0] if "half_mm" in request.query_params else 6.0
        with self._heavy:
            return json_answer(spot(self._weld(request), s_mm, z_mm, half_mm))

    def measure(self, request: Request) -> Response:
        """A measure in a part; it writes nothing, so read-only pages may ask for it too."""
        with self._heavy:
            return json_answer(measure(self._weld(request), request.scope[BODY]))

    def marks(self, request: Request) -> Response:
        """The marks; with POST one is written down first."""
        weld, journal = self._weld(request), self._journal(request)
        strip = weld.log.strip.pixels_sha256
        if request.method == "POST":
            self._require_writing()
            return json_answer(write_mark(journal, request.scope[BODY], weld, strip))
        return json_answer(marks_of(journal, strip))

    def history(self, request: Request) -> Response:
        """All that was written down of one mark."""
        return json_answer(history_of(self._journal(request), request.path_params["mark"]))

    def seen(self, request: Request) -> Response:
        """What was looked at; with POST a view is added first."""
        weld, journal = self._weld(request), self._journal(request)
        if request.method == "POST":
            self._require_writing()
            return json_answer(write_seen(journal, request.scope[BODY], weld))
        return json_answer(seen_of(journal, weld))

    def export(self, request: Request) -> Response:
        """The marks as a table."""
        weld = self._weld(request)
        told = marks_of(self._journal(request), weld.log.strip.pixels_sha256)
        headers = {"Content-Disposition": 'attachment; filename="indications.csv"'}
        return Response(marks_csv(told["marks"], weld), media_type="text/csv", headers=headers)

    def _row(self, found: Found) -> dict[str, Any]:
        if found.fault:
            return list_row(found, 0, 0.0)
        try:
            journal = self._journal_of(found.folder)
            marks = marks_of(journal, None)["marks"]
            standing = sum(not one["deleted"] for one in marks)
            return list_row(found, standing, seen_percent(journal, found.strip))
        except InputError as error:
            return {**list_row(found, 0, 0.0), "fault": str(error)[:300]}

    def _require_writing(self) -> None:
        if self.read_only:
            raise RequestError(
                FORBIDDEN,
                "this server is read-only: nothing is written down",
                remedy="Start girthstrip review without --read-only",
            )

    def _weld(self, request: Request) -> OpenWeld:
        return self.shelf.open(request.path_params["key"])

    def _journal(self, request: Request) -> GrowingFile:
        return self._journal_of(self.shelf.found(request.path_params["key"]).folder)

    def _journal_of(self, folder: Path) -> GrowingFile:
        with self._lock:
            if folder not in self._journals:
                self._journals[folder] = journal_of(folder)
            return self._journals[folder]


def make_app(review: Review, port: int) -> Guard:
    """The whole server for one port."""
    weld = "/api/weld/{key}"
    get, both = ["GET"], ["GET", "POST"]
    routes = [
        Route("/", review.list_page, methods=get),
        Route("/weld/{key}", review.weld_page, methods=get),
        Route("/weld/{key}/{name}", review.image, methods=get),
        Mount("/static", StaticFiles(directory=STATIC)),
        Route("/api/welds", review.welds, methods=get),
        Route(weld, review.facts, methods=get),
        Route(weld + "/along", review.along, methods=get),
        Route(weld + "/probe", review.probe, methods=get),
        Route(weld + "/window", review.window, methods=get),
        Route(weld + "/spot", review.spot, methods=get),
        Route(weld + "/measure", review.measure, methods=["POST"]),
        Route(weld + "/marks", review.marks, methods=both),
        Route(weld + "/marks/{mark}/history", review.history, methods=get),
        Route(weld + "/seen", review.seen, methods=both),
        Route(weld + "/export.csv", review.export, methods=get),
    ]
    faults: dict[Any, Callable[[Request, Any], Response]] = {
        GirthstripError: lambda _, error: fault_answer(error),
        HTTPException: _http_fault,
        Exception: _own_fault,
    }
    app = Starlette(routes=routes, exception_handlers=faults)
    return Guard(app, {f"127.0.0.1:{port}", f"localhost:{port}"}, review.token)


def _http_fault(_: Request, error: HTTPException) -> Response:
    words = {404: "there is nothing at this address", 405: "that isn't served at this address"}
    what = words.get(error.status_code, error.detail)
    return fault_answer(
        RequestError(error.status_code, what, remedy="Go back to the list of welds")
    )


def _own_fault(_: Request, error: Exception) -> Response:
    what = f"a fault of the tool, not of your input: {type(error).__name__}"
    remedy = "Please report it, with what girthstrip review printed"
    return fault_answer(RequestError(OWN_FAULT, what, remedy=remedy))


def _asked(request: Request, *names: str) -> list[float]:
    """Numbers from the address.

    Raises:
        RequestError: one is missing, told twice, or no finite number.
    """
    found = []
    for name in names:
        told = request.query_params.getlist(name)
        try:
            value = float(told[0]) if len(told) == 1 and len(told[0]) < 40 else float("nan")
        except ValueError:
            value = float("nan")
        if not abs(value) < 1e7:
            raise RequestError(BAD, f"{name} is no number", expected="millimetres")
        found.append(value)
    return found
