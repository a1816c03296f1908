"""The scoring of tests/benchmarks/peers, and what it does with a peer that can't run."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.peers.__main__ import Row, table_text
from tests.benchmarks.peers.ended import fault_of
from tests.benchmarks.peers.environments import last_line
from tests.benchmarks.peers.scoring import score

PEERS = Path(__file__).parent / "benchmarks" / "peers"
TRUE = np.array([[0.0, 0.0], [1.0, 100.0], [-1.0, 200.0], [0.0, 300.0]])  # (row, column)


def test_a_common_shift_is_no_error() -> None:
    found = score(TRUE + np.array([5.0, -7.0]), TRUE)
    assert (found.s_rms_px, found.z_rms_px, found.placed) == (0, 0, 4)
    assert found.all_within_a_pixel


def test_errors_along_the_scan_and_along_the_pipe_are_told_apart() -> None:
    """Of ± 0.3 px in turn the mean square is 0.09; of one 4 px off, 3 and thrice −1 about the
    mean, it is 3 = (9 + 3) / 4."""
    found = score(TRUE + np.array([[0, 0.3], [0, -0.3], [0, 0.3], [4, -0.3]]), TRUE)
    assert found.s_rms_px == pytest.approx(0.3)
    assert found.s_worst_px == pytest.approx(0.3)
    assert found.z_rms_px == pytest.approx(3**0.5)
    assert found.all_within_a_pixel  # along the scan


def test_pictures_without_a_place_are_counted_not_hidden() -> None:
    found = np.array(TRUE)
    found[2] = np.nan
    some = score(found, TRUE)
    assert (some.placed, some.frames, some.s_rms_px) == (3, 4, 0)
    assert not some.all_within_a_pixel
    none = score(np.full((4, 2), np.nan), TRUE)
    assert none.placed == 0 and np.isnan(none.s_rms_px)


def test_one_picture_a_pixel_off_is_not_all_within_a_pixel() -> None:
    assert not score(TRUE + np.array([[0, 2], [0, 0], [0, 0], [0, 0]]), TRUE).all_within_a_pixel


def test_the_table_tells_a_peer_that_fails() -> None:
    text = table_text(
        [Row("good", "1.0", "10", score(TRUE, TRUE)), Row("bad", fault="fails: no Java")], "toy", 4
    )
    assert "| good | 1.0 | 10 | 0.000 / 0.000 | 0.000 | 4 of 4 |" in text
    assert "| bad | fails: no Java |" in text
    assert text.startswith("4 frames of `toy`, ")


def test_a_process_is_measured_by_itself() -> None:
    """100 MB touched: the peak holds them and an interpreter, not what this process holds."""
    held = np.ones(40_000_000)  # 320 MB
    code = (
        "from peak import peak_bytes\nx = bytearray(100_000_000)\n"
        "for k in range(0, len(x), 4096): x[k] = 1\nprint(peak_bytes())"
    )
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, cwd=PEERS, capture_output=True, text=True, check=True)
    assert held[-1] == 1
    assert 100e6 < int(done.stdout) < 200e6


def test_a_process_that_fails_or_hangs_says_so(tmp_path: Path) -> None:
    log = tmp_path / "log"
    assert fault_of([sys.executable, "-c", "pass"], log, 60) == ""
    broken = [sys.executable, "-c", "raise SystemExit('no such thing')"]
    assert fault_of(broken, log, 60) == "no such thing"
    hung = [sys.executable, "-c", "import time; time.sleep(60)"]
    assert fault_of(hung, log, 1) == "stopped after 1 s"


def test_the_last_line_is_what_a_process_said_in_the_end() -> None:
    assert last_line("one\ntwo\n\n  \n") == "two"
    assert last_line("") == "no word"
