"""Answers: JSON that a browser can show, faults included."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from starlette.responses import Response

from pipeline.errors import GirthstripError

BAD, FORBIDDEN, NOT_FOUND, NO_METHOD = 400, 403, 404, 405
CONFLICT, TOO_LARGE, NO_JSON, OWN_FAULT = 409, 413, 415, 500


class RequestError(GirthstripError):
    """A request that isn't served: HTTP ``status``, what is wrong, and more for the page."""

    def __init__(
        self,
        status: int,
        what: str,
        *,
        expected: str = "",
        remedy: str = "",
        more: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(what, expected=expected, remedy=remedy)
        self.status, self.more = status, dict(more or {})


def json_answer(content: Mapping[str, Any], status: int = 200) -> Response:
    """The content as JSON of finite numbers, which no cache keeps."""
    text = json.dumps(content, allow_nan=False, separators=(",", ":"))
    return Response(
        text, status, media_type="application/json", headers={"Cache-Control": "no-store"}
    )


def fault_answer(error: GirthstripError) -> Response:
    """What a fault looks like for the page: what is wrong, what was expected, what to do."""
    refused = error if isinstance(error, RequestError) else None
    what = f"{error.where}: {error.what}" if error.where else error.what
    content = {"error": what, "expected": error.expected, "remedy": error.remedy}
    if refused is None:
        return json_answer(content, BAD)
    return json_answer({**content, **refused.more}, refused.status)
