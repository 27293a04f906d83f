"""What the bench raises when it is asked for something it cannot do."""

from __future__ import annotations


class BenchError(ValueError):
    """An unknown scenario, an unknown action, or one that is impossible now; one line for the user."""
