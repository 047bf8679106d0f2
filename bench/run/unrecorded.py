"""For runs whose recording nobody wants: stamps are cut as a recorder would cut them."""

from __future__ import annotations

from bench.core.entry import Entry


class Unrecorded:
    """Writes nothing."""

    failed: str | None = None

    def write(self, entry: Entry) -> Entry:
        """The entry with its stamp cut to whole microseconds."""
        rest = entry.t_ns % 1000
        return entry._replace(t_ns=entry.t_ns - rest) if rest else entry

    def add_to_header(self, **more: object) -> None:
        """Nothing to add to."""

    def close(self, **more: object) -> None:
        """Nothing to close."""
