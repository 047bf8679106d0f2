"""A seeded defect: a kind and its argument, applied to the tables or to what a box can suffer."""

from __future__ import annotations

from dataclasses import dataclass

from bench.twin.quirks import Quirks
from bench.twin.tables import Tables


@dataclass(frozen=True, slots=True)
class Fault:
    kind: str
    argument: str = ""

    def apply(self, tables: Tables, quirks: Quirks) -> Tables:
        """The defective tables; firmware and wiring defects are noted in `quirks`."""
        return tables
