"""The reviewer's own type words, out of a text file: a word, or a few, a line."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import InputError
from pipeline.io.csv_text import read_text

_MOST_WORDS, _LONGEST = 200, 80


def read_words(path: Path) -> tuple[str, ...]:
    """The words in the file's order; empty lines and repeats don't count.

    Raises:
        InputError: the file can't be read, holds no words, too many or too long ones.
    """
    lines = [
        " ".join(line.split())
        for line in read_text(path, "text", "Check the file's name").splitlines()
    ]
    found = tuple(dict.fromkeys(line for line in lines if line))
    long = next((number for number, line in enumerate(lines, 1) if len(line) > _LONGEST), None)
    if long is not None:
        raise InputError(
            "is too long", where=f"{path}:{long}", expected=f"at most {_LONGEST} characters"
        )
    if not 0 < len(found) <= _MOST_WORDS:
        raise InputError(
            f"holds {len(found)} words",
            where=str(path),
            expected=f"1 to {_MOST_WORDS}, a line each",
        )
    return found
