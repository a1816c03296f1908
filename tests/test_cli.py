"""The commands as they are run: what they print where, and how they end."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipeline import __version__
from pipeline.cli import app, run
from pipeline.simulation.presets import PRESETS
from pipeline.terminal import CAUTION, ProgressLines

COMMAND = [sys.executable, "-c", "from pipeline.cli import main; main()"]

Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    """Run a command in this process: exit code, stdout, stderr."""

    def _call(*arguments: object) -> tuple[int, str, str]:
        code = run([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return _call


@pytest.fixture(scope="module")
def made(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the folder of a demo: scan, calibration, result."""
    return shutil.copytree(demo_folder, tmp_path_factory.mktemp("cli") / "demo")


def fault(text: str) -> dict[str, Any]:
    record: dict[str, Any] = json.loads(text)["error"]
    return record


# ---- help and version ---------------------------------------------------------------------------


def test_help_names_the_commands_and_gives_an_example() -> None:
    runner = CliRunner()
    whole = runner.invoke(app, ["--help"])
    assert whole.exit_code == 0
    for command in ("demo", "simulate", "calibrate", "stitch"):
        assert re.search(rf"^  {command} ", whole.output, re.MULTILINE)
        one = runner.invoke(app, [command, "--help"])
        assert one.exit_code == 0
        assert f"Example: girthstrip {command}" in one.output
        for option in ("--quiet", "--json", "--debug"):
            assert option in one.output


def test_help_of_simulate_names_every_preset() -> None:
    text = CliRunner().invoke(app, ["simulate", "--help"]).output
    assert all(name in text for name in PRESETS)


def test_version_and_no_arguments(call: Call) -> None:
    assert call("--version") == (0, f"girthstrip {__version__}\n", "")
    code, out, _ = call()
    assert code == 0
    assert "Begin with: girthstrip demo" in out


@pytest.mark.parametrize(
    ("word", "meant"),
    [(one, one) for one in ("check", "compare", "release", "withdraw", "list", "find")]
    + [("comparee", "compare"), ("realease", "release")],
)
def test_a_command_of_calibrate_asked_for_by_itself_is_told(
    call: Call, word: str, meant: str
) -> None:
    code, out, err = call(word, "march", "april")
    assert (code, out) == (2, "")
    assert f"No such command '{word}'. Did you mean 'girthstrip calibrate {meant}'" in err
    assert meant in call("calibrate", "--help")[1]


@pytest.mark.parametrize(("word", "said"), [("stich", "mean 'stitch'"), ("make", "'make'. (see")])
def test_other_unknown_commands_get_no_such_hint(call: Call, word: str, said: str) -> None:
    code, _, err = call(word)
    assert code == 2
    assert said in err
    assert "girthstrip calibrate" not in err


def test_help_starts_without_the_heavy_libraries() -> None:
    """What --help imports decides how long it takes: the numeric libraries cost a second."""
    check = (
        "import sys; from pipeline.cli import run; run(['stitch', '--help']);"
        "heavy = {'numpy', 'cv2', 'numba', 'scipy', 'matplotlib', 'pydicom', 'rich'};"
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", check], check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


# ---- a whole job --------------------------------------------------------------------------------


def test_demo_leaves_everything_and_tells_where(made: Path) -> None:
    assert {path.name for path in made.iterdir()} == {"scan", "calibration", "result", "audit-log"}
    for name in ("strip.tif", "maps.tif", "positions.csv", "quality.json", "quality.html"):
        assert (made / "result" / name).is_file()


def test_stitch_again_from_the_resolved_config_gives_the_same_bytes(made: Path, call: Call) -> None:
    again = made / "again"
    code, out, err = call("stitch", made / "result" / "config.toml", "--out", again)

    assert code == 0
    assert f"report      {again / 'quality.html'}" in out
    assert re.search(r"^frames +\d+ of \d+ used\n  left out  frame_0001.tif: ramp_up", out, re.M)
    assert "verdict     pass" in out
    assert out.endswith(CAUTION + "\n")
    assert re.search(r"^stitching, .*\(registration\): \d+ done$", err, re.MULTILINE)
    assert "\x1b" not in err
    first = {path.name: path.read_bytes() for path in (made / "result").iterdir()}
    second = {path.name: path.read_bytes() for path in again.iterdir()}
    del first["timing.json"], second["timing.json"]  # all that may differ
    assert first.keys() == second.keys()
    assert [name for name in first if first[name] != second[name]] == []


def test_a_failed_verdict_ends_with_3_and_its_strip(made: Path, call: Call, tmp_path: Path) -> None:
    text = (made / "scan" / "stitch.toml").read_text(encoding="utf-8")
    strict = tmp_path / "strict.toml"
    strict.write_text(text + "\n[limits]\nresidual_px = 1e-9\n", encoding="utf-8")
    code, out, err = call(
        "stitch", strict, "--frames", made / "scan" / "frames",
        "--calibration", made / "calibration", "--out", tmp_path / "out",
        "--json", "--quiet", "--threads", 1,
    )  # fmt: skip

    assert (code, err) == (3, "")
    record = json.loads(out)
    assert record["verdict"] == "fail"
    assert record["checks"]["registration.residual_px"] == "fail"
    assert record["folder"] == str(tmp_path / "out")
    assert record["frames"]["left_out"] == len(PRESETS["small"].carriage.ramp_kv)
    assert (tmp_path / "out" / "strip.tif").is_file()


def test_dry_run_shows_the_plan_and_writes_nothing(made: Path, call: Call, tmp_path: Path) -> None:
    options = ("--calibration", made / "calibration", "--out", tmp_path / "out", "--dry-run")
    code, out, _ = call("stitch", made / "scan" / "stitch.toml", *options)
    assert code == 0
    assert "memory   at most about" in out
    code, out, _ = call("stitch", made / "scan" / "stitch.toml", *options, "--json")
    assert json.loads(out)["stages"][0] == "flat_field"
    assert list(tmp_path.iterdir()) == []


def test_the_job_sheet_counts_more_than_the_config(made: Path, call: Call, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    config = made / "scan" / "stitch.toml"
    options = (
        *("--calibration", made / "calibration", "--out", tmp_path / "out"),
        *("--job-sheet", sheet, "--dry-run", "--json"),
    )

    def columns() -> float:
        """Length of the strip as planned: it follows from the pipe's diameter."""
        code, out, _ = call("stitch", config, *options)
        assert code == 0
        return float(json.loads(out)["strip_columns"])

    sheet.write_text("id,diameter_mm\nW-0001,114.3\n", encoding="utf-8")
    as_in_config = columns()
    sheet.write_text("id,diameter_mm\nW-0001,120.0\n", encoding="utf-8")
    assert columns() / as_in_config == pytest.approx(120 / 114.3, abs=1e-3)

    sheet.write_text("id,wall_mm\nW-0001,thick\n", encoding="utf-8")
    code, out, _ = call("stitch", config, *options)
    assert code == 2
    assert f"{sheet}: line 2: column 'wall_mm': \"thick\" must be a number" in fault(out)["message"]

    sheet.write_text("id\nW-0009\n", encoding="utf-8")
    code, out, _ = call("stitch", config, *options)
    assert code == 2
    assert "has no weld 'W-0001'" in fault(out)["message"]


def test_simulate_calibrate_and_replace(call: Call, tmp_path: Path) -> None:
    scan, calibration = tmp_path / "a scan", tmp_path / "calibration"
    code, out, err = call("simulate", "small", scan, "--seed", 7)
    assert code == 0
    pasted = shlex.quote(str(scan / "calibrate.toml"))
    assert pasted.startswith("'")
    assert f"next        girthstrip calibrate {pasted}\n" in out
    assert "frames: 32 done\n" in err
    assert call("simulate", "small", scan)[0] == 2

    config = tmp_path / "elsewhere.toml"
    (scan / "calibrate.toml").rename(config)
    options = ("calibrate", config, "--exposures", scan, "--out", calibration)
    code, out, _ = call(*options)
    assert code == 0
    identity = re.search(r"^identity +([0-9a-f]{64})$", out, re.MULTILINE)
    assert identity

    code, out, err = call(*options, "--json")
    assert code == 2
    assert "already exists" in fault(out)["message"]
    code, out, _ = call(*options, "--json", "--replace")
    assert code == 0
    assert json.loads(out)["identity"] == identity[1]


def test_the_demo_takes_the_next_free_folder(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.demo import free_folder  # noqa: PLC0415 - it imports all that runs need

    monkeypatch.chdir(tmp_path)
    assert free_folder() == Path("girthstrip-demo")
    for name in ("girthstrip-demo", "girthstrip-demo-2"):
        (tmp_path / name).mkdir()
    assert free_folder() == Path("girthstrip-demo-3")
    code, _, err = call("demo", "--out", "girthstrip-demo")
    assert code == 2
    assert "girthstrip-demo: already exists. Name a folder that doesn't exist yet" in err
    (tmp_path / "file").write_text("", encoding="utf-8")
    code, _, err = call("demo", "--out", "file/inside")
    assert code == 2
    assert "can't be made" in err


# ---- what is wrong ------------------------------------------------------------------------------


def test_a_bad_config_ends_with_2_and_every_fault(call: Call, tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text('[weld]\nid = 3\n[panel]\nrows = "x"\n', encoding="utf-8")
    for command in ("stitch", "calibrate"):
        code, out, err = call(command, path)
        assert (code, out) == (2, "")
        assert err.startswith("girthstrip: the input is wrong:\n")
        assert f'{path}:4: panel.rows = "x": must be a whole number, without quotes' in err
        code, out, err = call(command, path, "--json")
        assert (code, err) == (2, "")
        assert fault(out)["kind"] == "ConfigError"
        assert fault(out)["exit_code"] == 2


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["stich"], "No such command 'stich'"),
        (["stitch"], "Missing argument 'CONFIG'"),
        (["stitch", "a.toml", "--frams", "x"], "No such option"),
        (["stitch", "a.toml", "--threads", "0"], "Invalid value for '--threads'"),
        (["simulate", "smal", "out"], "there is no preset 'smal'; expected one of small,"),
        (["stitch", "no/such.toml"], "no/such.toml: there is no such file"),
    ],
)
def test_wrong_calls(call: Call, arguments: list[str], said: str) -> None:
    code, out, err = call(*arguments)
    assert (code, out) == (2, "")
    assert said in err
    code, out, err = call(*arguments, "--json")
    assert (code, err) == (2, "")
    assert said in fault(out)["message"]


def test_a_fault_of_ours_ends_with_1_and_shows_its_traceback_only_when_asked(
    call: Call, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def broken(name: str) -> None:
        raise ZeroDivisionError("one by naught")

    monkeypatch.setattr("pipeline.simulation.presets.get_preset", broken)
    arguments = ("simulate", "small", tmp_path / "out")
    code, _, err = call(*arguments)
    assert code == 1
    assert "a fault of the tool, not of your input: ZeroDivisionError: one by naught" in err
    assert "--debug" in err
    assert "Traceback" not in err
    code, _, err = call(*arguments, "--debug")
    assert code == 1
    assert "Traceback" in err
    monkeypatch.setenv("GIRTHSTRIP_DEBUG", "1")
    code, out, err = call(*arguments, "--json")
    assert fault(out)["kind"] == "InternalFault"
    assert "Traceback" in err


def test_as_a_process_a_bad_config_gives_no_traceback(tmp_path: Path) -> None:
    path = tmp_path / "bäd.toml"
    path.write_text("[weld\n", encoding="utf-8")
    environment = dict(os.environ, PYTHONIOENCODING="ascii")  # a terminal that can't show ä
    done = subprocess.run(
        [*COMMAND, "stitch", str(path)],
        check=False,
        capture_output=True,
        text=True,
        env=environment,
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert "d.toml:1: not valid TOML: Expected ']'" in done.stderr
    assert "Traceback" not in done.stderr


def test_ctrl_c_ends_with_130_in_one_line_and_leaves_nothing(tmp_path: Path) -> None:
    out = tmp_path / "scan"
    process = subprocess.Popen(
        [*COMMAND, "simulate", "continuous24", str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        deadline = time.monotonic() + 60
        while not any(tmp_path.iterdir()) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert any(tmp_path.iterdir()), "it never began to write"
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
    finally:
        process.kill()
    assert process.returncode == 130
    assert err == "girthstrip: stopped; nothing half-made is left\n"
    assert list(tmp_path.iterdir()) == []


# ---- progress -----------------------------------------------------------------------------------


def test_progress_without_a_terminal_is_one_line_for_each_thing_done(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with ProgressLines(quiet=False) as progress:
        for done in range(1, 4):
            progress("frames", done, 3)
        progress("truth", 1, 1)
    said = "simulating frames: 3 done\nwriting down the truth: 1 done\n"
    assert capsys.readouterr() == ("", said)
    with ProgressLines(quiet=True) as progress:
        progress("frames", 3, 3)
    assert capsys.readouterr() == ("", "")


def test_progress_on_a_terminal_shows_bars(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    with ProgressLines(quiet=False) as progress:
        progress("frames", 1, 2)
        progress("frames", 2, 2)
    out, err = capsys.readouterr()
    assert out == ""
    assert "frames" in err
    assert "100%" in err
