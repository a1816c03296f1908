"""Files that are not config files, and TOML that is none."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.config.weld import load_weld_config
from pipeline.errors import ConfigError


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("standoff_mm = 10,5", "bad.toml:3: not valid TOML: .*expected decimals with a point"),
        ('folder = "C:\\data"', "bad.toml:3: not valid TOML: .*expected folders with /"),
        ("ring = True", "bad.toml:3: not valid TOML: .*expected true or false, in small letters"),
        ("ring = yes", "expected true or false"),
        ("serial = P-1", "bad.toml:3: not valid TOML: .*expected text in quotes"),
        ("x = 1", r"bad.toml:3: not valid TOML: x stands here a second time, first in line 2\. Ke"),
        ("serial = SIM-0001  # of the panel", "expected text in quotes"),
        ("serial = “SIM-1”", 'expected straight quotes, like "text"'),
        ("standoff_mm: 10", "expected = between key and value, not a colon"),
        ("ring = ja", "expected true or false"),
        ("[panel]\nserial = 0001-SIM", "bad.toml:4: .*expected text in quotes"),
        ("[panel]\nserial = 'S'\n[weld]\n[panel]", r":6: .*: \[panel\] stands .* first in line 3"),
        ("[panel]\nrows = 5\n[weld]\nrows = 5\nrows = 6", ":7: .*: rows stands .* first in line 6"),
        ("[panel]\nrows = many", "bad.toml:4: .*expected a number and nothing else"),
        ("[panel]\npitch_mm = 100 um", "bad.toml:4: .*expected a number and nothing else"),
        ("[panel]\nflip_rows = 0x", "bad.toml:4: .*expected true or false"),
        ("[frames]\nfolder = /data/scan", "bad.toml:4: .*expected text in quotes"),
        ("[frames]\nformat = 16bit", "bad.toml:4: .*expected text in quotes"),
        ("[stages.registration]\nsearch_mm = 6 mm", "bad.toml:4: .*expected a number and nothing"),
        ("[a]\n[a.b]\nc = 1\n[a]\n", "bad.toml:6: .*stands here a second time, first in line 3"),
        ("[weld", "bad.toml:3: not valid TOML: Expected ']'"),
        ("y =", "bad.toml:3: not valid TOML: Invalid value.*expected a value after ="),
        ('id = "no end', "bad.toml:3: not valid TOML"),
        ("z = [1, 2", "bad.toml:3: not valid TOML: Unclosed array"),
    ],
)
def test_syntax_errors_name_line_and_likely_cause(tmp_path: Path, line: str, said: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(f"# comment\nx = 2\n{line}\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=said):
        load_weld_config(path)


@pytest.mark.parametrize("text", ["x = " + "[" * 100_000, "x = 0x" + "f" * 5000, ""])
def test_extreme_texts_end_in_a_config_error(tmp_path: Path, text: str) -> None:
    path = tmp_path / "extreme.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"extreme\.toml"):
        load_weld_config(path)


def test_files_that_can_not_be_read(tmp_path: Path) -> None:
    (tmp_path / "weld.toml").write_text("", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"there is no such file\. Config files .*weld\.toml"):
        load_weld_config(tmp_path / "wled.toml")
    with pytest.raises(ConfigError, match=r"there is no such file$"):
        load_weld_config(tmp_path / "no" / "weld.toml")
    with pytest.raises(ConfigError, match="is a folder; expected a config file"):
        load_weld_config(tmp_path)
    with pytest.raises(ConfigError, match="is not a file"):
        load_weld_config(Path("/dev/null"))
    with pytest.raises(ConfigError):
        load_weld_config(Path("nul\0byte.toml"))
    with pytest.raises(ConfigError):
        load_weld_config(Path("x" * 5000))


def test_encodings(tmp_path: Path) -> None:
    path = tmp_path / "weld.toml"
    path.write_bytes(b'[weld]\nline = "Stra\xdfe"\n')
    with pytest.raises(ConfigError, match=r"weld\.toml:2: is not UTF-8 text\. Save the file"):
        load_weld_config(path)
    path.write_bytes("[weld]\nid = 1".encode("utf-16"))
    with pytest.raises(ConfigError, match=r"weld\.toml:1: is not UTF-8 text"):
        load_weld_config(path)
    path.write_bytes(b"\xef\xbb\xbf[weld]\r\nid = 1\r\n")  # a byte order mark is no mistake
    with pytest.raises(ConfigError, match=r"weld\.toml:2: weld\.id = 1: must be text in quotes"):
        load_weld_config(path)


def test_a_file_too_large_to_be_a_config(tmp_path: Path) -> None:
    path = tmp_path / "weld.toml"
    path.write_text("#" * 1_000_001, encoding="utf-8")
    with pytest.raises(ConfigError, match="too large to be a config file"):
        load_weld_config(path)
