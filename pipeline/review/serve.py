"""Serving on this machine alone, until somebody stops it or nobody has asked for long."""

from __future__ import annotations

import asyncio
import ctypes
import errno
import secrets
import socket
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import uvicorn
from anyio import to_thread

from pipeline.errors import InputError
from pipeline.review.app import Review, make_app
from pipeline.review.security import Guard

HOST = "127.0.0.1"
_LOOK_S = 0.5
_GRACE_S = 3
_MOST_AT_ONCE = 64
_THREADS = 6
_MMAP_THRESHOLD, _ARENA_MAX = -3, -8  # of malloc.h


def serve(
    root: Path,
    *,
    port: int,
    read_only: bool,
    idle_s: float,
    words: Sequence[str],
    ready: Callable[[str], None],
) -> None:
    """Serve the welds below ``root``; ``ready`` is told the address once it answers.

    ``port`` 0 takes a free one. Returns after ``idle_s`` seconds without a request.

    Raises:
        InputError: there is no such folder, or the port is taken.
        KeyboardInterrupt: it was stopped.
    """
    if not root.is_dir():
        raise InputError(
            "there is no such folder",
            where=str(root),
            expected="a result folder, or a folder with welds in it",
        )
    _give_memory_back()
    with _listening(port) as listener:
        taken = listener.getsockname()[1]
        served = Review(root.resolve(), secrets.token_urlsafe(32), read_only, words)
        app = make_app(served, taken)
        config = uvicorn.Config(
            app,
            log_level="error",
            access_log=False,
            server_header=False,
            lifespan="off",
            ws="none",
            timeout_graceful_shutdown=_GRACE_S,
            limit_concurrency=_MOST_AT_ONCE,
        )
        asyncio.run(_run(uvicorn.Server(config), app, listener, idle_s, ready, taken))


async def _run(
    server: uvicorn.Server,
    guard: Guard,
    listener: socket.socket,
    idle_s: float,
    ready: Callable[[str], None],
    port: int,
) -> None:
    # Each thread holds on to memory of its own; more of them wouldn't be faster.
    to_thread.current_default_thread_limiter().total_tokens = _THREADS

    async def watch() -> None:
        while not server.started and not server.should_exit:
            await asyncio.sleep(0.01)
        ready(f"http://{HOST}:{port}/")
        while not server.should_exit:
            await asyncio.sleep(min(_LOOK_S, idle_s))
            if time.monotonic() - guard.last_request > idle_s:
                server.should_exit = True

    watching = asyncio.create_task(watch())
    try:
        await server.serve(sockets=[listener])
    finally:
        watching.cancel()


def _give_memory_back() -> None:
    """Have glibc give arrays back to the system as soon as they are freed, in whatever thread.

    Left alone it keeps the largest array of every thread: 325 MB instead of 265 with a strip of
    45,000 × 1,600 pixels. Other libraries of C don't know these settings.
    """
    with suppress(OSError, AttributeError):
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(_MMAP_THRESHOLD, 2**19)
        mallopt(_ARENA_MAX, 2)


def _listening(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((HOST, port))
    except OSError as error:
        listener.close()
        taken = error.errno == errno.EADDRINUSE
        raise InputError(
            "is taken by another program" if taken else f"can't be used ({error.strerror})",
            where=f"port {port}",
            remedy="Name another with --port, or leave it out for a free one",
        ) from error
    return listener
