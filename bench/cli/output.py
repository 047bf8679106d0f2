"""What commands share in talking: one JSON document, or text for people."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping
from typing import Any

from bench.core.errors import Complaint
from bench.report.text import printable


def print_json(document: Mapping[str, Any]) -> None:
    """One document on standard output, keys in the order given."""
    print(json.dumps(document, indent=2, ensure_ascii=False))


def print_lines(lines: Iterable[str]) -> None:
    """Text for people on standard output."""
    for line in lines:
        print(printable(line))


def warn(complaints: Iterable[Complaint]) -> None:
    """Complaints on standard error, one a line."""
    for complaint in complaints:
        print(f"hardstand: {printable(complaint.render())}", file=sys.stderr)


def complaint_document(complaint: Complaint) -> dict[str, Any]:
    """A complaint as JSON data."""
    keys = ("severity", "text", "path", "line", "column", "expected", "advice")
    return {key: getattr(complaint, key) for key in keys}
