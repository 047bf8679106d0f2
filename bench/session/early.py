"""A recording of another logger, put into an order in which no effect comes before its cause.

Its stamps are late by up to the declared jitter, each by its own amount: a key's frame may be stamped
after the report of what it did. So each stimulus is taken at the earliest instant that its stamp allows,
and every report as it is stamped; between a stimulus and a report lies then, beside what the box takes,
twice the jitter at most. Frames of one identifier are taken to stand in the order in which they came, as in
any queue.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator

from bench.core.entry import Entry
from bench.core.frame import Frame
from bench.definitions import Definitions


def causes_first(
    entries: Iterable[tuple[Entry, int | None]],
    definitions: Definitions,
    jitter_ns: int,
    out_of_order: Callable[[int, int], None] = lambda t_ns, latest_ns: None,
) -> Iterator[tuple[Entry, int | None]]:
    """Entries, with the numbers of those that are frames, by their instants; frames of panels, screens and
    sensors `jitter_ns` earlier than stamped. `out_of_order(t_ns, latest_ns)` is told of each that comes too
    late to be put in order. Memory: what comes within twice the jitter."""
    held: list[tuple[int, int, Entry, int | None]] = []
    known: dict[tuple[int, bool], bool] = {}
    latest_ns = -(1 << 62)
    for order, (entry, number) in enumerate(entries):
        at_ns = entry.t_ns
        if isinstance(entry, Frame):
            key = entry.can_id, entry.extended
            if key not in known:
                known[key] = is_control(definitions, *key)
            if known[key]:
                at_ns -= jitter_ns
                entry = entry._replace(t_ns=at_ns)
        if at_ns < latest_ns - 2 * jitter_ns:
            out_of_order(at_ns, latest_ns)
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


def numbered(entries: Iterable[Entry], first: int = 0) -> Iterator[tuple[Entry, int | None]]:
    """Entries with the numbers of those that are frames."""
    for entry in entries:
        if isinstance(entry, Frame):
            yield entry, first
            first += 1
        else:
            yield entry, None


def is_control(definitions: Definitions, can_id: int, extended: bool) -> bool:
    """Whether frames of this identifier are of a panel, a screen or a sensor, or wake a box."""
    if any(r[2] == extended and not (r[0] ^ can_id) & r[1] for r in definitions.reports):
        return False
    carriers = [c.carrier for c in definitions.controls]
    return any(c.extended == extended and not (c.can_id ^ can_id) & c.id_mask for c in carriers)
