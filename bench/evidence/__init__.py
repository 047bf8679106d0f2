"""The full studies behind what the documents claim; each writes a dated page into docs/evidence."""

from bench.evidence.page import Page, Table

__all__ = ["Page", "Table"]
