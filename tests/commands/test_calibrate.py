"""``girthstrip calibrate`` and its commands as they are run: what they print, how they end."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipeline.calibration.product import DarkConditions, content_identity
from pipeline.cli import app, run
from pipeline.io.calibration_store import write_calibration
from tests.calibration.ageing_panel import aged
from tests.weld_folder import digests

NAME = f"TEST-1_2026-01-05_{aged(0).identity[:12]}"
ASKED = (
    *("--serial", "TEST-1", "--gain-mode", "normal", "--kv", 160),
    *("--temperature", 20, "--frame-time", 2, "--date", "2026-02-01"),
)
Call = Callable[..., tuple[int, str, str]]
COMMANDS = ("check", "compare", "release", "withdraw", "list", "find")


@pytest.fixture(autouse=True)
def today(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is 2026-06-01."""
    now = datetime(2026, 6, 1, tzinfo=UTC)
    monkeypatch.setattr("pipeline.commands.releases._now", lambda: now)


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    """Run a command in this process: exit code, stdout, stderr."""

    def _call(*arguments: object) -> tuple[int, str, str]:
        code = run(["calibrate", *(str(argument) for argument in arguments)])
        out, err = capsys.readouterr()
        return code, out, err

    return _call


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with calibrations ``new``, ``worn`` and ``unfit`` of one panel."""
    folder = tmp_path_factory.mktemp("calibrations")
    for name, age in (("new", 0), ("worn", 0.1), ("unfit", 3)):
        write_calibration(folder / name, aged(age))
    return folder


@pytest.fixture
def library(made: Path, tmp_path: Path, call: Call) -> Path:
    """A library with ``new`` in it."""
    folder = tmp_path / "panels"
    code, _, _ = call(
        "release", made / "new", "--library", folder, "--by", "C. Example", "--date", "2026-01-06"
    )
    assert code == 0
    return folder


def record(text: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(text)
    return found


# ---- help ---------------------------------------------------------------------------------------


def test_help_shows_how_to_make_one_and_what_else_there_is() -> None:
    text = CliRunner().invoke(app, ["calibrate", "--help"]).output
    assert re.match(r"Usage: \S+ calibrate \[OPTIONS\]", text)
    assert "CONFIG" in text
    assert "--exposures" in text
    for command in COMMANDS:
        assert re.search(rf"^  {command} ", text, re.MULTILINE)
    assert not re.search(r"^  make ", text, re.MULTILINE)


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_help_with_an_example(command: str) -> None:
    one = CliRunner().invoke(app, ["calibrate", command, "--help"])
    assert one.exit_code == 0
    assert f"Example: girthstrip calibrate {command}" in one.output
    for option in ("--quiet", "--json", "--debug"):
        assert option in one.output


# ---- make stays the default ---------------------------------------------------------------------


@pytest.mark.parametrize("words", [("--quiet", "no.toml"), ("no.toml",), ("./check",)])
def test_a_first_word_that_is_no_command_is_the_config(call: Call, words: tuple[str]) -> None:
    code, out, err = call(*words)
    assert (code, out) == (2, "")
    assert f"{words[-1].removeprefix('./')}: there is no such file" in err


def test_without_any_word_the_config_is_missing(call: Call) -> None:
    code, out, err = call()
    assert (code, out) == (2, "")
    assert "Missing argument 'CONFIG'" in err


# ---- check --------------------------------------------------------------------------------------


def test_check_passes_and_says_where_the_page_is(made: Path, tmp_path: Path, call: Call) -> None:
    out_folder = tmp_path / "check"
    code, out, err = call("check", made / "worn", "--first", made / "new", "--out", out_folder)
    assert (code, err) == (0, "")
    assert f"compared    with {aged(0).identity}" in out
    assert f"page        {out_folder / 'acceptance.html'}" in out
    assert "verdict     pass" in out
    assert {path.name for path in out_folder.iterdir()} == {"acceptance.html", "acceptance.json"}


def test_check_ends_with_3_and_the_reasons_where_figures_fail(
    made: Path, library: Path, tmp_path: Path, call: Call
) -> None:
    options = ("--library", library, "--out", tmp_path / "check")
    code, out, _ = call("check", made / "unfit", *options)
    assert code == 3
    assert re.search(r"^  fail +Part of the pixels that turned bad: .* limit 0.1 %$", out, re.M)
    code, out, _ = call("check", made / "unfit", *options, "--replace", "--json")
    assert code == 3
    assert record(out)["verdict"] == "fail"
    assert record(out)["folder"] == str(tmp_path / "check")


def test_check_takes_its_limits_from_a_config_and_its_name_from_the_folder(
    made: Path, tmp_path: Path, call: Call
) -> None:
    shutil.copytree(made / "worn", tmp_path / "worn")
    config = tmp_path / "strict.toml"
    config.write_text(
        '[panel]\nrows = 96\ncolumns = 128\npitch_mm = 0.1\nserial = "TEST-1"\n'
        '[[exposures]]\nkind = "dark"\nfolder = "d"\n'
        '[[exposures]]\nkind = "flat"\nfolder = "f"\ndose = 1.0\n'
        "[acceptance]\nuniformity = 0.0001\n",
        encoding="utf-8",
    )
    code, out, _ = call("check", tmp_path / "worn", "--config", config)
    assert code == 3
    assert "Spread of a corrected flat" in out
    assert (tmp_path / "worn-check" / "acceptance.html").is_file()


# ---- compare ------------------------------------------------------------------------------------


def test_compare_tells_what_it_does_to_strips(made: Path, tmp_path: Path, call: Call) -> None:
    out_folder = tmp_path / "a-b"
    code, out, _ = call("compare", made / "new", made / "unfit", "--out", out_folder)
    assert code == 0
    assert re.search(r"^bad pixels +\d+, then \d+: \d+ new, \d+ good again$", out, re.MULTILINE)
    assert "from pixel to pixel" in out
    assert {path.name for path in out_folder.iterdir()} == {"comparison.png", "comparison.json"}
    code, out, _ = call("compare", made / "new", made / "worn", "--out", out_folder, "--json")
    assert code == 2
    assert "already exists" in record(out)["error"]["message"]


# ---- library ------------------------------------------------------------------------------------


def test_release_list_withdraw_find(made: Path, library: Path, call: Call) -> None:
    name, asked = NAME, ("--library", library, *ASKED)
    code, out, _ = call("find", *asked)
    assert code == 0
    assert f"calibration {library / name}\n" in out
    assert "valid from 27 days before the frames" in out

    code, out, _ = call("list", "--library", library)
    assert re.search(rf"^released +{name}\n +from 2026-01-05, until 2026-04-05, normal gain, "
                     r"100–180 kV, 10–30 °C, 2 s a frame\n +2026-01-06 released by C. Example$",
                     out, re.MULTILINE)  # fmt: skip

    code, out, _ = call(
        *("release", made / "worn", "--library", library, "--by", "C. Example", "--json"),
        *("--supersedes", name, "--date", "2026-01-20"),
    )
    assert code == 0
    assert record(out)["superseded"] == name
    code, out, _ = call("find", *asked, "--json")
    assert record(out)["identity"] == aged(0.1).identity
    assert record(out)["others"][0]["against"].keys() == {"superseded"}

    code, out, _ = call(
        *("withdraw", aged(0.1).identity[:8], "--library", library),
        *("--by", "C. Example", "--reason", "light leaked in", "--date", "2026-01-25"),
    )
    assert code == 0
    assert ": light leaked in" in out
    code, out, err = call("find", *asked)
    assert (code, out) == (2, "")
    assert "withdrawn on 2026-01-25 by C. Example: light leaked in" in err
    code, out, _ = call("list", "--library", library, "--json")
    statuses = [one["status"] for one in record(out)["calibrations"]]
    assert statuses == ["superseded", "withdrawn"]
    code, out, _ = call("list", "--library", library, "--serial", "OTHER")
    assert out == "no calibrations\n"


def test_find_takes_what_it_asks_from_a_weld(
    small_scan: Path, library: Path, tmp_path: Path, call: Call
) -> None:
    options = ("--library", library, "--by", "C. Example", "--date", "2026-03-01")
    assert call("release", small_scan / "calibration", *options)[0] == 0
    code, out, _ = call("find", "--library", library, "--weld", small_scan / "stitch.toml")
    assert code == 0
    assert re.search(r"^calibration .*/SIM-0001_2026-03-01_[0-9a-f]{12}$", out, re.MULTILINE)
    assert "for 160 kV" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("release", "new", "--library", "L"), "Missing option '--by'"),
        (("withdraw", "x", "--library", "L", "--by", "C"), "Missing option '--reason'"),
        (("find", "--library", "L"), "give --serial and what else is known, or --weld"),
        (("list", "--library", "nowhere"), "nowhere: is no library of calibrations"),
        (
            ("withdraw", "x", "--library", "L", "--by", "C", "--reason", "r", "--date", "soon"),
            "'soon' is no date",
        ),
        (("check", "nowhere"), "nowhere: doesn't exist"),
        (("compare", "nowhere", "there"), "nowhere: doesn't exist"),
    ],
)
def test_wrong_calls(call: Call, words: tuple[str, ...], said: str) -> None:
    code, out, err = call(*words)
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


# ---- libraries stay as they are -----------------------------------------------------------------


def test_check_and_compare_leave_a_library_alone(
    made: Path, library: Path, tmp_path: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = digests(library)
    monkeypatch.chdir(tmp_path)
    code, out, _ = call("check", library / NAME)
    assert code == 0
    assert f"page        {NAME}-check/acceptance.html" in out
    for inside in (library / "check", library / NAME / "check"):
        code, _, err = call("check", made / "worn", "--out", inside)
        assert code == 2
        assert "where nothing is ever written or changed" in err
    monkeypatch.chdir(library)
    assert call("compare", NAME, made / "worn")[0] == 2
    assert call("check", NAME)[0] == 2
    assert digests(library) == before


def test_calibrate_does_not_replace_what_was_released(
    library: Path, tmp_path: Path, call: Call
) -> None:
    config = tmp_path / "any.toml"
    config.write_text(
        '[panel]\nrows = 96\ncolumns = 128\npitch_mm = 0.1\nserial = "TEST-1"\n'
        '[[exposures]]\nkind = "dark"\nfolder = "d"\n'
        '[[exposures]]\nkind = "flat"\nfolder = "f"\ndose = 1.0\n',
        encoding="utf-8",
    )
    before = digests(library)
    code, _, err = call(config, "--out", library / NAME, "--replace")
    assert code == 2
    assert "lies in the library" in err
    assert digests(library) == before


def test_foreign_folders_are_named_by_list_and_do_no_harm(library: Path, call: Call) -> None:
    (library / "foreign").mkdir()
    code, out, _ = call("list", "--library", library)
    assert code == 0
    assert "note        foreign is no calibration and doesn't belong" in out
    assert call("find", "--library", library, *ASKED)[0] == 0


def test_edited_contents_are_refused_by_find_and_named_by_list(library: Path, call: Call) -> None:
    facts = library / NAME / "calibration.json"
    facts.chmod(0o644)
    text = facts.read_text(encoding="ascii")
    facts.write_text(text.replace('"kv_max": 180', '"kv_max": 190'), encoding="ascii")
    code, out, err = call("find", "--library", library, *ASKED)
    assert (code, out) == (2, "")
    assert "has been changed since it was made" in err
    code, out, _ = call("list", "--library", library)
    assert code == 0
    assert re.search(r"^ +damaged: .* has been changed since it was made", out, re.MULTILINE)
    code, out, _ = call("list", "--library", library, "--json")
    assert "has been changed" in record(out)["calibrations"][0]["fault"]


# ---- names and places ---------------------------------------------------------------------------


def test_check_of_the_folder_one_stands_in(
    made: Path, tmp_path: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(made / "worn", tmp_path / "worn")
    monkeypatch.chdir(tmp_path / "worn")
    assert call("check", ".")[0] == 0
    assert (tmp_path / "worn-check" / "acceptance.html").is_file()


def test_comparisons_of_folders_called_alike_are_named_by_where_they_lie(
    made: Path, tmp_path: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    for month, name in (("march", "new"), ("april", "worn")):
        shutil.copytree(made / name, tmp_path / month / "calibration")
    monkeypatch.chdir(tmp_path)
    assert call("compare", "march/calibration", "april/calibration")[0] == 0
    assert (tmp_path / "march-april" / "comparison.png").is_file()


def test_withdraw_takes_the_path_that_release_prints(library: Path, call: Call) -> None:
    options = ("--library", library, "--by", "C. Example", "--reason", "dust")
    code, _, err = call("withdraw", aged(0).identity[:4], *options)
    assert code == 2
    assert "is too short to name a calibration" in err
    assert call("withdraw", f"{library / NAME}/", *options)[0] == 0


@pytest.mark.parametrize(
    ("date", "said"), [("2026-06-03", "lies in the future"), ("2026-01-05", "was released on")]
)
def test_decisions_are_dated_after_the_last_and_not_ahead(
    library: Path, call: Call, date: str, said: str
) -> None:
    options = ("--library", library, "--by", "C. Example", "--reason", "dust", "--date", date)
    code, _, err = call("withdraw", NAME, *options)
    assert code == 2
    assert said in err


def test_release_says_what_asks_for_attention(
    made: Path, library: Path, tmp_path: Path, call: Call
) -> None:
    options = ("--library", library, "--by", "C", "--despite-fail", "--reason", "so")
    code, out, _ = call("release", made / "unfit", *options, "--date", "2026-05-01")
    assert code == 0
    assert re.search(r"^acceptance  fail\n(  .*\n)*  fail +Part of the pixels", out, re.M)


def test_release_despite_fail_lacks_only_its_reason(made: Path, library: Path, call: Call) -> None:
    options = ("--library", library, "--by", "C", "--date", "2026-05-01")
    code, _, err = call("release", made / "unfit", *options, "--despite-fail")
    assert code == 2
    assert err.rstrip().endswith("Give a --reason with --despite-fail")
    assert "--despite-fail and a --reason" in call("release", made / "unfit", *options)[2]


def test_the_hint_at_the_help_names_a_command_that_people_know(call: Call) -> None:
    for words in (("a.toml", "--output", "x"), ()):
        assert "(see girthstrip calibrate --help)" in call(*words)[2]
    assert "(see girthstrip calibrate check --help)" in call("check")[2]


def test_list_shows_what_the_darks_reach_where_no_range_is_stated(
    tmp_path: Path, call: Call
) -> None:
    told = {
        "temperature_min_c": None,
        "temperature_max_c": None,
        "dark_conditions": DarkConditions(22.0, 2.0),
        "dark_states": (DarkConditions(38.0, 4.0),),
    }
    one = aged(0, **told)
    states = (one.dark + 70,)
    identity = content_identity(one.facts, one.dark, one.gain, one.classes, dark_states=states)
    write_calibration(tmp_path / "c", replace(one, dark_states=states, identity=identity))
    options = ("--library", tmp_path / "panels", "--by", "C", "--date", "2026-01-06")
    assert call("release", tmp_path / "c", *options)[0] == 0
    assert "22–38 °C, 2–4 s a frame" in call("list", "--library", tmp_path / "panels")[1]


def test_never_released_ones_stand_apart_in_the_list(made: Path, library: Path, call: Call) -> None:
    shutil.copytree(made / "worn", library / "mar2")
    _, out, _ = call("list", "--library", library)
    assert re.search(r"^not released +mar2$", out, re.MULTILINE)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--weld", "w.toml", "--date", "2026-03-01"), "so --date would not count"),
        (("--serial", "TEST-1", "--kv", "nan"), "nan must be a number above 0"),
        (("--serial", "TEST-1", "--kv", "-5"), "-5.0 must be a number above 0"),
        (("--serial", "TEST-1", "--frame-time", "0"), "0.0 must be a number above 0"),
        (("--serial", "TEST-1", "--temperature", "-300"), "above -273.15"),
        (("--serial", "TEST-1"), "panel TEST-1 has calibrations in normal"),
        (("--serial", "test-1"), "Did you mean TEST-1?"),
    ],
)
def test_find_refuses_what_cannot_be(
    library: Path, call: Call, options: tuple[str, ...], said: str
) -> None:
    code, out, err = call("find", "--library", library, *options)
    assert (code, out) == (2, "")
    assert said in " ".join(err.split())


def test_a_misspelt_command_is_not_taken_for_a_config(call: Call) -> None:
    code, _, err = call("chek", "mar2")
    assert code == 2
    assert "'chek' is no command and no config file; did you mean check?" in err
    assert "girthstrip calibrate --help" in err
