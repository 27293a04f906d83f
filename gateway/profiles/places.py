"""Where in a TOML text a key stands, so that an error can name its line. The standard parser does not say."""

from __future__ import annotations

import re
from collections import Counter

_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')"""
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]")
_ASSIGNMENT = re.compile(rf"\s*({_DOTTED})\s*=")
_MULTI_LINE = re.compile(r'"""|\'\'\'')


class Places:
    """The lines of a TOML text: of each table, and of the keys in it.

    A table is named by its name and, in an array of tables, its index from 0. Tables written inline have no
    line of their own: the nearest line above them is given.
    """

    def __init__(self, text: str) -> None:
        self._lines: dict[tuple[str, int, str], int] = {}
        counts: Counter[str] = Counter()
        table, index, inner = "", 0, ""
        is_inside_text = False
        for number, line in enumerate(text.split("\n"), start=1):
            starts_inside_text = is_inside_text
            if len(_MULTI_LINE.findall(line)) % 2:
                is_inside_text = not is_inside_text
            if starts_inside_text:
                continue
            if header := _HEADER.match(line):
                table, inner, *_ = [*_parts(header[2]), ""]
                if header[1] == "[[" and not inner:
                    counts[table] += 1
                index = max(0, counts[table] - 1)
                self._lines.setdefault((table, index, inner), number)
            elif assignment := _ASSIGNMENT.match(line):
                key = inner or _parts(assignment[1])[0]
                self._lines.setdefault((table, index, key), number)

    def line_of(self, table: str, index: int, key: str) -> int:
        """The line of a key, else of its table, else of the key that holds the table, else 1.

        At the root (table ``""``) a key may be a table itself.
        """
        tries = ((table, index, key), (table or key, index, ""), ("", 0, table))
        return next((self._lines[place] for place in tries if place in self._lines), 1)


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in re.findall(_KEY, dotted)]
