"""How commands end that are given bad input: what a technician is told, what is left on the disk.

Every case ends with exit code 2 and one message that names the place and the remedy, and leaves
no folder; or, where a strip can still be made, with 0 or 3 and what was left out and why in the
log. Never with a traceback or with exit code 1 (a fault of the tool).
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.weld_folder import Ended, WeldFolder, digests, leftovers, stitch

Capture = pytest.CaptureFixture[str]
Spoil = Callable[[WeldFolder], None]
SHAPE = (320, 384)
ODD = 10  # the frame that is spoilt: one among many, in the middle of the scan


def refused(weld: WeldFolder, capsys: Capture, *options: object) -> str:
    """The one message of a run that is refused, having checked that nothing is left of it."""
    before = digests(weld.path)
    ended = stitch(weld, capsys, *options)
    assert ended.code == 2, ended
    assert ended.out == ""
    assert ended.err.count("girthstrip: ") == 1
    assert "Traceback" not in ended.err
    assert digests(weld.path) == before
    assert leftovers(weld.path) == []
    return ended.err


def made(weld: WeldFolder, capsys: Capture, code: int, *options: object) -> Ended:
    """A run that still makes its strip."""
    ended = stitch(weld, capsys, *options)
    assert ended.code == code, ended
    assert ended.err == ""
    assert (ended.log.verdict == "fail") == (code == 3)
    assert leftovers(weld.path) == []
    return ended
