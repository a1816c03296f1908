"""What every request must be before anything else looks at it, and what every answer carries.

The server listens on 127.0.0.1, but any page that a browser has open can send requests there. The
Host header keeps out names that were made to lead to this machine, the token and the content type
keep out what other pages send, and the policy keeps the page itself from loading anything from
elsewhere.
"""

from __future__ import annotations

import hmac
import json
import time
from collections.abc import Collection
from typing import Any, NoReturn

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pipeline.review.answers import (
    BAD,
    FORBIDDEN,
    NO_JSON,
    NO_METHOD,
    TOO_LARGE,
    RequestError,
    fault_answer,
)

TOKEN_HEADER = "x-girthstrip-token"
MOST_BODY = 64 * 1024
BODY = "girthstrip.body"
"""Where in the scope a write request's JSON object stands."""
_LONGEST_TARGET = 4096

_HEADERS = (
    (
        "content-security-policy",
        "default-src 'self'; img-src 'self' data: blob:; worker-src 'self' blob:; "
        "object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("x-frame-options", "DENY"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
)


class Guard:
    """ASGI middleware in front of all: checks requests, adds headers, knows the last request.

    ``hosts`` are the Host headers that are served, ``token`` what POST requests must bring.
    """

    def __init__(self, app: ASGIApp, hosts: Collection[str], token: str) -> None:
        self.app, self._hosts, self._token = app, frozenset(hosts), token
        self.last_request = time.monotonic()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # a websocket: closed before it is accepted
            await send({"type": "websocket.close", "code": 1008})
            return
        self.last_request = time.monotonic()

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                told = [(name.encode(), value.encode()) for name, value in _HEADERS]
                message["headers"] = [*message["headers"], *told]
            await send(message)

        try:
            headers = _headers(scope)
            self._check(scope, headers)
            if scope["method"] == "POST":
                scope[BODY] = _json_object(await _body(headers, receive))
        except RequestError as error:
            await fault_answer(error)(scope, receive, sent)
            return
        await self.app(scope, receive, sent)

    def _check(self, scope: Scope, headers: dict[str, list[str]]) -> None:
        hosts = headers.get("host", [])
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            raise RequestError(
                BAD,
                "the Host header isn't this server's",
                expected=" or ".join(sorted(self._hosts)),
                remedy="Open the address that girthstrip review printed",
            )
        if scope["method"] not in ("GET", "HEAD", "POST"):
            raise RequestError(NO_METHOD, f"{scope['method']} isn't served", expected="GET or POST")
        if len(scope.get("raw_path") or b"") + len(scope["query_string"]) > _LONGEST_TARGET:
            raise RequestError(BAD, "the address is too long", expected=f"{_LONGEST_TARGET} bytes")
        if scope["method"] == "POST":
            self._check_write(headers, hosts[0])

    def _check_write(self, headers: dict[str, list[str]], host: str) -> None:
        told = headers.get(TOKEN_HEADER, [""])
        origins = headers.get("origin", [])
        same_token = len(told) == 1 and hmac.compare_digest(told[0].encode(), self._token.encode())
        if not same_token or any(one.lower() != f"http://{host.lower()}" for one in origins):
            raise RequestError(
                FORBIDDEN,
                "the request doesn't come from this server's own page",
                expected="the token of this run",
                remedy="Load the page anew: the server was started again since",
            )
        kinds = headers.get("content-type", [""])
        if len(kinds) != 1 or kinds[0].partition(";")[0].strip().lower() != "application/json":
            raise RequestError(NO_JSON, "the body isn't JSON", expected="application/json")


def _headers(scope: Scope) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, value in scope["headers"]:
        found.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
    return found


async def _body(headers: dict[str, list[str]], receive: Receive) -> bytes:
    """The whole body; no more than is allowed is ever held."""
    for told in headers.get("content-length", []):
        if not told.isdecimal() or int(told) > MOST_BODY:
            _too_large()
    body = b""
    while True:
        message = await receive()
        if message["type"] != "http.request":
            raise RequestError(BAD, "the request was broken off")
        part: bytes = message.get("body", b"")
        body += part
        if len(body) > MOST_BODY:
            _too_large()
        if not message.get("more_body", False):
            return body


def _too_large() -> NoReturn:
    raise RequestError(TOO_LARGE, "the body is too large", expected=f"{MOST_BODY} bytes at most")


def _json_object(body: bytes) -> dict[str, Any]:
    try:
        told = json.loads(body, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise RequestError(BAD, "the body is no JSON", expected="a JSON object") from error
    if not isinstance(told, dict):
        raise RequestError(BAD, "the body is no JSON object", expected="a JSON object")
    return told


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no finite number")
