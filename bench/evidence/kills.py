"""A run killed at any moment: the session opens, is judged as far as it goes, and the box goes off."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from bench.cli.judging import judged
from bench.cli.loading import load_boat
from bench.core.clock import SystemClock
from bench.core.errors import HardstandError
from bench.core.frame import TX, Frame
from bench.core.link import Link
from bench.core.verdict import FAIL
from bench.definitions import Definitions
from bench.evidence.page import Page, Table
from bench.session import open_session

KILLS = 30
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
LATEST_S, AFTER_S = 16.0, 30.0


@dataclass(frozen=True, slots=True)
class Killed:
    """`outcome` of the session; `on`: circuits that the box still reports on afterwards; `sent`: frames
    that the run had sent before it was ended (a run that sent none has switched nothing on)."""

    signal_name: str
    after_s: float
    status: int
    outcome: str
    on: tuple[str, ...]
    sent: int

    @property
    def is_right(self) -> bool:
        """No wrong verdict, and everything off that the run could have switched on."""
        return not (self.on and self.sent) and self.outcome != FAIL and not self.outcome.startswith("error")


@contextmanager
def served(boat: str, seed: int = 1) -> Iterator[str]:
    """The virtual box in a process of its own; gives the port's path."""
    words = [sys.executable, "-m", "bench.cli", "twin", boat, "--seed", str(seed)]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
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
    process.send_signal(number)
    status = process.wait(60)
    on = still_on(boat, port, clock)
    if not (folder / "frames.log").exists():
        return Killed(number.name, after_s, status, "not begun", on, 0)
    try:
        outcome = judged(str(folder), None)[1].verdict.outcome
        sent = sum(isinstance(e, Frame) and e.direction == TX for e in open_session(folder).entries())
    except HardstandError as error:
        outcome, sent = _of_nothing(folder, error), 0
    return Killed(number.name, after_s, status, outcome, on, sent)


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


def study(sample: float = 1.0) -> Page:
    """Ends short runs by each signal at moments drawn by a fixed seed."""
    chance = random.Random(1)
    killed = []
    for k in range(max(1, round(KILLS * sample))):
        with served("demo", seed=k) as port, tempfile.TemporaryDirectory() as folder:
            moment_s = chance.uniform(0.3, LATEST_S)
            killed.append(
                kill_at("demo", port, SIGNALS[k % len(SIGNALS)], moment_s, Path(folder) / "session")
            )
    rows: list[list[object]] = []
    for name in (number.name for number in SIGNALS):
        mine = [one for one in killed if one.signal_name == name]
        outcomes = ", ".join(
            f"{count} {word}" for word, count in Counter(one.outcome for one in mine).items()
        )
        rows.append(
            [
                name,
                len(mine),
                outcomes,
                sum(bool(one.on and one.sent) for one in mine),
                str(sorted({o.status for o in mine})),
            ]
        )
    wrong = [f"{one.signal_name} after {one.after_s:.1f} s: {one}" for one in killed if not one.is_right]
    summary = (
        f"{len(killed) - len(wrong)} of {len(killed)} killed runs left a sound session and a box that is off"
    )
    if wrong:
        summary += ": " + "; ".join(wrong[:5])
    header = ("signal", "runs", "verdict on what was recorded", "box left on", "exit status")
    about = (
        "The virtual box in a process of its own, which never switches anything off by itself; a short run "
        "over its pseudo-terminal is ended by a signal at a random moment; then the box is asked what is on."
    )
    return Page("kills", "Runs that were killed", about, not wrong, summary, (Table(header, rows),))
