"""Listening to a link and saying what was heard."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import asdict, dataclass

from bench.cli.output import print_json, print_lines
from bench.core.clock import SystemClock
from bench.core.entry import AdapterLate, Dropped, Entry, HostLate, LinkLost
from bench.core.frame import RX, Frame
from bench.core.link import Link, LinkStatistics
from bench.definitions.frame_length import nominal_bits, worst_case_bits
from bench.report.text import table

MS = 1_000_000


@dataclass(slots=True)
class Heard:
    """Frames of one identifier: how many, how far apart, the latest data as hex."""

    identifier: str
    frames: int = 0
    least_ms: float | None = None
    most_ms: float | None = None
    latest: str = ""
    last_ns: int = 0

    def add(self, frame: Frame) -> None:
        """One more."""
        if self.frames:
            apart_ms = (frame.t_ns - self.last_ns) / MS
            self.least_ms = apart_ms if self.least_ms is None else min(self.least_ms, apart_ms)
            self.most_ms = apart_ms if self.most_ms is None else max(self.most_ms, apart_ms)
        self.frames += 1
        self.last_ns = frame.t_ns
        self.latest = frame.data.hex().upper()


class Listening:
    """What came out of a link while it was listened to."""

    def __init__(self) -> None:
        self.heard: dict[str, Heard] = {}
        self.error_frames = self.lost = self.nominal_bits = self.worst_bits = 0
        self.late_ms = self.adapter_late_ms = 0.0
        self.ended = ""

    def add(self, entries: Iterable[Entry]) -> None:
        """Count them."""
        for entry in entries:
            if isinstance(entry, Frame):
                if entry.direction == RX:
                    self._frame(entry)
            elif isinstance(entry, Dropped):
                self.lost += entry.lost
            elif isinstance(entry, HostLate):
                self.late_ms = max(self.late_ms, entry.late_ms)
            elif isinstance(entry, AdapterLate):
                self.adapter_late_ms = max(self.adapter_late_ms, entry.late_ms)
            elif isinstance(entry, LinkLost):
                self.ended = entry.reason

    def _frame(self, frame: Frame) -> None:
        if frame.error:
            self.error_frames += 1
            return
        name = frame.describe().partition("#")[0]
        self.heard.setdefault(name, Heard(name)).add(frame)
        if len(frame.data) <= 8:
            self.nominal_bits += nominal_bits(len(frame.data), extended=frame.extended)
            self.worst_bits += worst_case_bits(len(frame.data), extended=frame.extended)


def probe(args: argparse.Namespace) -> int:
    """`hardstand probe`. Blocks: for as long as was asked. Raises: UsageError, BenchError."""
    from bench.link import open_link

    clock = SystemClock()
    link = open_link(args.link, clock)
    try:
        loop_ms = link.loop_test()
        listening, for_s = _listen(link, clock, args.for_s)
        counted, timely = link.statistics(), link.facts.timely
    finally:
        link.close()
    _, _, rate = args.link.rpartition("@")
    bitrate = int(rate) if "@" in args.link else 250_000
    status = 3 if listening.ended or listening.lost else 0
    document = _document(listening, counted, for_s, loop_ms, bitrate, timely=timely)
    if args.json:
        print_json({"status": status, "link": args.link, **document})
    else:
        print_lines(_words(args.link, document, listening, for_s))
    return status


def _listen(link: Link, clock: SystemClock, for_s: float) -> tuple[Listening, float]:
    listening = Listening()
    began_ns = clock.now_ns()
    until_ns = began_ns + round(for_s * 1e9)
    while clock.now_ns() < until_ns and not listening.ended:
        listening.add(link.wait(until_ns))
    return listening, (clock.now_ns() - began_ns) / 1e9


def _document(
    listening: Listening,
    counted: LinkStatistics,
    for_s: float,
    loop_ms: float | None,
    bitrate: int,
    *,
    timely: bool,
) -> dict[str, object]:
    heard = sorted(listening.heard.values(), key=lambda h: h.identifier)
    return {
        "listened_s": round(for_s, 3),
        "frames": counted.received,
        "frames_per_s": round(sum(h.frames for h in heard) / for_s, 1),
        "bitrate": bitrate,
        "load_pct": _load(listening, for_s, bitrate),
        "lost": listening.lost,
        "garbage": counted.garbage,
        "error_frames": listening.error_frames,
        "worst_host_late_ms": listening.late_ms,
        "worst_adapter_late_ms": listening.adapter_late_ms if timely else None,
        "loop_ms": loop_ms,
        "ended": listening.ended,
        "identifiers": [{k: v for k, v in asdict(h).items() if k != "last_ns"} for h in heard],
    }


def _load(listening: Listening, for_s: float, bitrate: int) -> str:
    """Without and with the most stuff bits there could be."""
    bits = (listening.nominal_bits, listening.worst_bits)
    return " to ".join(f"{100 * b / for_s / bitrate:.1f}" for b in bits)


def _words(link: str, document: dict[str, object], listening: Listening, for_s: float) -> list[str]:
    loop_ms, count = document["loop_ms"], len(listening.heard)
    lines = [
        f"{link}: {document['frames_per_s']} frames/s of {count} identifiers in {for_s:.1f} s; "
        f"{document['load_pct']} % of {document['bitrate']} bit/s",
        f"lost {document['lost']}, unreadable {document['garbage']}, "
        f"error frames {document['error_frames']}, host late by {listening.late_ms:g} ms at worst"
        + ("" if loop_ms is None else f", adapter answers within {loop_ms:.1f} ms"),
        _held(document["worst_adapter_late_ms"]),
    ]
    if listening.ended:
        lines.append(f"the link ended: {listening.ended}")
    if not listening.heard:
        return [*lines, "nothing was heard: check the bit rate, the wiring, and that the box is powered"]
    rows = [
        [h.identifier, str(h.frames), f"{h.frames / for_s:.1f}", _ms(h.least_ms), _ms(h.most_ms), h.latest]
        for h in sorted(listening.heard.values(), key=lambda h: h.identifier)
    ]
    header = ("identifier", "frames", "per s", "least ms", "most ms", "latest data")
    return [*lines, "", *table(header, rows, 100)]


def _held(late_ms: object) -> str:
    if late_ms is None:
        return "this link cannot tell whether an adapter, hub or driver holds frames back"
    if not late_ms:
        return "the adapter held no frame back for longer than the jitter that this link declares"
    return f"the adapter did not answer for {late_ms:g} ms at worst and may have held frames back"


def _ms(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"
