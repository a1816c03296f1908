"""``--vary key=v1,v2 …`` as settings to be tried: every combination of the values."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from itertools import product

from pipeline.config.toml_text import inline
from pipeline.errors import InputError

Setting = Mapping[str, object]
"""Dotted key of the config → value that replaces it; empty: the config as it is."""

_MOST = 200


def settings_of(told: Sequence[str]) -> Sequence[Setting]:
    """The config as it is, then every combination of the values told, in their order.

    Raises:
        InputError: a text isn't ``key=v1,v2``, a key stands twice, or there are too many.
    """
    varied: dict[str, list[object]] = {}
    for text in told:
        key, equals, values = text.partition("=")
        key = key.strip()
        if not (equals and key and values.strip()) or key in varied:
            raise InputError(
                f"--vary {text!r} "
                + ("names a key again" if key in varied else "isn't understood"),
                expected="key=v1,v2 once for each key, such as stages.registration.patch_px=64,128",
            )
        varied[key] = [_value(one) for one in _split(values)]
    found: list[Setting] = [{}]
    found += [dict(zip(varied, values, strict=True)) for values in product(*varied.values())]
    if len(found) > _MOST:
        raise InputError(
            f"{len(found) - 1} combinations are more than anybody looks at",
            expected=f"at most {_MOST - 1}",
            remedy="Vary fewer keys at once",
        )
    return found


def setting_text(setting: Setting) -> str:
    """A setting for people: ``stages.registration.patch_px = 64``."""
    if not setting:
        return "as in the config"
    return ", ".join(f"{key} = {inline(value)}" for key, value in setting.items())


def _split(values: str) -> Sequence[str]:
    """At commas outside of brackets and quotes."""
    parts, depth, quoted = [""], 0, False
    for letter in values:
        quoted ^= letter == '"'
        depth += (letter in "[{") - (letter in "]}")
        if letter == "," and not depth and not quoted:
            parts.append("")
        else:
            parts[-1] += letter
    return [part.strip() for part in parts]


def _value(text: str) -> object:
    """As TOML has it; a bare word is a text."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except (ValueError, KeyError):
        return text
