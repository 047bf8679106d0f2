"""The virtual box: its own tables, firmware, electrics and faults. Pure: it is told the time."""

from bench.twin.faults import Fault
from bench.twin.loader import boats, load_tables, parse_tables
from bench.twin.tables import Tables
from bench.twin.twin import Truth, Twin

__all__ = ["Fault", "Tables", "Truth", "Twin", "boats", "load_tables", "parse_tables"]
