"""What stands beside the link: a supply over serial."""

from .dialect import LAG_MS, Dialect, load_dialect
from .supplied_link import Setting, SuppliedLink
from .supply import Reading, Supply, open_supply

__all__ = [
    "LAG_MS",
    "Dialect",
    "Reading",
    "Setting",
    "SuppliedLink",
    "Supply",
    "load_dialect",
    "open_supply",
]
