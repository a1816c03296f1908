"""Runs that are stopped half-way: whatever is under the final name is whole, or nothing is there.

A signal comes when the run has begun to write its folder, or so long after; where in the work that
falls differs from run to run, and what must hold afterwards doesn't.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path
from types import FrameType

import pytest
import tifffile

from pipeline.cli import run
from pipeline.config.stage_tables import Stages
from pipeline.io.strip import read_maps, read_strip
from pipeline.quality.log import QualityLog
from tests.weld_folder import COMMAND, RESULT_FILES, WeldFolder, digests, leftovers

INTERRUPTED = 130
BEGUN_S = 60.0  # longest wait for a run to begin


def partial(weld: WeldFolder) -> list[Path]:
    return list(weld.path.glob(".result.partial-*"))


def first_file(weld: WeldFolder) -> bool:
    return any(any(folder.glob("*")) for folder in partial(weld))


def interrupted(
    weld: WeldFolder, number: signal.Signals, *, moment: str, after_s: float, options: list[str]
) -> tuple[int, str]:
    """Stitch in a process of its own, stop it by a signal: its exit code and stderr."""
    begun = {"folder": lambda: bool(partial(weld)), "file": lambda: first_file(weld)}[moment]
    process = subprocess.Popen(
        [*COMMAND, "stitch", str(weld.config), "--quiet", *options],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        deadline = time.monotonic() + BEGUN_S
        while not begun() and process.poll() is None and time.monotonic() < deadline:
            time.sleep(0.001)
        time.sleep(after_s)
        process.send_signal(number)
        _, err = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
    return process.returncode, err


def require_whole(result: Path) -> None:
    """Everything is there and can be read."""
    assert {path.name for path in result.iterdir()} == RESULT_FILES
    QualityLog.from_json((result / "quality.json").read_text(encoding="ascii"))
    strip, _ = read_strip(result / "strip.tif")
    assert read_maps(result / "maps.tif").count.shape == strip.shape
    assert (result / "quality.html").read_text(encoding="utf-8").rstrip().endswith("</html>")


def inputs_of(weld: WeldFolder) -> dict[str, str]:
    """Digests of all that the run may only read."""
    kept = ("frames/", "calibration/", "stitch.toml", "job.csv")
    return {name: sha for name, sha in digests(weld.path).items() if name.startswith(kept)}


@pytest.mark.parametrize(
    ("number", "moment", "after_s"),
    [
        (signal.SIGINT, "folder", 0.0),
        (signal.SIGINT, "folder", 0.35),
        (signal.SIGINT, "file", 0.0),
        (signal.SIGTERM, "folder", 0.2),
        (signal.SIGTERM, "file", 0.02),
        (signal.SIGHUP, "folder", 0.1),
        (signal.SIGKILL, "folder", 0.0),
        (signal.SIGKILL, "file", 0.0),
        (signal.SIGKILL, "file", 0.1),
    ],
)
def test_a_stopped_run_leaves_nothing_or_everything(
    number: signal.Signals, moment: str, after_s: float, small_weld: WeldFolder
) -> None:
    before = inputs_of(small_weld)
    code, err = interrupted(small_weld, number, moment=moment, after_s=after_s, options=[])

    assert inputs_of(small_weld) == before
    assert "Traceback" not in err
    if small_weld.result.exists():
        require_whole(small_weld.result)  # it had just been finished
    if code == 0:
        assert small_weld.result.exists()
    elif number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        assert code == INTERRUPTED
        assert err == "girthstrip: stopped; nothing half-made is left\n"
        assert leftovers(small_weld.path) == []
    else:
        assert code == -number  # killed: its folder stays, under a name that nobody takes for it
    assert run(["stitch", str(small_weld.config), "--quiet", "--replace"]) == 0
    require_whole(small_weld.result)
    assert leftovers(small_weld.path) == []  # those of the killed run are cleared away
    assert inputs_of(small_weld) == before


def test_ctrl_c_inside_a_library_is_still_an_interrupt(
    small_weld: WeldFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    """Compiled libraries that call back may hand the interrupt on as an error of their own.

    Here it comes while the config is turned into text for the result folder.
    """

    def press(frame: FrameType, event: str, _: object) -> None:
        if event == "call" and frame.f_code is callback:
            sys.setprofile(None)
            pressed.append(True)
            signal.raise_signal(signal.SIGINT)

    callback = Stages._only_the_sequence.__code__  # runs inside pydantic
    pressed: list[bool] = []
    sys.setprofile(press)
    try:
        code = run(["stitch", str(small_weld.config), "--quiet"])
    finally:
        sys.setprofile(None)
    out, err = capsys.readouterr()
    assert pressed
    assert (code, out) == (INTERRUPTED, "")
    assert err == "girthstrip: stopped; nothing half-made is left\n"
    assert not small_weld.result.exists()
    assert leftovers(small_weld.path) == []


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL])
def test_a_stopped_replacement_leaves_the_older_result(
    number: signal.Signals, small_weld: WeldFolder
) -> None:
    assert run(["stitch", str(small_weld.config), "--quiet"]) == 0
    older = digests(small_weld.result)
    small_weld.edit_config('operator = "A. Example"', 'operator = "C. Example"')
    code, _ = interrupted(small_weld, number, moment="file", after_s=0.0, options=["--replace"])
    assert code != 0
    assert digests(small_weld.result) == older
    assert run(["stitch", str(small_weld.config), "--quiet", "--replace"]) == 0
    require_whole(small_weld.result)
    assert digests(small_weld.result)["quality.json"] != older["quality.json"]
    assert leftovers(small_weld.path) == []


def test_a_second_run_beside_the_first_doesnt_spoil_it(small_weld: WeldFolder) -> None:
    """Both build the same folder: one is finished, the other refused, and nothing is mixed."""
    command = [*COMMAND, "stitch", str(small_weld.config), "--quiet"]
    both = [
        subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    errors = [process.communicate(timeout=120)[1] for process in both]
    assert sorted(process.returncode for process in both) == [0, 2], errors
    assert any("already exists" in text for text in errors)
    require_whole(small_weld.result)
    assert leftovers(small_weld.path) == []


def test_a_frame_that_changes_under_a_run_is_told(
    small_weld: WeldFolder, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The drive goes away between the first look and the strip."""
    from pipeline.stages.registration import Registration  # noqa: PLC0415 - imports compile

    place = Registration.place

    def place_then_lose(self: Registration, *arguments: object) -> object:
        found = place(self, *arguments)  # type: ignore[arg-type]
        tifffile.imwrite(small_weld.frame(20), tifffile.imread(small_weld.frame(21))[:10])
        return found

    monkeypatch.setattr(Registration, "place", place_then_lose)
    assert run(["stitch", str(small_weld.config), "--quiet"]) == 2
    _, err = capsys.readouterr()
    assert "frame_0020.tif: could be read at first, but not any more" in err
    assert "Check the drive that holds the frames" in err
    assert not small_weld.result.exists()
    assert leftovers(small_weld.path) == []
