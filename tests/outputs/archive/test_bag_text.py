"""The texts of a bag, held against RFC 8493 and the ``bagit`` package."""

from __future__ import annotations

import bagit
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.outputs.archive.bag_text import (
    DECLARATION,
    info_text,
    manifest_text,
    oxum_text,
    read_info,
    read_manifest,
)

DIGEST = "0123456789abcdef" * 4
NAMES = st.text(
    st.characters(blacklist_categories=("Cs",), blacklist_characters="\0"), min_size=1
).map(lambda text: f"data/x{text}x".replace("..", "__"))


@given(st.dictionaries(NAMES, st.just(DIGEST), max_size=5))
def test_manifests_are_read_back(digests: dict[str, str]) -> None:
    found = read_manifest(manifest_text(digests), "sha256")
    assert found.digests == digests
    assert found.faults == ()


def test_only_three_characters_are_encoded() -> None:
    """RFC 8493, section 2.1.3: line feed, carriage return, percent sign, and only those."""
    text = manifest_text({"data/a b%\n\rü": DIGEST})
    assert text == f"{DIGEST}  data/a b%25%0A%0Dü\n"


def test_declaration() -> None:
    """RFC 8493, section 2.1.1."""
    assert DECLARATION == "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (f"{DIGEST}  ../data/a", "outside the bag"),
        (f"{DIGEST}  /etc/a", "outside the bag"),
        (f"{DIGEST}  data/../../a", "outside the bag"),
        (f"{DIGEST}  ~/a", "outside the bag"),
        ("abc  data/a", "no digest and path"),
        ("what is this", "no digest and path"),
        (f"{DIGEST}  data/a\n{DIGEST}  data/a", "again"),
    ],
)
def test_lines_that_cant_be_used(line: str, fault: str) -> None:
    (told,) = read_manifest(line + "\n", "sha256").faults
    assert fault in told


def test_capitals_and_stars_are_allowed() -> None:
    """RFC 8493, section 2.1.3: hexadecimal digits of either case; an asterisk as md5sum writes."""
    found = read_manifest(f"{DIGEST.upper()} *data/a\r\n", "sha256")
    assert found.digests == {"data/a": DIGEST}


def test_info_is_what_the_bagit_package_reads(tmp_path) -> None:  # type: ignore[no-untyped-def]
    fields = [("External-Identifier", "W-7 R1"), ("Line", "north\nline"), ("Station", " ")]
    text = info_text([*fields, ("Payload-Oxum", oxum_text([3, 4]))])
    (tmp_path / "bag-info.txt").write_text(text, encoding="utf-8")
    wanted = {"External-Identifier": "W-7 R1", "Line": "north line", "Payload-Oxum": "7.2"}
    assert read_info(text) == wanted
    assert bagit._load_tag_file(str(tmp_path / "bag-info.txt")) == wanted


def test_folded_lines_are_read() -> None:
    """RFC 8493, section 2.2.2."""
    assert read_info("Line: one\n  two\nStation: 3\n") == {"Line": "one two", "Station": "3"}
