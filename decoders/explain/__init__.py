"""Any request or answer explained byte by byte, as ``mendproof decode`` shows it."""

from decoders.explain.explanation import explain
from decoders.explain.values import Direction, Explanation, Known, Part

__all__ = ["Direction", "Explanation", "Known", "Part", "explain"]
