"""The virtual box: its own tables, firmware, electrics and faults. Pure: it is told the time."""

from bench.twin.faults import Expected, Fault, FaultKind, fault_kinds
from bench.twin.loader import boats, load_tables, parse_tables
from bench.twin.tables import Tables
from bench.twin.twin import Truth, Twin

__all__ = [
    "Expected",
    "Fault",
    "FaultKind",
    "Tables",
    "Truth",
    "Twin",
    "boats",
    "fault_kinds",
    "load_tables",
    "parse_tables",
]
