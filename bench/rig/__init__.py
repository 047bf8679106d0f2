"""What stands beside the link: a supply over serial."""

from .dialect import Dialect, load_dialect
from .supply import Reading, Supply, open_supply

__all__ = ["Dialect", "Reading", "Supply", "load_dialect", "open_supply"]
