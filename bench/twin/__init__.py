"""The virtual box: its own tables, firmware, electrics and faults. Pure: it is told the time."""

from bench.twin.loader import boats, load_tables, parse_tables
from bench.twin.tables import Tables

__all__ = ["Tables", "boats", "load_tables", "parse_tables"]
