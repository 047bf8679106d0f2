"""What current a load should draw, and how far a report of it may be trusted."""

from .bands import LOAD_KINDS, OFF_LIMIT_A, Band, Load, band
from .drawn import Drawn, drawn, wander_a

__all__ = ["LOAD_KINDS", "OFF_LIMIT_A", "Band", "Drawn", "Load", "band", "drawn", "wander_a"]
