"""The TOML writer against tomllib: what is written reads back as it was."""

from __future__ import annotations

import tomllib
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.config.toml_text import dump_toml, inline

_TEXT = st.text(st.characters(codec="utf-8"), max_size=12)
_VALUES = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(2**63), 2**63 - 1),
        st.floats(allow_nan=False),
        _TEXT,
    ),
    lambda items: st.one_of(st.lists(items, max_size=3), st.dictionaries(_TEXT, items, max_size=3)),
    max_leaves=12,
)


@given(st.dictionaries(_TEXT, _VALUES, max_size=4))
@settings(max_examples=150, deadline=None, derandomize=True)
def test_reads_back_equal(values: dict[str, object]) -> None:
    text = dump_toml(values)
    assert tomllib.loads(text) == values
    assert dump_toml(values) == text


def test_types_stay_what_they_were() -> None:
    values = {"whole": 10, "real": 10.0, "tiny": 1e-20, "yes": True, "text": "true"}
    read = tomllib.loads(dump_toml(values))
    assert {key: type(value) for key, value in read.items()} == {
        key: type(value) for key, value in values.items()
    }


def test_layout_is_that_of_a_hand_written_file() -> None:
    values = {
        "weld": {"inner": {"b": [1, 2]}, "id": "W-1"},
        "exposures": [{"kind": "dark"}, {"kind": "flat", "dose": 2.5}],
        "odd key": {"x": 'say "no"\n'},
    }
    assert dump_toml(values) == (
        '[weld]\nid = "W-1"\n\n[weld.inner]\nb = [1, 2]\n\n'
        '["odd key"]\nx = "say \\"no\\"\\n"\n\n'
        '[[exposures]]\nkind = "dark"\n\n[[exposures]]\nkind = "flat"\ndose = 2.5\n'
    )


def test_what_toml_has_no_place_for_is_refused() -> None:
    with pytest.raises(TypeError, match="NoneType can't be written as TOML"):
        inline(None)
    with pytest.raises(TypeError, match="date can't be written as TOML"):
        dump_toml({"day": date(2026, 1, 1)})
