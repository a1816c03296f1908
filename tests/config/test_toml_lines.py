"""The line scanner against tomllib: whatever tomllib reads has a line, and it is the right one."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.config.toml_lines import KeyPath, key_lines


def leaves(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    """The paths of all values that are not tables, arrays counted as leaves and walked into."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, (*path, key))
        return
    yield path
    if isinstance(value, list):
        for index, item in enumerate(value):
            yield from leaves(item, (*path, index))


def test_every_way_to_write_a_key() -> None:
    text = """\
# a comment with [brackets] and a = sign
title = "not a # comment = 1"   # but this is
[weld]
id = 'C:\\no\\escapes'
  wall_mm=12.7
geometry.standoff_mm = 10
"quoted.key" = 1
[ "a b" . 'c' ]
d = 1
[[exposures]]
kind = "dark"
list = [
  1, # one ]
  "]",

  { x = 1, y.z = [2, 3] },
]
[exposures.binary]
rows = 3
[[exposures]]
kind = "flat"
text = \"\"\"
[not.a.table]
fake = 1 \\\"""
\"\"\"\"\"
last = '''
x = ''
'''
end = 1979-05-27T07:32:00Z
"""
    lines = key_lines(text)

    expected: dict[KeyPath, int] = {
        ("title",): 2,
        ("weld",): 3,
        ("weld", "id"): 4,
        ("weld", "wall_mm"): 5,
        ("weld", "geometry"): 6,
        ("weld", "geometry", "standoff_mm"): 6,
        ("weld", "quoted.key"): 7,
        ("a b",): 8,
        ("a b", "c"): 8,
        ("a b", "c", "d"): 9,
        ("exposures",): 10,
        ("exposures", 0): 10,
        ("exposures", 0, "kind"): 11,
        ("exposures", 0, "list"): 12,
        ("exposures", 0, "list", 0): 13,
        ("exposures", 0, "list", 1): 14,
        ("exposures", 0, "list", 2): 16,
        ("exposures", 0, "list", 2, "x"): 16,
        ("exposures", 0, "list", 2, "y"): 16,
        ("exposures", 0, "list", 2, "y", "z"): 16,
        ("exposures", 0, "list", 2, "y", "z", 0): 16,
        ("exposures", 0, "list", 2, "y", "z", 1): 16,
        ("exposures", 0, "binary"): 18,
        ("exposures", 0, "binary", "rows"): 19,
        ("exposures", 1): 20,
        ("exposures", 1, "kind"): 21,
        ("exposures", 1, "text"): 22,
        ("exposures", 1, "last"): 26,
        ("exposures", 1, "end"): 29,
    }
    assert lines == expected
    assert set(leaves(tomllib.loads(text))) <= set(lines)


def test_windows_line_ends_and_an_empty_file() -> None:
    assert key_lines("") == {}
    assert key_lines("# only a comment") == {}
    assert key_lines("a = 1\r\n\r\n[b]\r\nc = 2\r\n") == {("a",): 1, ("b",): 3, ("b", "c"): 4}


# ---- any TOML at all ----------------------------------------------------------------------------

_BARE = st.text("abcXYZ019_-", min_size=1, max_size=6)
_ANY_CHARACTER = st.characters(codec="utf-8", exclude_categories=("Cc", "Cs"))
_TEXT = st.text(st.one_of(_ANY_CHARACTER, st.sampled_from("#=[]{}.,\"'\\")), max_size=12)


def basic(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


@st.composite
def keys(draw: st.DrawFn) -> tuple[str, str]:
    """A key as it is meant and as it is written."""
    style = draw(st.sampled_from(("bare", "basic", "literal")))
    if style == "bare":
        key = draw(_BARE)
        return key, key
    key = draw(_TEXT)
    return (key, f"'{key}'") if style == "literal" and "'" not in key else (key, basic(key))


_SCALARS = st.one_of(
    st.integers(-(2**40), 2**40).map(str),
    st.floats(allow_nan=True, allow_infinity=True).map(repr),
    st.booleans().map(lambda value: str(value).lower()),
    st.sampled_from(("1979-05-27", "07:32:00", "1979-05-27 07:32:00", "0xFF", "1_000")),
    _TEXT.map(basic),
    _TEXT.filter(lambda text: "'" not in text).map(lambda text: f"'{text}'"),
    st.lists(_TEXT.map(lambda text: basic(text)[1:-1]), max_size=3).map(
        lambda lines: '"""' + "\n".join(lines) + '"""'
    ),
    st.lists(_TEXT.map(lambda text: text.replace("'", "")), max_size=3).map(
        lambda lines: "'''" + "\n".join(lines) + "'''"
    ),
)


@st.composite
def arrays(draw: st.DrawFn, items: st.SearchStrategy[str]) -> str:
    space = st.sampled_from(("", " ", "\n", "\n\n  ", " # a ] comment\n"))
    parts = [f"{draw(space)}{item}{draw(space)}" for item in draw(st.lists(items, max_size=3))]
    comma = "," if parts and draw(st.booleans()) else ""
    return "[" + ",".join(parts) + comma + draw(space) + "]"


@st.composite
def inline_tables(draw: st.DrawFn, items: st.SearchStrategy[str]) -> str:
    names = draw(st.lists(keys(), max_size=3, unique_by=lambda key: key[0]))
    flat = items.filter(lambda text: "\n" not in text)  # inline tables stay on one line
    return "{" + ", ".join(f"{written} = {draw(flat)}" for _, written in names) + "}"


_VALUES = st.recursive(
    _SCALARS, lambda items: st.one_of(arrays(items), inline_tables(items)), max_leaves=5
)


@st.composite
def documents(draw: st.DrawFn) -> str:
    """A valid TOML text; table names are spelt so that they can't collide with keys."""
    lines: list[str] = []

    def pairs() -> None:
        for _, written in draw(st.lists(keys(), max_size=3, unique_by=lambda key: key[0])):
            rest = draw(st.lists(keys(), max_size=1))
            dotted = " . ".join([written, *(part for _, part in rest)])
            lines.append(f"{draw(st.sampled_from(('', '  ')))}{dotted} = {draw(_VALUES)}")
            lines.append(draw(st.sampled_from(("", "# a = 1", "# [b]"))))

    pairs()
    for number in range(draw(st.integers(0, 3))):
        if draw(st.booleans()):
            lines.append(f"[ 'table {number}' ] # x")
            pairs()
        else:
            for _ in range(draw(st.integers(1, 3))):
                lines.append(f"[['list {number}']]")
                pairs()
                if draw(st.booleans()):
                    lines.append(f"['list {number}'.'inner table']")
                    pairs()
    return "\n".join(lines)


def is_valid(text: str) -> bool:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:  # the drawn keys collide
        return False
    return True


@given(documents().filter(is_valid))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_every_leaf_has_a_line_that_shows_its_key(text: str) -> None:
    lines = key_lines(text)
    written = text.split("\n")
    for path in leaves(tomllib.loads(text)):
        assert path in lines, path
        key = next(part for part in reversed(path) if isinstance(part, str))
        if isinstance(path[-1], str):
            shown = written[lines[path] - 1]
            assert key in shown or basic(key) in shown


@given(documents().filter(is_valid))
@settings(max_examples=50, deadline=None, derandomize=True)
def test_lines_are_those_at_which_tomllib_meets_the_keys(text: str) -> None:
    """Cut above a key's line the file no longer has the key; cut below its value it does."""
    whole = tomllib.loads(text)
    written = text.split("\n")
    for path, line in key_lines(text).items():
        if len(path) > 1 or not isinstance(path[0], str):
            continue
        assert path[0] in whole
        above = "\n".join(written[: line - 1])
        assert is_valid(above)
        assert path[0] not in tomllib.loads(above)
