"""The order in which a recording of another logger is told; `bench.session.early` makes it."""

from bench.session.early import causes_first, is_control, numbered

__all__ = ["causes_first", "is_control", "numbered"]
