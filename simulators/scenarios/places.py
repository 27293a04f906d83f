"""Where in a TOML text each value stands, so that an error can name its line. The standard parser does not say."""

from __future__ import annotations

import re

Path = tuple[str | int, ...]
"""How one gets to a value: names of keys, and places from 0 in lists."""

_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}'  # text over several lines, which may end in quotes of its own
    r'|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\''
    r"|\#[^\n]*|\n|[\[\]{},=.]|[^\s\"'#\[\]{},=.]+",
    re.DOTALL,
)
_ENDS = {",", "]", "}", "\n", ""}


class Places:
    """The line of each value of a TOML text.

    Args:
        text: a text that the standard parser reads without an error.
    """

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        self._tokens = [(match[0], match.start()) for match in _TOKEN.finditer(text) if match[0][0] != "#"]
        self._tokens.append(("", len(text)))
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self._at = 0
        self._line = 1
        table: Path = ()
        while self._next:
            if self._next == "\n":
                self._take()
            elif self._next == "[":
                table = self._header()
            else:
                self._pair(table)

    def line(self, path: Path) -> int:
        """The line of a value, or of the nearest thing around it that has one."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._lines:
                return self._lines[path[:length]]
        return 1

    @property
    def _next(self) -> str:
        return self._tokens[self._at][0]

    def _take(self) -> str:
        token, start = self._tokens[self._at]
        self._at += 1
        # Only forward: the tokens come in the order of the text.
        while self._line < len(self._starts) and self._starts[self._line] <= start:
            self._line += 1
        return token

    def _header(self) -> Path:
        """A table's name in brackets: where it lies, counting the rows of lists of tables."""
        brackets = 0
        while self._next == "[":
            brackets += len(self._take())
        *outer, last = self._key()
        path: Path = ()
        for part in outer:
            path = self._row((*path, part))
        path = (*path, last)
        if brackets > 1:
            self._counts[path] = self._counts.get(path, -1) + 1
            self._lines.setdefault(path, self._line)
        path = self._row(path)
        self._lines.setdefault(path, self._line)
        while self._next == "]":
            self._take()
        return path

    def _row(self, path: Path) -> Path:
        """In a list of tables its newest row, else the path itself."""
        return (*path, self._counts[path]) if path in self._counts else path

    def _key(self) -> list[str]:
        parts = [self._take().strip("\"'")]
        while self._next == ".":
            self._take()
            parts.append(self._take().strip("\"'"))
        return parts

    def _pair(self, table: Path) -> None:
        path = table
        for part in self._key():
            path = (*path, part)
            self._lines.setdefault(path, self._line)
        self._take()  # the sign of equality
        self._value(path)

    def _value(self, path: Path) -> None:
        opening = self._take()
        self._lines.setdefault(path, self._line)
        if opening not in "[{":
            while self._next not in _ENDS:
                self._take()
            return
        closing, nth = {"[": "]", "{": "}"}[opening], 0
        while self._next != closing:
            if self._next in ("\n", ","):
                self._take()
            elif opening == "[":
                self._value((*path, nth))
                nth += 1
            else:
                self._pair(path)
        self._take()
