"""A run killed at any moment: the session opens, is judged as far as it goes, and the box goes off."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from bench.cli.judging import judged
from bench.cli.loading import load_boat
from bench.core.clock import SystemClock
from bench.core.entry import Started
from bench.core.errors import HardstandError
from bench.core.frame import TX, Frame
from bench.core.link import Link
from bench.core.verdict import FAIL
from bench.definitions import Definitions
from bench.evidence.page import Page, Table
from bench.session import open_session

KILLS, AT_ONCE = 200, 3
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
FLUSHED_MS = 100.0  # how much a killed run may lose
SEEN_MS = 60.0  # the last that was recorded may be this old at a kill: signs of life, and a busy computer
LATEST_S, AFTER_S = 16.0, 30.0


@dataclass(frozen=True, slots=True)
class Killed:
    """`outcome` of the session; `on`: circuits that the box still reports on afterwards; `sent`: frames
    that the run had sent before it was ended (a run that sent none has switched nothing on); `guard`: what
    it left in guard.json, empty where it was not started; `lost_ms`: from the last entry to a SIGKILL."""

    signal_name: str
    after_s: float
    status: int
    outcome: str
    on: tuple[str, ...]
    sent: int
    guard: Mapping[str, object] = field(default_factory=dict)
    lost_ms: float | None = None

    @property
    def left_on(self) -> tuple[str, ...]:
        """What the run could have switched on and nobody switched off or named."""
        named = [*_names(self.guard, "stays_on"), *_names(self.guard, "not_heard")]
        return tuple(name for name in self.on if self.sent and name not in named)

    @property
    def guard_word(self) -> str:
        """What the guard did, in a word or two."""
        if self.guard.get("state") != "acted":
            return str(self.guard.get("state", "not started"))
        named = _names(self.guard, "stays_on") or _names(self.guard, "not_heard")
        return "named what stays on" if named else "all off"

    @property
    def is_right(self) -> bool:
        """No wrong verdict, everything off or named that the run could have switched on, little lost."""
        sound = self.outcome != FAIL and not self.outcome.startswith("error")
        acted = self.signal_name != "SIGKILL" or not self.sent or self.guard.get("state") == "acted"
        kept = self.lost_ms is None or self.lost_ms <= FLUSHED_MS + SEEN_MS
        return not self.left_on and sound and acted and kept


def _names(guard: Mapping[str, object], key: str) -> list[str]:
    found = guard.get(key, [])
    return [str(name) for name in found] if isinstance(found, list) else []


@contextmanager
def served(boat: str, seed: int = 1) -> Iterator[str]:
    """The virtual box in a process of its own; gives the port's path."""
    words = [sys.executable, "-m", "bench.cli", "twin", boat, "--seed", str(seed)]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert process.stdout is not None
        yield process.stdout.readline().strip()
    finally:
        process.terminate()
        process.wait(10)
        if process.stdout is not None:
            process.stdout.close()


def kill_at(boat: str, port: str, number: signal.Signals, after_s: float, folder: Path) -> Killed:
    """Starts a short run, ends it by a signal, then reads what the box reports. Blocks: a minute."""
    clock = SystemClock()
    words = [sys.executable, "-m", "bench.cli", "run", boat, "--on", f"slcan:{port}", "--short", "--yes"]
    process = subprocess.Popen(
        [*words, "--out", str(folder)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    clock.wait_until(clock.now_ns() + round(after_s * 1e9))
    killed_ns = clock.now_ns()
    process.send_signal(number)
    status = process.wait(60)
    on = still_on(boat, port, clock)
    guard = _guard(folder)
    if not (folder / "frames.log").exists():
        return Killed(number.name, after_s, status, "not begun", on, 0, guard)
    try:
        outcome = judged(str(folder), None)[1].verdict.outcome
        entries = list(open_session(folder).entries())
    except HardstandError as error:
        return Killed(number.name, after_s, status, _of_nothing(folder, error), on, 0, guard)
    sent = sum(isinstance(e, Frame) and e.direction == TX for e in entries)
    lost_ms = None
    if number == signal.SIGKILL and any(isinstance(e, Started) for e in entries):
        lost_ms = (killed_ns - max(e.t_ns for e in entries)) / 1e6
    return Killed(number.name, after_s, status, outcome, on, sent, guard, lost_ms)


def _guard(folder: Path) -> dict[str, object]:
    """What the guard wrote, once it has acted or is not needed. Blocks: up to half a minute."""
    clock, found = SystemClock(), dict[str, object]()
    end_ns = clock.now_ns() + round(AFTER_S * 1e9)
    while (folder / "guard.json").exists() and clock.now_ns() < end_ns:
        found = json.loads((folder / "guard.json").read_text(encoding="utf-8"))
        if found.get("state") in ("acted", "not needed"):
            break
        clock.wait_until(clock.now_ns() + 100_000_000)
    return found


def _of_nothing(folder: Path, error: HardstandError) -> str:
    """A run that was ended before its first flush leaves an empty recording, which may be refused."""
    return f"error: {error}" if (folder / "frames.log").stat().st_size else "not begun"


def still_on(boat: str, port: str, clock: SystemClock) -> tuple[str, ...]:
    """Circuits the box reports on, once they have been off or the guard has had its time."""
    from bench.link.open import link_from_text

    end_ns = clock.now_ns() + round(AFTER_S * 1e9)
    definitions = load_boat(boat).definitions
    on: set[str] = set()
    while clock.now_ns() < end_ns:
        link = link_from_text(f"slcan:{port}", clock)
        try:
            link.open()
        except HardstandError:  # the guard still holds the port
            clock.wait_until(clock.now_ns() + 500_000_000)
            continue
        try:
            on = _reported_on(link, definitions, clock)
        finally:
            link.close()
        if not on:
            return ()
        clock.wait_until(clock.now_ns() + 500_000_000)
    return tuple(sorted(on)) or ("the box reported nothing",)


def _reported_on(link: Link, definitions: Definitions, clock: SystemClock) -> set[str]:
    """Circuits on in the box's latest reports of one second."""
    last: dict[str, float] = {}
    end_ns = clock.now_ns() + 1_000_000_000
    while clock.now_ns() < end_ns:
        for entry in link.wait(end_ns):
            reading = definitions.decode(entry) if isinstance(entry, Frame) else None
            for observation in reading.observations if reading is not None else ():
                if observation.signal.startswith("state:") and observation.value is not None:
                    last[observation.signal.removeprefix("state:")] = observation.value
    if not last:
        return {"(the box reported nothing)"}
    return {name for name, value in last.items() if value}


def one(k: int, after_s: float) -> Killed:
    """The `k`th kill, on a virtual box of its own."""
    with served("demo", seed=k) as port, tempfile.TemporaryDirectory() as folder:
        return kill_at("demo", port, SIGNALS[k % len(SIGNALS)], after_s, Path(folder) / "session")


def study(sample: float = 1.0) -> Page:
    """Ends short runs by each signal at moments drawn by a fixed seed. Half an hour at full size."""
    chance = random.Random(1)
    moments = [chance.uniform(0.3, LATEST_S) for _ in range(max(1, round(KILLS * sample)))]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        killed = list(pool.map(one, range(len(moments)), moments))
    rows = [_row(name, [o for o in killed if o.signal_name == name]) for name in (s.name for s in SIGNALS)]
    wrong = [f"{o.signal_name} after {o.after_s:.1f} s: {o}" for o in killed if not o.is_right]
    right = len(killed) - len(wrong)
    summary = f"{right} of {len(killed)} killed runs left a sound session and a box that is off"
    if wrong:
        summary += ": " + "; ".join(wrong[:5])
    header = ("signal", "runs", "verdict on what was recorded", "guard", "lost at most", "left on", "status")
    about = (
        "The virtual box in a process of its own, which never switches anything off by itself; a short run "
        "over its pseudo-terminal is ended by a signal at a random moment; then the box is asked what is on. "
        "Lost: from the last recorded entry to a SIGKILL; what a recorder holds back for up to 100 ms is "
        f"lost, and the last entry itself may be up to {SEEN_MS:g} ms old. A circuit counts as left on "
        "unless the guard has named it."
    )
    return Page("kills", "Runs that were killed", about, not wrong, summary, (Table(header, rows),))


def _row(name: str, mine: Sequence[Killed]) -> list[object]:
    lost = [o.lost_ms for o in mine if o.lost_ms is not None]
    return [
        name, len(mine), _counted(o.outcome for o in mine), _counted(o.guard_word for o in mine),
        f"{max(lost):.0f} ms of {len(lost)}" if lost else "-",
        sum(bool(o.left_on) for o in mine), str(sorted({o.status for o in mine})),
    ]  # fmt: skip


def _counted(words: Iterable[str]) -> str:
    return ", ".join(f"{count} {word}" for word, count in Counter(words).items())
