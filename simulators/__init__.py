"""The bench: a simulated vehicle with a real fault memory, served on a virtual CAN bus.

Of this project's own code it uses only the value types; its encoders are written independently of the
decoders, so that a mistake in one cannot hide a mistake in the other.
"""
