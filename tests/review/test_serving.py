"""``girthstrip review`` as a process: serves on this machine only, stops by itself, exits well."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from pipeline.cli import run
from tests.review.served import Served
from tests.weld_folder import COMMAND

FEW_SECONDS = 60


def started(*options: object) -> tuple[subprocess.Popen[str], str]:
    """The process and the address that it tells."""
    command = [*COMMAND, "review", *map(str, options)]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=dict(os.environ)
    )
    assert process.stdout is not None
    told = [process.stdout.readline() for _ in range(3)]
    assert told[0].startswith("open "), process.stderr and process.stderr.read()
    assert "never accepts or rejects" in told[2]
    return process, told[0].split()[1]


def listens_on(port: int) -> set[str]:
    """The addresses (hexadecimal) that somebody listens on at this port, as the kernel tells."""
    lines = Path("/proc/net/tcp").read_text(encoding="ascii").splitlines()[1:]
    sockets = [line.split()[1:4] for line in lines]
    return {
        at.split(":")[0]
        for at, _, state in sockets
        if state == "0A" and int(at.split(":")[1], 16) == port
    }


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_it_serves_on_this_machine_only_and_stops_by_itself(served: Served) -> None:
    process, address = started(served.root, "--idle", 0.05)
    port = int(address.rstrip("/").rpartition(":")[2])
    assert listens_on(port) == {"0100007F"}  # 127.0.0.1, and no other
    with urllib.request.urlopen(address + "api/welds", timeout=FEW_SECONDS) as answer:
        (told,) = json.load(answer)["welds"]
    assert told["key"] == served.key
    strip = f"{address}weld/{served.key}/strip.tif"
    asked = urllib.request.Request(strip, headers={"Range": "bytes=10-19"})
    with urllib.request.urlopen(asked, timeout=FEW_SECONDS) as answer:
        assert answer.status == 206
        assert answer.read() == (served.result / "strip.tif").read_bytes()[10:20]
    _, err = process.communicate(timeout=FEW_SECONDS)  # after three seconds unused
    assert process.returncode == 0, err


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_stops_when_it_is_told_to(served: Served, number: int) -> None:
    process, _ = started(served.root)
    process.send_signal(number)
    _, err = process.communicate(timeout=FEW_SECONDS)
    assert process.returncode == 0, err
    assert "what was saved is saved" in err
    assert "Traceback" not in err


def test_a_raw_request_without_a_host_is_refused(served: Served) -> None:
    process, address = started(served.root)
    port = int(address.rstrip("/").rpartition(":")[2])
    try:
        for request in (
            b"GET / HTTP/1.0\r\n\r\n",
            b"GET / HTTP/1.1\r\nHost: a\r\nHost: 127.0.0.1\r\n\r\n",
            b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\n\r\n",
            b"\x00\xff\r\n\r\n",
        ):
            with socket.create_connection(("127.0.0.1", port), timeout=FEW_SECONDS) as one:
                one.sendall(request)
                assert b" 400 " in one.recv(100).split(b"\r\n")[0]
    finally:
        process.terminate()
        process.communicate(timeout=FEW_SECONDS)


def test_faults_of_the_call_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["review", str(tmp_path / "nowhere")]) == 2
    assert "there is no such folder" in capsys.readouterr().err
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert run(["review", str(tmp_path), "--port", str(taken.getsockname()[1])]) == 2
    assert "is taken by another program" in capsys.readouterr().err
    words = tmp_path / "words.txt"
    words.write_text("\n\n", encoding="utf-8")
    assert run(["review", str(tmp_path), "--words", str(words)]) == 2
    assert "holds 0 words" in capsys.readouterr().err
