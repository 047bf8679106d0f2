"""A recording of another logger, put into an order in which no effect comes before its cause.

Its stamps are late by up to the declared jitter, each by its own amount: a key's frame may be stamped
after the report of what it did. So each stimulus is taken at the earliest instant that its stamp allows,
and every report as it is stamped; between a stimulus and a report lies then, beside what the box takes,
twice the jitter at most. Frames of one identifier are taken to stand in the order in which they came, as in
any queue.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator

from bench.core.entry import Entry
from bench.core.frame import Frame
from bench.definitions import Definitions


def causes_first(
    entries: Iterable[Entry], definitions: Definitions, jitter_ns: int
) -> Iterator[tuple[Entry, int | None]]:
    """Entries by their instants, frames of panels, screens and sensors `jitter_ns` earlier than stamped;
    with each frame its number in the recording. Memory: what comes within twice the jitter."""
    held: list[tuple[int, int, Entry, int | None]] = []
    is_control: dict[tuple[int, bool], bool] = {}
    frames = -1
    latest_ns = -(1 << 62)
    for order, entry in enumerate(entries):
        number = None
        at_ns = entry.t_ns
        if isinstance(entry, Frame):
            frames += 1
            number = frames
            key = entry.can_id, entry.extended
            if key not in is_control:
                is_control[key] = _is_control(definitions, *key)
            if is_control[key]:
                at_ns -= jitter_ns
                entry = entry._replace(t_ns=at_ns)
        heapq.heappush(held, (at_ns, order, entry, number))
        latest_ns = max(latest_ns, at_ns)
        while held[0][0] <= latest_ns - jitter_ns:
            _, _, first, its_number = heapq.heappop(held)
            yield first, its_number
            if not held:
                break
    while held:
        _, _, entry, number = heapq.heappop(held)
        yield entry, number


def _is_control(definitions: Definitions, can_id: int, extended: bool) -> bool:
    if any(r[2] == extended and not (r[0] ^ can_id) & r[1] for r in definitions.reports):
        return False
    carriers = [c.carrier for c in definitions.controls]
    return any(c.extended == extended and not (c.can_id ^ can_id) & c.id_mask for c in carriers)
