"""The slcan link on a pseudo-terminal: what it loses and costs, how late it sends; the library beside it."""

from __future__ import annotations

import itertools
import statistics
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from bench.core.clock import SystemClock, cpu_ns
from bench.core.entry import Dropped, Entry, HostLate
from bench.core.frame import RX, TX, Frame
from bench.core.link import Link
from bench.evidence.flood import FLOOD_ID, flooded
from bench.evidence.page import Page, Table
from bench.evidence.quick_adapter import ANSWER_ID, ASK_ID, DATA, answering
from bench.link import open_link
from bench.link.priority import raised
from bench.session import Recorder, open_session

FULL_BUS = 1908  # frames/s: 250 kbit/s over 131 bits, an extended frame of 8 bytes without stuff bits
FAST, USUAL = 8000, 2000
FULL_BUS_S, FAST_S, CPU_S, SEND_S, ROUND_TRIPS, REPEATS = 600.0, 30.0, 5.0, 20.0, 400, 9
CPU_AIM, TRIP_AIM, LATE_AIM_MS = 8.0, 2.0, 1.0
MS = 1_000_000
Row = tuple[str, str, str, str]


def numbers(entries: Sequence[Entry]) -> list[int]:
    """The numbers that flood frames bear."""
    return [
        int.from_bytes(e.data, "big")
        for e in entries
        if isinstance(e, Frame) and e.direction == RX and e.can_id == FLOOD_ID
    ]


def missing(seen: Sequence[int]) -> int:
    """How many numbers between first and last did not come, or not in order."""
    return sum(b != a + 1 for a, b in itertools.pairwise(seen))


def watched(link: Link, recorder: Recorder, for_s: float) -> tuple[int, int, int, float]:
    """(frames, gaps in their numbers, told losses, worst ms the host was late) over so long, all recorded."""
    clock = SystemClock()
    until_ns = clock.now_ns() + round(for_s * 1e9)
    frames = gaps = told = 0
    late_ms = 0.0
    last: list[int] = []
    while clock.now_ns() < until_ns:
        entries = [recorder.write(entry) for entry in link.wait(until_ns)]
        seen = numbers(entries)
        told += sum(e.lost for e in entries if isinstance(e, Dropped))
        late_ms = max([late_ms, *(e.late_ms for e in entries if isinstance(e, HostLate))])
        frames += len(seen)
        gaps += missing([*last, *seen])
        last = seen[-1:] or last
    return frames, gaps, told, late_ms


def on_disk(folder: Path) -> tuple[int, int]:
    """(frames, gaps in their numbers) of a recording."""
    frames = gaps = 0
    last: list[int] = []
    for entry in open_session(folder).entries():
        seen = numbers([entry])
        frames += len(seen)
        gaps += missing([*last, *seen])
        last = seen or last
    return frames, gaps


def lossless(rate: int, for_s: float) -> Row:
    """Nothing is lost at `rate` frames/s, neither on the link nor on the way to the disk."""
    clock = SystemClock()
    with flooded(rate) as path, raised(), tempfile.TemporaryDirectory() as folder:
        recorder = Recorder(Path(folder), {}, clock)
        link = open_link(f"slcan:{path}", clock)
        try:
            frames, gaps, told, late_ms = watched(link, recorder, for_s)
        finally:
            link.close()
            recorder.close()
        kept, holes = on_disk(Path(folder))
    right = not gaps and not told and not holes and kept == frames >= 0.95 * rate * for_s
    found = (
        f"{frames} frames, {gaps} gaps, {told} told lost, host late by {late_ms:.0f} ms at worst; "
        f"{kept} in the recording, {holes} gaps"
    )
    return f"nothing lost at {rate} frames/s in {for_s:g} s", "0 lost", found, _word(right)


def own_cost_us(path: str, for_s: float) -> float:
    """CPU a received frame of our link, reader's side included."""
    clock = SystemClock()
    link = open_link(f"slcan:{path}", clock)
    try:
        began, frames = cpu_ns(), 0
        until_ns = clock.now_ns() + round(for_s * 1e9)
        while clock.now_ns() < until_ns:
            frames += sum(type(e) is Frame for e in link.wait(until_ns))
        return (cpu_ns() - began) / 1000 / max(1, frames)
    finally:
        link.close()


def library_cost_us(path: str, for_s: float) -> float:
    """The same of python-can's slcan interface."""
    import can

    clock = SystemClock()
    with can.Bus(interface="slcan", channel=path, bitrate=250_000) as bus:
        began, until_ns, frames = cpu_ns(), clock.now_ns() + round(for_s * 1e9), 0
        while clock.now_ns() < until_ns:
            frames += bus.recv(0.1) is not None
        return (cpu_ns() - began) / 1000 / max(1, frames)


def own_trip_ms(path: str) -> float:
    """Median from sending to having the answer."""
    clock = SystemClock()
    link = open_link(f"slcan:{path}", clock)
    took: list[float] = []
    try:
        for _ in range(ROUND_TRIPS):
            began = clock.now_ns()
            link.send_at(0, ASK_ID, DATA)
            while not any(
                isinstance(e, Frame) and e.can_id == ANSWER_ID for e in link.wait(began + 1000 * MS)
            ):
                if clock.now_ns() > began + 1000 * MS:
                    break
            took.append((clock.now_ns() - began) / MS)
    finally:
        link.close()
    return statistics.median(took)


def library_trip_ms(path: str) -> float:
    """The same with python-can."""
    import can

    clock = SystemClock()
    took: list[float] = []
    ask = can.Message(arbitration_id=ASK_ID, data=DATA, is_extended_id=True)
    with can.Bus(interface="slcan", channel=path, bitrate=250_000) as bus:
        for _ in range(ROUND_TRIPS):
            began = clock.now_ns()
            bus.send(ask)
            while (m := bus.recv(1.0)) is not None and m.arbitration_id != ANSWER_ID:
                pass
            took.append((clock.now_ns() - began) / MS)
    return statistics.median(took)


def usual(own: Callable[[], float], library: Callable[[], float]) -> tuple[float, float]:
    """Each several times, in turns, so that both meet the same machine; the median of each."""
    pairs = [(own(), library()) for _ in range(REPEATS)]
    return statistics.median(a for a, _ in pairs), statistics.median(b for _, b in pairs)


def send_lateness_ms(for_s: float) -> tuple[list[float], str]:
    """How late each frame of a period of 10 ms was handed over, on a busy bus; at which priority."""
    with flooded(USUAL) as path, raised() as scheduling:
        clock = SystemClock()
        link = open_link(f"slcan:{path}", clock)
        first_ns = clock.now_ns() + 100 * MS
        due = [first_ns + k * 10 * MS for k in range(round(for_s * 100))]
        sent: list[int] = []
        try:
            for t_ns in due:
                link.send_at(t_ns, 0x123, b"\x01", False)
            while len(sent) < len(due) and clock.now_ns() < due[-1] + 1000 * MS:
                entries = link.wait(due[-1] + 1000 * MS)
                sent += [e.t_ns for e in entries if isinstance(e, Frame) and e.direction == TX]
        finally:
            link.close()
    return [(s - d) / MS for s, d in zip(sent, due, strict=False)], scheduling


def _word(right: bool) -> str:
    return "holds" if right else "does not hold"


def study(sample: float = 1.0) -> Page:
    """Real time: 12 minutes at full size."""
    rows = [lossless(FULL_BUS, max(2.0, FULL_BUS_S * sample)), lossless(FAST, max(2.0, FAST_S * sample))]
    for_s = max(2.0, CPU_S * sample)
    with flooded(USUAL) as path:
        own, library = usual(lambda: own_cost_us(path, for_s), lambda: library_cost_us(path, for_s))
    found = f"{own:.1f} us against {library:.1f} us, {library / own:.1f} times"
    rows.append(
        (f"CPU a frame at {USUAL}/s", f"{CPU_AIM:g} times less", found, _word(library / own >= CPU_AIM))
    )
    with answering() as path:
        own, library = usual(lambda: own_trip_ms(path), lambda: library_trip_ms(path))
    found = f"{own:.3f} ms against {library:.3f} ms, {library / own:.1f} times"
    rows.append(("median round trip", f"{TRIP_AIM:g} times faster", found, _word(library / own >= TRIP_AIM)))
    late, scheduling = send_lateness_ms(max(2.0, SEND_S * sample))
    late.sort()
    p99 = late[len(late) * 99 // 100]
    found = f"p50 {late[len(late) // 2]:.2f} ms, p99 {p99:.2f} ms, worst {late[-1]:.2f} ms of {len(late)}"
    rows.append(
        (
            f"sends every 10 ms on a busy bus, {scheduling} priority",
            f"p99 {LATE_AIM_MS:g} ms late",
            found,
            _word(p99 <= LATE_AIM_MS),
        )
    )
    missed = [row[0] for row in rows if row[3] != "holds"]
    summary = f"{len(rows) - len(missed)} of {len(rows)} aims" + (
        f"; not: {'; '.join(missed)}" if missed else ""
    )
    about = (
        "The adapter is a process of its own on a pseudo-terminal; frames are numbered, and recorded on "
        "disk. The library's reader is python-can's slcan interface, on the same port in the same run. CPU "
        "time is that of the reading process, its consumer included. CPU time and round trip were taken nine "
        "times in turns, the median counts. A round trip is the median of 400: a frame of 8 bytes, with a "
        "long identifier, through an adapter that does nothing but answer with another. Losses and sends "
        "were looked at with the priority that a run takes where it may, all else with the usual."
    )
    table = Table(("what", "aim", "found", "verdict"), rows)
    return Page("links", "The slcan link", about, not missed, summary, (table,))
