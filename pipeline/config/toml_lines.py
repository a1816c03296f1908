"""Which line of a TOML text each key stands on.

``tomllib`` reads values but forgets where they stood. This scanner walks the same text and keeps
nothing but the places: it understands just enough of the grammar (tables, arrays of tables, dotted
and quoted keys, the four kinds of string, nested arrays and inline tables, comments) to know where
a value ends. It trusts that the text is valid, so ``tomllib`` reads it first.
"""

from __future__ import annotations

import tomllib

KeyPath = tuple[str | int, ...]
"""Keys from the outside in; an element of an array counts with its index."""

_BLANK = " \t\r"
_END_OF_SCALAR = ",]}#\n"


def key_lines(text: str) -> dict[KeyPath, int]:
    """The line (from 1) of every key, table header and array element of a valid TOML text.

    A table that is only named as a part of a longer key (``a`` in ``a.b = 1``) has the line of the
    first key that names it. The empty path, which is the whole file, is not among the keys.
    """
    return _Scanner(text).scan()


class _Scanner:
    """A position in the text, moving forward, and the lines found so far."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line = 1
        self._lines: dict[KeyPath, int] = {}
        self._elements: dict[KeyPath, int] = {}  # arrays of tables: how many elements so far

    def scan(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        while self._skip_space():
            if self._text.startswith("[[", self._at):
                table = self._header(2)
            elif self._peek() == "[":
                table = self._header(1)
            else:
                self._pair(table)
        return self._lines

    def _header(self, brackets: int) -> KeyPath:
        """Read ``[a.b]`` or ``[[a.b]]``; return the table that the pairs below belong to."""
        line = self._line
        self._move(brackets)
        *outer, last = self._key()
        self._move(brackets)
        path: KeyPath = ()
        for part in outer:
            path = self._current((*path, part))
            self._lines.setdefault(path, line)
        path = (*path, last)
        self._lines.setdefault(path, line)
        if brackets == 2:
            self._elements[path] = self._elements.get(path, 0) + 1
        path = self._current(path)
        self._lines.setdefault(path, line)
        return path

    def _current(self, path: KeyPath) -> KeyPath:
        """The last element when ``path`` is an array of tables, else ``path`` itself."""
        count = self._elements.get(path)
        return path if count is None else (*path, count - 1)

    def _pair(self, table: KeyPath) -> None:
        """Read ``key = value``."""
        path = table
        self._skip_blank()
        line = self._line
        for part in self._key():
            path = (*path, part)
            self._lines.setdefault(path, line)
        self._move(1)  # =
        self._value(path)

    def _key(self) -> list[str]:
        """Read a dotted key up to, not including, its ``=`` or ``]``."""
        parts: list[str] = []
        while True:
            self._skip_blank()
            start = self._at
            if self._peek() in "\"'":
                self._string()
                parts.append(next(iter(tomllib.loads(f"{self._text[start : self._at]} = 0"))))
            else:
                while self._peek() not in ".=]" + _BLANK:
                    self._move(1)
                parts.append(self._text[start : self._at])
            self._skip_blank()
            if self._peek() != ".":
                return parts
            self._move(1)

    def _value(self, path: KeyPath) -> None:
        self._skip_blank()
        first = self._peek()
        if first in "\"'":
            self._string()
        elif first == "[":
            self._array(path)
        elif first == "{":
            self._inline_table(path)
        else:
            while self._at < len(self._text) and self._peek() not in _END_OF_SCALAR:
                self._move(1)

    def _array(self, path: KeyPath) -> None:
        self._move(1)
        index = 0
        while self._skip_space() and self._peek() != "]":
            if self._peek() == ",":
                self._move(1)
                continue
            self._lines.setdefault((*path, index), self._line)
            self._value((*path, index))
            index += 1
        self._move(1)

    def _inline_table(self, path: KeyPath) -> None:
        self._move(1)
        while self._skip_space() and self._peek() != "}":
            if self._peek() == ",":
                self._move(1)
                continue
            self._pair(path)
        self._move(1)

    def _string(self) -> None:
        quote = self._peek()
        fence = quote * 3 if self._text.startswith(quote * 3, self._at) else quote
        self._move(len(fence))
        while not self._text.startswith(fence, self._at):
            # In basic strings a backslash takes the next character with it, a quote included.
            self._move(2 if quote == '"' and self._peek() == "\\" else 1)
        self._move(len(fence))
        # A multi-line string may end in one or two quotes of its own before the closing three.
        while len(fence) == 3 and self._peek() == quote:
            self._move(1)

    def _peek(self) -> str:
        return self._text[self._at : self._at + 1]

    def _move(self, characters: int) -> None:
        self._line += self._text.count("\n", self._at, self._at + characters)
        self._at += characters

    def _skip_blank(self) -> None:
        while self._peek() and self._peek() in _BLANK:
            self._move(1)

    def _skip_space(self) -> bool:
        """Move past blanks, line ends and comments; False at the end of the text."""
        while self._at < len(self._text):
            if self._peek() == "#":
                end = self._text.find("\n", self._at)
                self._move((len(self._text) if end < 0 else end) - self._at)
            elif self._peek().isspace():
                self._move(1)
            else:
                return True
        return False
