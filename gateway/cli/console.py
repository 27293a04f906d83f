"""The terminal: what is printed there, how long its lines are, and what happens when its reader has gone."""

from __future__ import annotations

import os
import re
import sys
import textwrap

from rich.console import Console

PIPED_WIDTH = 100
"""Columns of a line that no terminal limits."""

_FIXED_SPACE = "\N{NO-BREAK SPACE}"
_UNIT_SPACE = re.compile(r"(?<=\d) (?=\S{1,4}(?:\W|$))")  # a number keeps its unit on the same line


def silence_stdout() -> None:
    """Send the rest of the output nowhere: its reader has gone, which is no fault of the command's."""
    with open(os.devnull, "wb") as nowhere:
        os.dup2(nowhere.fileno(), sys.stdout.fileno())


class Terminal(Console):
    """Goes on without output when the reader has gone: work at a vehicle must not end half-way for that."""

    def on_broken_pipe(self) -> None:
        """Called by rich when a write failed because nobody reads."""
        silence_stdout()


def folded(console: Console, text: str, hang: int) -> str:
    """The text in lines that fit, the second and later ones indented.

    Args:
        console: where it will be printed.
        text: one line.
        hang: spaces before each further line.
    """
    width = console.width if console.is_terminal else PIPED_WIDTH
    lead = text[: len(text) - len(text.lstrip())]
    return textwrap.fill(
        _UNIT_SPACE.sub(_FIXED_SPACE, text.lstrip()),
        max(width, hang + 40),
        initial_indent=lead,
        subsequent_indent=" " * hang,
        break_on_hyphens=False,
        break_long_words=False,
    ).replace(_FIXED_SPACE, " ")
