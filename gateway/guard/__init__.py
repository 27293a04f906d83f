"""The guard: between every caller and every link, it refuses whatever is not on the list."""

from gateway.guard.guard import ClearPermit, Guard, GuardedLink, Phase, open_guarded

__all__ = ["ClearPermit", "Guard", "GuardedLink", "Phase", "open_guarded"]
