"""A recording of several interfaces: each identifier of the boat may come on one of them only.

The same bus on two interfaces shows everything twice, two boats on two buses show two states: neither can
be judged as one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NoReturn

import numpy as np

from bench.core.entry import Entry
from bench.core.errors import Complaint, UsageError
from bench.core.frame import Frame
from bench.definitions import Definitions
from bench.session.columns import EXTENDED, Columns

from .joined import Recording


class _Interfaces:
    """On which interface each identifier came, once there are several; those that are none of the boat's do
    not count."""

    def __init__(self, definitions: Definitions, recording: Recording) -> None:
        self._definitions, self._recording = definitions, recording
        self._bus_of: dict[tuple[int, bool], str] = {}

    def came(self, can_id: int, extended: bool, bus: str) -> None:
        key = can_id, extended
        known = self._bus_of.get(key)
        if known is None:
            routes = self._definitions.routes
            is_ours = any(e == extended and not (i ^ can_id) & mask for i, mask, e, _ in routes)
            self._bus_of[key] = bus if is_ours else ""
        elif known and known != bus:
            self._refuse(can_id, known, bus)

    def _refuse(self, can_id: int, one: str, other: str) -> NoReturn:
        text = f"frames of this boat with identifier {can_id:X} came on {one} and on {other}"
        advice = f"keep one interface and judge that, such as: grep ' {one} ' IN > OUT"
        path = str(self._recording.path)
        raise UsageError(Complaint(text, path, expected="each on one interface", advice=advice))


def entries_of_one_interface(
    entries: Iterable[Entry], definitions: Definitions, recording: Recording
) -> Iterator[Entry]:
    """The entries as they are. Raises: UsageError where an identifier of the boat came on two interfaces."""
    seen, names = _Interfaces(definitions, recording), set[str]()
    for entry in entries:
        if isinstance(entry, Frame):
            names.add(entry.bus)
            if len(names) > 1:
                seen.came(entry.can_id, entry.extended, entry.bus)
        yield entry


def of_one_interface(
    chunks: Iterable[Columns], definitions: Definitions, recording: Recording
) -> Iterator[Columns]:
    """The chunks as they are. Raises: UsageError where an identifier of the boat came on two interfaces."""
    seen, are_several = _Interfaces(definitions, recording), False
    for chunk in chunks:
        if len(chunk.buses) > 1:
            first = 0 if are_several else int(np.argmax(chunk.bus > 0))
            are_several = True
            pairs = np.unique(chunk.can_id[first:].astype(np.uint64) << np.uint64(8) | chunk.bus[first:])
            for pair in pairs.tolist():
                raw_id, bus = pair >> 8, min(pair & 0xFF, len(chunk.buses) - 1)
                seen.came(raw_id & 0x1FFFFFFF, raw_id >= EXTENDED, chunk.buses[bus])
        yield chunk
