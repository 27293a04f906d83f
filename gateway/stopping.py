"""Who ended something that was under way: the person at the keyboard, or a signal from elsewhere."""

from __future__ import annotations

import threading

BY_HAND, BY_SIGNAL = "stopped by hand", "stopped by a signal"


class Stop(threading.Event):
    """Set it to end what is under way.

    Attributes:
        words: how it came to be set, for the journal; write it before setting the event.
    """

    def __init__(self) -> None:
        super().__init__()
        self.words = BY_HAND


def stop_words(stop: threading.Event) -> str:
    """How it came to be set; an event that does not tell was set by hand."""
    return stop.words if isinstance(stop, Stop) else BY_HAND
