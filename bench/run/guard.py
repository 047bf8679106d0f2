"""The guard: switches everything off when the run that started it dies or hangs.

    python -m bench.run.guard SESSION PIPE_FD

It reads lines from the pipe: `.` (alive), `T ID X DATA` (a frame is about to be sent, so that it
knows counters and held keys), `H 1 NAME` (a circuit may be by hand, 0: no longer; NAME in hex), `L MS NAME`
(a circuit must be off in MS milliseconds; `-`: it is off), `W MS` (a run silent for MS hangs; HUNG_S
unless said), `done` (nothing left to do), `abandon` (the run gives up: take over).
At the end of the pipe without `done`, at `abandon`, when the run hangs, or when it has let a circuit's time
run out (then it ends its parent first), it opens the link named in `safe_off.json` itself and runs the
safe-off machine. What it sees and sends goes to `guard.log` (candump text), what it reached to `guard.json`.

It starts fast: everything about links is imported only when needed, or when a circuit's time is short.
"""

from __future__ import annotations

import importlib
import json
import os
import select
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from bench.core.clock import Clock, SystemClock

from .off_data import CounterBook, OffData
from .safe_off import MS, WATCH_MS, OffResult, SafeOff

if TYPE_CHECKING:
    from bench.core.link import Link

HUNG_S = 5.0
OPEN_S = 30.0  # how long it tries to open the link
OPEN_SUPPLIED_S = 5.0  # the same where cutting the supply will end it all anyway
WHOLE_S = 90.0  # and to get everything off, with a link that comes and goes
TICK_MS = 20.0
DONE, ABANDON, END, HUNG = "done", "abandon", "the run died", "the run hung"
QUIET_S = 0.3  # a run that lets a circuit's time run out is ended at once when silent for so long
GRACE_S = 0.5  # and after so long in any case


def main(arguments: list[str]) -> int:
    """Exit status: 0 not needed or everything off, 1 something stays on or is unknown."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    session, pipe = Path(arguments[0]), int(arguments[1])
    parent = os.getppid()
    data = OffData.from_json((session / "safe_off.json").read_text(encoding="utf-8"))
    book = CounterBook(data)
    clock = SystemClock()
    report(session, state="watching", pid=os.getpid())
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    why = watch(pipe, clock, book, ready=lambda: prepare(data.adapter, clock))
    if why == DONE:
        report(session, state="not needed")
        return 0
    if why not in (ABANDON, END):
        end_parent(parent, clock)
    report(session, state="acting", why=why)
    supply = ""
    try:
        result, trouble = act(data, book, clock, session)
    finally:
        supply = cut_supply(data, clock)
    text = "; ".join(filter(None, (result.text(), supply)))
    report(
        session, state="acted", why=why, text=text, supply=supply, stays_on=list(result.stays_on),
        not_heard=list(result.not_heard), comes_on_later=list(result.comes_on_later), pressed=result.pressed,
        log=list(result.log), trouble=trouble,
    )  # fmt: skip
    return 0 if result.all_off else 1


class Patience:
    """By when the run must have said something, or switched a circuit off."""

    def __init__(self, clock: Clock, hung_s: float) -> None:
        self.hung_ns = round(hung_s * 1e9)
        self.off_by_ns: dict[str, int] = {}
        self._clock = clock
        self._heard_ns = clock.now_ns()

    def heard(self) -> None:
        """A line came."""
        self._heard_ns = self._clock.now_ns()

    def limit(self, left: str, name: str) -> None:
        """A circuit must be off in `left` ms; `-`: it is off."""
        if left == "-":
            self.off_by_ns.pop(name, None)
        else:
            self.off_by_ns[name] = self._clock.now_ns() + int(left) * MS

    def ends_ns(self) -> tuple[int, str]:
        """When it ends unless something is heard, and why then."""
        ends = [(self._heard_ns + self.hung_ns, HUNG)]
        quiet_ns = self._heard_ns + int(QUIET_S * 1e9)
        for name, by_ns in self.off_by_ns.items():
            why = f"the run left {name} on for longer than its limit"
            ends.append((min(by_ns + int(GRACE_S * 1e9), max(by_ns, quiet_ns)), why))
        return min(ends)


def watch(
    pipe: int,
    clock: Clock,
    book: CounterBook,
    hung_s: float = HUNG_S,
    ready: Callable[[], None] = lambda: None,
) -> str:
    """Blocks until the run is done, gives up, dies, hangs or lets a circuit's time run out; says which.
    `ready`: called when a circuit's time begins."""
    rest = b""
    patience = Patience(clock, hung_s)
    while True:
        end_ns, why = patience.ends_ns()
        if not select.select([pipe], [], [], max(0.0, (end_ns - clock.now_ns()) / 1e9))[0]:
            return why
        chunk = os.read(pipe, 65536)
        if not chunk:
            return END
        patience.heard()
        *lines, rest = (rest + chunk).split(b"\n")
        for line in lines:
            word, *parts = line.decode("ascii", "replace").split()
            if word in (DONE, ABANDON):
                return word
            if word == "W":
                patience.hung_ns = int(parts[0]) * MS
            if word == "L":
                if not patience.off_by_ns:
                    ready()
                patience.limit(parts[0], bytes.fromhex(parts[1]).decode("utf-8"))
            if word == "H":
                name = bytes.fromhex(parts[1]).decode("utf-8")
                (book.by_hand.add if parts[0] == "1" else book.by_hand.discard)(name)
            if word == "T":
                book.note(int(parts[0], 16), parts[1] == "1", bytes.fromhex("".join(parts[2:])))


def prepare(adapter: str, clock: Clock) -> None:
    """Imports what acting needs, so that it takes no time then."""
    from bench.link.open import link_from_text

    importlib.import_module("bench.session.candump")
    link_from_text(adapter, clock)


def end_parent(parent: int, clock: Clock) -> None:
    """Kills the hung run (our own parent, and only while it still is) and waits until it is gone."""
    if os.getppid() != parent:
        return
    os.kill(parent, signal.SIGKILL)
    for _ in range(200):
        if os.getppid() != parent:
            return
        clock.wait_until(clock.now_ns() + 10 * MS)


def act(data: OffData, book: CounterBook, clock: Clock, session: Path) -> tuple[OffResult, str]:
    """Opens the link and switches off, again if the link is lost; the result and what went wrong."""
    end_ns = clock.now_ns() + int(WHOLE_S * 1e9)
    trouble = ""
    while True:
        link, why = open_when_free(data.adapter, clock, OPEN_S if data.supply is None else OPEN_SUPPLIED_S)
        if link is None:
            return SafeOff(data, book, clock.now_ns()).result(), why
        try:
            result, trouble = switch_off(link, data, book, clock, session, end_ns)
        finally:
            link.close()
        if not trouble or clock.now_ns() >= end_ns:
            return result, trouble


def cut_supply(data: OffData, clock: Clock) -> str:
    """Switches the supply off, where there is one, tried for some seconds. What came of it."""
    if data.supply is None:
        return ""
    from bench.core.errors import HardstandError
    from bench.rig import load_dialect
    from bench.rig.supply import Supply
    from bench.rig.wire import SerialWire

    port, name = data.supply
    end_ns = clock.now_ns() + int(OPEN_SUPPLIED_S * 1e9)
    while True:
        try:
            dialect = load_dialect(name)
            supply = Supply(SerialWire(port, dialect.baud, clock), dialect, clock, port=port)
        except HardstandError as e:
            said = f"{e.complaints[0].text}; switch the supply off by hand"
        else:
            said = supply.switch_off()
            supply.close()
            if not said:
                return "the supply is off"
        if clock.now_ns() >= end_ns:
            return said
        clock.wait_until(clock.now_ns() + 200 * MS)


def open_when_free(adapter: str, clock: Clock, open_s: float = OPEN_S) -> tuple[Link | None, str]:
    """The opened link, tried until `open_s` have passed; None and the last reason."""
    from bench.core.errors import HardstandError
    from bench.link.open import open_link

    end_ns = clock.now_ns() + int(open_s * 1e9)
    while True:
        try:
            return open_link(adapter, clock), ""
        except HardstandError as e:
            if clock.now_ns() >= end_ns:
                return None, str(e)
            clock.wait_until(clock.now_ns() + 200 * MS)


def switch_off(
    link: Link, data: OffData, book: CounterBook, clock: Clock, session: Path, end_ns: int
) -> tuple[OffResult, str]:
    """Runs the machine on an open link until it has finished, the link is lost or the time is up."""
    from bench.core.entry import LinkLost
    from bench.core.frame import RX, Frame
    from bench.session.candump import format_frame

    machine = SafeOff(data, book, clock.now_ns(), watch_ms=WATCH_MS)
    trouble = ""
    with (session / "guard.log").open("a", encoding="ascii") as log:
        while not machine.finished and not trouble:
            now_ns = clock.now_ns()
            for out in machine.advance(now_ns):
                link.send_at(now_ns, out.can_id, out.data, out.extended)
            for entry in link.wait(now_ns + int(TICK_MS * MS)):
                if isinstance(entry, LinkLost):
                    trouble = f"the link was lost: {entry.reason}"
                elif type(entry) is Frame:
                    stamp_ns = entry.t_ns - entry.t_ns % 1000
                    log.write(f"{format_frame(entry._replace(t_ns=stamp_ns))}\n")
                    if entry.direction == RX:
                        machine.see(entry.t_ns, entry.can_id, entry.extended, entry.data)
            log.flush()
            if clock.now_ns() >= end_ns:
                trouble = trouble or "it took too long"
    return machine.result(), trouble


def report(session: Path, **more: object) -> None:
    """Writes guard.json whole or not at all."""
    beside = session / "guard.json.new"
    beside.write_text(json.dumps(more, indent=1) + "\n", encoding="utf-8")
    beside.replace(session / "guard.json")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
