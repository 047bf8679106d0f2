"""Bench harness that proves a configured marine switching box does what its spec says, over CAN."""

__version__ = "0.1.0"
