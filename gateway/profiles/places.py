"""Where in a TOML text a key stands, so that an error can name its line. The standard parser does not say."""

from __future__ import annotations

import re
from itertools import accumulate

Index = tuple[int, ...]

_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')"""
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]")
_ASSIGNMENT = re.compile(rf"\s*({_DOTTED})\s*=")
_MULTI_LINE = re.compile(r'"""|\'\'\'')


class Places:
    """The lines of a TOML text: of each table, and of the keys in it.

    A table is named by its dotted name and its index: for each array of tables it lies in, the outermost first, its
    place from 0. Tables written inline have no line of their own: the nearest line above them is given.
    """

    def __init__(self, text: str) -> None:
        self._lines: dict[tuple[str, Index, str], int] = {}
        self._arrays: dict[str, int] = {}
        table: str = ""
        index: Index = ()
        inner = ""
        is_inside_text = False
        for number, line in enumerate(text.split("\n"), start=1):
            starts_inside_text = is_inside_text
            if len(_MULTI_LINE.findall(line)) % 2:
                is_inside_text = not is_inside_text
            if starts_inside_text:
                continue
            if header := _HEADER.match(line):
                table, index, inner = self._enter(_parts(header[2]), is_array=header[1] == "[[")
                self._lines.setdefault((table, index, inner), number)
            elif assignment := _ASSIGNMENT.match(line):
                key = inner or _parts(assignment[1])[0]
                self._lines.setdefault((table, index, key), number)

    def _enter(self, parts: list[str], *, is_array: bool) -> tuple[str, Index, str]:
        """The table that a header opens, which is the innermost array of tables or else the first part, and a key."""
        paths = list(accumulate(parts, "{}.{}".format))
        if is_array:
            path = paths[-1]
            self._arrays[path] = self._arrays.get(path, -1) + 1
            for deeper in [name for name in self._arrays if name.startswith(f"{path}.")]:
                del self._arrays[deeper]
        arrays = [path for path in paths if path in self._arrays]
        table = arrays[-1] if arrays else paths[0]
        return table, tuple(self._arrays[path] for path in arrays), "".join(parts[paths.index(table) + 1 :][:1])

    def line_of(self, table: str, index: Index, key: str) -> int:
        """The line of a key, else of its table, else of the key or table that holds the table, else 1.

        At the root (table ``""``) a key may be a table itself.
        """
        tries = [(table, index, key), (table or key, index, ""), (key, (0,), "")]
        while table:
            outer, _, inner = table.rpartition(".")
            tries += [(table, index, ""), (table, (), ""), (outer, index[:-1], inner)]
            table, index = outer, index[:-1]
        return next((self._lines[place] for place in tries if place in self._lines), 1)


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in re.findall(_KEY, dotted)]
