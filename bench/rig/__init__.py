"""What stands beside the link: a supply over serial."""

from .dialect import Dialect, load_dialect
from .supplied_link import Setting, SuppliedLink
from .supply import Reading, Supply, open_supply

__all__ = ["Dialect", "Reading", "Setting", "SuppliedLink", "Supply", "load_dialect", "open_supply"]
