"""``--vary`` as people write it."""

from __future__ import annotations

import pytest

from pipeline.batch.vary import setting_text, settings_of
from pipeline.errors import InputError


def test_every_combination_comes_after_the_config_itself() -> None:
    found = settings_of(["a.b=1, 2", 'a.c=[1, 2],"x,y",true,word'])
    assert found[0] == {}
    assert len(found) == 1 + 2 * 4
    assert found[1] == {"a.b": 1, "a.c": [1, 2]}
    assert found[2] == {"a.b": 1, "a.c": "x,y"}
    assert found[7] == {"a.b": 2, "a.c": True}
    assert found[8] == {"a.b": 2, "a.c": "word"}
    assert [setting_text(one) for one in (found[0], found[2])] == [
        "as in the config",
        'a.b = 1, a.c = "x,y"',
    ]


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (["patch_px"], "isn't understood"),
        (["=1"], "isn't understood"),
        (["a="], "isn't understood"),
        (["a=1", "a=2"], "names a key again"),
        ([f"a={','.join(map(str, range(20)))}", f"b={','.join(map(str, range(10)))}"], "200"),
    ],
)
def test_what_makes_no_sense_is_refused(told: list[str], said: str) -> None:
    with pytest.raises(InputError, match=said):
        settings_of(told)
