"""What the commands show of a strip and of their progress."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.model import Verdict
from pipeline.quality.check import Check, report_only
from pipeline.terminal import CAUTION, ProgressLines, show_strip

Capture = pytest.CaptureFixture[str]
HINT = "hint        most frames don't fit together where the table puts them."


def result_of(
    reasons: dict[int, str], frames: int = 32, unlinked: int = 0, remarks: tuple[str, ...] = ()
) -> Any:
    """A run's result with these frames left out, as far as it is shown."""
    log = SimpleNamespace(
        checks=(_unlinked(unlinked),),
        frames=[
            SimpleNamespace(file=f"f{k}.tif", used=k not in reasons, why_not=reasons.get(k, ""))
            for k in range(frames)
        ],
        remarks=remarks,
        strip=SimpleNamespace(columns=100, rows=50),
        calibration=SimpleNamespace(identity="0123456789ab" + "0" * 52),
        verdict="pass",
    )
    return SimpleNamespace(log=log, folder=Path("result"), seconds={}, why_calibration="named")


def _unlinked(frames: int) -> Check:
    return report_only(
        "registration.unlinked_frames", frames, stage="registration", unit="frames", basis="config"
    )


def lines_of(capsys: Capture, result: Any, **told: Any) -> list[str]:
    show_strip(result, False, **told)
    return capsys.readouterr().out.splitlines()


def test_a_strip_is_shown_with_what_was_left_out_and_remarked(capsys: Capture) -> None:
    result = result_of({3: "unreadable: f3.tif: is empty"}, remarks=("Something odd.",))
    sentence = "weld.wall_mm = 12.7 replaces the config's 10.0"
    assert lines_of(capsys, result, replaced=(sentence,)) == [
        f"job sheet   {sentence}",
        f"strip       {Path('result/strip.tif')} (100 × 50 pixels)",
        f"report      {Path('result/quality.html')}",
        "calibration 0123456789ab. named",
        "frames      31 of 32 used",
        "  left out  f3.tif: unreadable: f3.tif: is empty",
        "note        Something odd.",
        "verdict     pass: about the picture, never about the weld",
        CAUTION,
    ]
    show_strip(result, True, (sentence,))
    record = json.loads(capsys.readouterr().out)
    assert record["remarks"] == ["Something odd."]
    assert record["from_job_sheet"] == [sentence]


def test_one_reason_doesnt_fill_the_screen(capsys: Capture) -> None:
    reasons = dict.fromkeys(range(5), "saturated: 30.0% of its pixels")
    lines = lines_of(capsys, result_of(reasons))
    assert sum("saturated" in line for line in lines) == 5
    reasons |= {k: f"low_level: 0.{k} of the scan's level" for k in range(5, 13)}
    lines = lines_of(capsys, result_of(reasons))
    assert lines[4:15] == [
        *(f"  left out  f{k}.tif: saturated: 30.0% of its pixels" for k in range(5)),
        *(f"  left out  f{k}.tif: low_level: 0.{k} of the scan's level" for k in range(5, 10)),
        "  left out  and 3 more: low_level (all are in positions.csv)",
    ]


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (1, "frames", "x: 1 frame, limit 0"),
        (2, "frames", "x: 2 frames, limit 0"),
        (0.5, "frames", "x: 0.5 frames, limit 0"),
        (1, "mm", "x: 1 mm, limit 0"),
        (1, "s", "x: 1 s, limit 0"),
    ],
)
def test_one_of_something_is_told_as_one(
    value: float, unit: str, said: str, capsys: Capture
) -> None:
    result = result_of({})
    check = Check("x", "survey", value, unit, 0.0, Verdict.ATTENTION, "config")
    result.log.checks = (check,)
    assert lines_of(capsys, result)[5] == f"  attention {said}"


@pytest.mark.parametrize(
    ("wrong", "unlinked", "hinted"),
    [(0, 0, False), (16, 0, False), (17, 0, True), (0, 16, False), (0, 17, True), (9, 9, True)],
)
def test_a_cause_common_to_most_frames_is_hinted_at_once(
    wrong: int, unlinked: int, hinted: bool, capsys: Capture
) -> None:
    reasons = dict.fromkeys(range(wrong), "wrong_place: it shows something else")
    lines = lines_of(capsys, result_of(reasons, unlinked=unlinked))
    assert sum(line.startswith(HINT) for line in lines) == hinted


SHOWS = [
    *(sys.executable, "-c"),
    "import sys\nfrom pipeline.terminal import show\n"
    "sys.stdin.read()\nshow(False, {}, 'x' * 100_000)",
]


def test_a_full_disk_behind_stdout_is_told() -> None:
    with Path("/dev/full").open("w") as full:
        ended = subprocess.run(
            SHOWS,
            stdin=subprocess.DEVNULL,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert "standard output: can't be written (No space left" in ended.stderr
    assert "the result itself is complete" in ended.stderr


def test_a_reader_that_has_gone_away_is_no_fault() -> None:
    """As ``head`` does once it has its lines."""
    process = subprocess.Popen(
        SHOWS, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert process.stdout is not None
    process.stdout.close()
    process.stdout = None
    _, told = process.communicate(timeout=60)
    assert (process.returncode, told) == (0, b"")


def test_progress_says_which_step_of_which_command_is_done(capsys: Capture) -> None:
    with ProgressLines(quiet=False) as progress:
        progress("frames", 32, 32)
        progress("survey", 32, 32)
        progress("a step of its own", 1, 1)
    assert capsys.readouterr() == (
        "",
        "simulating frames: 32 done\n"
        "stitching, which frames belong (survey): 32 done\n"
        "a step of its own: 1 done\n",
    )
