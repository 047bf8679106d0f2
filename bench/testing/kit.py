"""Checks that every link must pass, real or simulated: `check_...(factory)` for each.

Each opens the link of a fresh far end, watches first and then stimulates, and raises
NotConformingError with what was wrong. Use CHECKS to run them all; one that needs what the far end
cannot play raises CannotPlayError, which is no pass.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from bench.core.entry import AdapterLate, Alive, Confirmed, Dropped, Entry, HostLate, LinkLost, Refused
from bench.core.frame import RX, TX, Frame

from .far_end import (
    BUS_OFF,
    GARBAGE,
    HOLD,
    REFUSE,
    SILENT_ADAPTER,
    UNPLUG,
    CannotPlayError,
    FarEnd,
    FarEndFactory,
    NotConformingError,
    Sendable,
)

MS = 1_000_000
PATIENCE_NS = 5_000 * MS  # a shared machine may be slow; only a broken link needs this long
UNSAID_NS = 200 * MS  # within it a send that nobody confirms is on the bus
BURST = 2000
HELD_MS, HELD_TIMES = 120, 3


def require(right: bool, text: str) -> None:
    """Raises NotConformingError with the text unless right."""
    if not right:
        raise NotConformingError(text)


@contextmanager
def opened(factory: FarEndFactory, ability: str | None = None) -> Iterator[FarEnd]:
    """A far end with its link open; closed afterwards, with no thread left behind."""
    before = set(threading.enumerate())
    with factory() as far:
        if ability is not None and ability not in far.abilities:
            raise CannotPlayError(f"this far end cannot play {ability!r}")
        far.link.open()
        try:
            yield far
        finally:
            far.link.close()
    left = [t.name for t in threading.enumerate() if t not in before and t.name.startswith("link ")]
    require(not left, f"close() left threads running: {left}")


def collect(far: FarEnd, enough: Callable[[list[Entry]], bool], *, for_ns: int = PATIENCE_NS) -> list[Entry]:
    """Entries until enough of them, at most for `for_ns`."""
    entries: list[Entry] = []
    until_ns = far.clock.now_ns() + for_ns
    while not enough(entries) and far.clock.now_ns() < until_ns:
        entries += far.link.wait(until_ns)
    return entries


def received(entries: list[Entry]) -> list[Sendable]:
    """What the link saw from others."""
    return [(e.can_id, e.data, e.extended) for e in entries if type(e) is Frame and e.direction == RX]


def some_frames(count: int, start: int = 0) -> list[Sendable]:
    """Frames all different, of all lengths, with both sizes of identifier."""
    frames: list[Sendable] = []
    for n in range(start, start + count):
        extended = n % 5 != 0
        can_id = 0x18FF2021 + (n % 7 << 8) if extended else 0x100 + n % 0x600
        frames.append((can_id, n.to_bytes(4, "big") + bytes(n % 5), extended))
    return frames


def check_order(factory: FarEndFactory) -> None:
    """What other nodes send arrives unchanged, once, in order."""
    frames = some_frames(200)
    with opened(factory) as far:
        far.inject(frames)
        entries = collect(far, lambda got: len(received(got)) >= len(frames))
        require(received(entries) == frames, f"{len(frames)} frames sent, seen {received(entries)[:5]} ...")


def check_burst(factory: FarEndFactory) -> None:
    """Of 2000 frames at once none is lost, or every lost one is counted."""
    frames = some_frames(BURST)
    with opened(factory) as far:
        far.inject(frames)

        def accounted(got: list[Entry]) -> int:
            return len(received(got)) + sum(e.lost for e in got if isinstance(e, Dropped))

        entries = collect(far, lambda got: accounted(got) >= BURST)
        seen = received(entries)
        require(accounted(entries) == BURST, f"{BURST} frames sent, {accounted(entries)} accounted for")
        left = iter(frames)
        require(all(frame in left for frame in seen), "the frames that arrived are out of order")
        counted = far.link.statistics()
        require(counted.received + counted.dropped >= BURST, f"statistics do not show the burst: {counted}")


def check_stamps(factory: FarEndFactory) -> None:
    """Stamps never run backwards, and lie between the stimulus and its being seen."""
    with opened(factory) as far:
        began_ns = far.clock.now_ns()
        entries: list[Entry] = []
        for n in range(20):
            far.inject(some_frames(3, 3 * n))
            entries += collect(far, lambda got: len(received(got)) >= 3)
        ended_ns = far.clock.now_ns()
        stamps = [e.t_ns for e in entries if type(e) is Frame]
        require(len(stamps) == 60, f"60 frames sent, {len(stamps)} seen")
        require(stamps == sorted(stamps), "stamps run backwards")
        require(
            began_ns <= stamps[0] and stamps[-1] <= ended_ns, "a stamp lies outside the time it was seen in"
        )


def check_silence(factory: FarEndFactory) -> None:
    """On a silent bus the link says that it is alive at least every 50 ms, and nothing else."""
    with opened(factory) as far:
        began_ns = far.clock.now_ns()
        entries = collect(far, lambda got: False, for_ns=300 * MS)
        require(far.clock.now_ns() >= began_ns + 300 * MS, "wait() came back before its time with nothing")
        odd = [e for e in entries if not isinstance(e, Alive | HostLate | AdapterLate)]
        require(not odd, f"on a silent bus came {odd[:3]}")
        ticks = [began_ns, *(e.t_ns for e in entries if isinstance(e, Alive)), far.clock.now_ns()]
        late_ns = sum(e.late_ms for e in entries if isinstance(e, HostLate)) * MS
        worst_ns = max(b - a for a, b in itertools.pairwise(ticks))
        require(worst_ns <= 50 * MS + late_ns, f"no sign of life for {worst_ns / MS:.1f} ms")


def check_send(factory: FarEndFactory) -> None:
    """Sends go out in order of their instants, never early, each with its T frame and its answer."""
    wanted = some_frames(4)
    with opened(factory) as far:
        now_ns = far.clock.now_ns()
        at_ns = [now_ns + k * 10 * MS for k in (1, 2, 3, 4)]
        for k in (2, 0, 3, 1):
            can_id, data, extended = wanted[k]
            far.link.send_at(at_ns[k], can_id, data, extended)
        confirms = far.link.facts.confirms

        def done(got: list[Entry]) -> bool:
            sent = sum(type(e) is Frame and e.direction == TX for e in got)
            return sent == 4 and (not confirms or sum(isinstance(e, Confirmed) for e in got) == 4)

        entries = collect(far, done)
        if not confirms:  # nobody says when they are on the bus
            entries += collect(far, lambda got: False, for_ns=UNSAID_NS)
        sent = [e for e in entries if type(e) is Frame and e.direction == TX]
        require([(e.can_id, e.data, e.extended) for e in sent] == wanted, f"T frames are {sent}")
        early = [s.t_ns - t for s, t in zip(sent, at_ns, strict=True) if s.t_ns < t]
        require(not early, f"sent early by {early} ns")
        if confirms:
            tags = [e.tag for e in entries if isinstance(e, Confirmed)]
            require(tags == [0, 1, 2, 3], f"confirmed tags {tags}")
        require(not received(entries), "an own send came back as a received frame")
        require(far.sent() == wanted, f"on the bus were {far.sent()}")


def check_past_send(factory: FarEndFactory) -> None:
    """A send for a past instant goes out at once."""
    with opened(factory) as far:
        far.link.send_at(0, 0x123, b"\x01", False)
        entries = collect(far, lambda got: any(type(e) is Frame for e in got))
        require(any(type(e) is Frame and e.direction == TX for e in entries), "it was never sent")


def check_refused_send(factory: FarEndFactory) -> None:
    """A refused send is said to be refused, with a reason; the next good one is confirmed."""
    with opened(factory, REFUSE) as far:
        far.refuse(True)
        far.link.send_at(0, 0x18FF1051, b"\x01\x02\x03")
        entries = collect(far, lambda got: any(isinstance(e, Refused) for e in got))
        refusals = [e for e in entries if isinstance(e, Refused)]
        require([e.tag for e in refusals] == [0] and refusals[0].reason != "", f"refusals {refusals}")
        require(not any(isinstance(e, Confirmed) for e in entries), "a refused send was confirmed")
        far.refuse(False)
        far.link.send_at(0, 0x18FF1051, b"\x01\x02\x04")
        entries = collect(far, lambda got: any(isinstance(e, Confirmed) for e in got))
        require([e.tag for e in entries if isinstance(e, Confirmed)] == [1], f"afterwards came {entries}")
        require(far.link.statistics().refused == 1, "the refusal is not in the statistics")


def check_silent_adapter(factory: FarEndFactory) -> None:
    """A send that is never answered is refused, with a reason."""
    with opened(factory, SILENT_ADAPTER) as far:
        far.silence()
        far.link.send_at(0, 0x18FF1051, b"\x01\x02\x03")
        entries = collect(far, lambda got: any(isinstance(e, Refused) for e in got))
        require([e.tag for e in entries if isinstance(e, Refused)] == [0], f"came {entries}")


def check_garbage(factory: FarEndFactory) -> None:
    """Nonsense from the adapter is counted, said in the stream, and later frames arrive."""
    nonsense = [b"\xff\x00\x80", b"T18FF20", b"t12", b"\xc3\xa4" * 500, b"T00000000900", b"zz"]
    with opened(factory, GARBAGE) as far:
        for bad in nonsense:
            far.garbage(bad + b"\r")
        far.inject(some_frames(3))
        entries = collect(far, lambda got: len(received(got)) >= 3)
        require(received(entries) == some_frames(3), f"after garbage came {received(entries)}")
        require(any(isinstance(e, Dropped) for e in entries), "garbage was not said to be lost frames")
        require(far.link.statistics().garbage >= len(nonsense), "garbage was not counted")


def check_held(factory: FarEndFactory) -> None:
    """Frames that an adapter held back are said to be perhaps late by as much, once they are there; such a
    link calls itself timely."""
    with opened(factory, HOLD) as far:
        require(far.link.facts.timely, "a link that tells of held frames does not call itself timely")
        jitter_ns = round(far.link.facts.jitter_ms * MS)
        for n in range(HELD_TIMES):
            collect(far, lambda got: False, for_ns=60 * MS)
            far.hold(HELD_MS * MS)
            began_ns = far.clock.now_ns()
            far.inject(some_frames(3, 3 * n))
            entries = collect(far, lambda got: len(received(got)) >= 3)
            require(received(entries) == some_frames(3, 3 * n), f"after holding came {received(entries)}")
            entries += collect(far, lambda got: False, for_ns=60 * MS)
            late = [e for e in entries if isinstance(e, AdapterLate)]
            for t_ns in {e.t_ns for e in entries if type(e) is Frame and e.t_ns - began_ns > jitter_ns}:
                told = [e for e in late if e.t_ns - round(e.late_ms * MS) <= began_ns and t_ns <= e.t_ns]
                require(bool(told), f"frames held for {(t_ns - began_ns) / MS:.0f} ms, told was {late}")
            require(bool(late), f"an adapter that held frames for {HELD_MS} ms was not told of")


def check_unplug(factory: FarEndFactory) -> None:
    """When the adapter goes, LinkLost comes once, as the last entry; nothing raises or hangs."""
    with opened(factory, UNPLUG) as far:
        far.inject(some_frames(2))
        entries = collect(far, lambda got: len(received(got)) >= 2)
        far.unplug()
        entries += collect(far, lambda got: any(isinstance(e, LinkLost) for e in got))
        far.link.send_at(0, 0x123, b"", False)
        entries += collect(far, lambda got: False, for_ns=60 * MS)
        lost = [e for e in entries if isinstance(e, LinkLost)]
        require(len(lost) == 1 and lost[0] is entries[-1], f"the stream ended in {entries[-3:]}")
        require(lost[0].reason != "", "no reason was given")


def check_replug(factory: FarEndFactory) -> None:
    """After an unplugging a fresh link to the same place works, with nothing of the old one in it."""
    check_unplug(factory)
    check_order(factory)


def check_bus_off(factory: FarEndFactory) -> None:
    """A controller that withdraws from the bus ends the link, by that name."""
    with opened(factory, BUS_OFF) as far:
        far.bus_off()
        entries = collect(far, lambda got: any(isinstance(e, LinkLost) for e in got))
        lost = [e for e in entries if isinstance(e, LinkLost)]
        require(len(lost) == 1 and "bus-off" in lost[0].reason, f"bus-off ended in {entries[-3:]}")


def check_close_while_receiving(factory: FarEndFactory) -> None:
    """Closing in the middle of traffic ends the thread; closing again does nothing."""
    with opened(factory) as far:
        far.inject(some_frames(500))
        far.link.close()
        far.link.close()


def check_loop_test(factory: FarEndFactory) -> None:
    """The loop test gives a plausible time or None, and puts nothing on the bus."""
    with opened(factory) as far:
        worst_ms = far.link.loop_test()
        require(worst_ms is None or 0 <= worst_ms < 2000, f"loop test says {worst_ms} ms")
        require(far.sent() == [], f"the loop test sent {far.sent()}")
        entries = collect(far, lambda got: False, for_ns=60 * MS)
        require(not any(isinstance(e, Dropped | Refused | LinkLost) for e in entries), f"it left {entries}")


CHECKS: dict[str, Callable[[FarEndFactory], None]] = {
    check.__name__.removeprefix("check_"): check
    for check in (
        check_order,
        check_burst,
        check_stamps,
        check_silence,
        check_send,
        check_past_send,
        check_refused_send,
        check_silent_adapter,
        check_garbage,
        check_held,
        check_unplug,
        check_replug,
        check_bus_off,
        check_close_while_receiving,
        check_loop_test,
    )
}
