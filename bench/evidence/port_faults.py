"""`python -m bench.evidence.port_faults NUMBER`: one run in real time on a pseudo-terminal whose adapter
fails once, in one way; prints what came of it as JSON. A process of its own for each."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import threading
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace

from bench.core.clock import SystemClock, VirtualClock
from bench.core.errors import InternalError
from bench.core.frame import TX, Frame
from bench.core.link import LinkFacts
from bench.core.verdict import FAIL, Verdict
from bench.lab.api import boat_tables, load_boat
from bench.lab.serve import PtyServer
from bench.lab.slcan_server import ERROR, Sent, SlcanAdapter
from bench.lab.virtual import START_NS, VirtualBench
from bench.plan import make_plan
from bench.run.api import Boat, Wishes, run_link, run_on
from bench.twin import Fault, Twin, fault_kinds

BOAT = "kittiwake"
LOST, NONSENSE, REFUSED, VANISHED, UNANSWERED, HELD, GONE = KINDS = (
    "lines lost, untold",
    "nonsense instead of lines",
    "sends refused",
    "sends that vanish",
    "sends that arrive unanswered",
    "lines held back, untold",
    "port vanishes",
)
SPANS_MS = dict.fromkeys(KINDS, (20, 400)) | {LOST: (600, 2000), HELD: (50, 400)}
FIRST_S, HOME_S = 0.5, 4.0  # earliest after opening; how long the run needs besides its plan
AT_ONCE, TRIED, LONGEST_S = 3, 3, 180.0
MS = 1_000_000


@dataclass(frozen=True, slots=True)
class PortResult:
    """`met`: lines and sends that the fault touched; `wrong`: empty, or why the verdict must not be."""

    kind: str
    outcome: str
    met: int
    wrong: str


class FailingAdapter(SlcanAdapter):
    """Of one kind, from one instant to another. `unsent`: frames that did not reach the box."""

    def __init__(self, kind: str, clock: SystemClock) -> None:
        super().__init__()
        self._kind, self._clock = kind, clock
        self.from_ns = self.until_ns = 1 << 62
        self.met = 0
        self.unsent: list[Frame] = []

    def holding(self) -> bool:
        """Whether all that it has to say waits within it, answers included."""
        return self._touches(HELD)

    def _touches(self, *kinds: str) -> bool:
        touched = self._kind in kinds and self.from_ns <= self._clock.now_ns() < self.until_ns
        self.met += touched
        return touched

    def show(self, frame: Frame) -> bytes:
        """As an adapter, but for its fault."""
        text = super().show(frame)
        if self._touches(LOST):
            return b""
        if self._touches(NONSENSE):
            return b"\xff" + text[: len(text) // 2] + b"\r"
        return text

    def _send(self, letter: bytes, rest: bytes, frames: list[Sent]) -> bytes:
        taken: list[Sent] = []
        answer = super()._send(letter, rest, taken)
        if self._touches(REFUSED, VANISHED):
            now_ns = self._clock.now_ns()
            self.unsent += [Frame(now_ns, s.can_id, s.data, s.extended, TX) for s in taken]
            return ERROR if self._kind == REFUSED else b""
        frames += taken
        return b"" if self._touches(UNANSWERED) else answer


class _NoSupply(VirtualBench):
    """As a port: nothing switches the box's supply."""

    @property
    def facts(self) -> LinkFacts:
        return replace(super().facts, switches_supply=False)


def sound_verdict(boat: Boat, wishes: Wishes, faults: Sequence[Fault], seed: int) -> Verdict:
    """The same run in virtual time, on a link without fault."""
    clock = VirtualClock(START_NS)
    twin = Twin(boat_tables(BOAT), seed=seed, faults=tuple(faults), start_ns=START_NS)
    return run_on(boat, _NoSupply(twin, clock), clock, wishes, adapter="virtual").verdict


def one(number: int) -> PortResult:
    """The `number`th run: every other one on a box with a fault of its own. Blocks: for half a minute."""
    from bench.evidence.link_faults import Sound, what_is_wrong

    chance = random.Random(f"port {number}")
    boat, clock = load_boat(BOAT), SystemClock()
    faults, subjects = _box_fault(number)
    wishes = Wishes(plan=make_plan(boat.spec, short=True, seed=number))
    assert wishes.plan is not None
    verdict = sound_verdict(boat, wishes, faults, number)
    sound = Sound(boat, number, faults, subjects, verdict, (), 0)
    adapter = FailingAdapter(KINDS[number % len(KINDS)], clock)
    twin = Twin(boat_tables(BOAT), seed=number, faults=faults, start_ns=clock.now_ns())
    server, stop = PtyServer(twin, clock, adapter), threading.Event()
    adapter.from_ns = clock.now_ns() + round(
        chance.uniform(FIRST_S, HOME_S + wishes.plan.duration_ms / 1000) * 1e9
    )
    kind = KINDS[number % len(KINDS)]
    adapter.until_ns = adapter.from_ns + chance.randint(*SPANS_MS[kind]) * MS

    def serve() -> None:
        while not stop.is_set() and not (kind == GONE and clock.now_ns() >= adapter.from_ns):
            server.turn()
        server.close()

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        boat.definitions.forget()
        found = run_link(boat, f"slcan:{server.path}", wishes).verdict
    finally:
        stop.set()
        thread.join()
    return PortResult(kind, found.outcome, adapter.met, what_is_wrong(sound, found, adapter.unsent))


def _box_fault(number: int) -> tuple[tuple[Fault, ...], tuple[str, ...]]:
    if number % 2 == 0:
        return (), ()
    kinds = [k for k in fault_kinds().values() if BOAT in k.expected and k.expected[BOAT].outcome == FAIL]
    kind = kinds[number * 7 % len(kinds)]
    return (Fault(kind.kind),), tuple(kind.expected[BOAT].subjects)


def on_ports(count: int) -> list[PortResult]:
    """So many runs, three at once. Raises InternalError when one of them ends without a result."""
    with ThreadPoolExecutor(AT_ONCE) as pool:
        return list(pool.map(_apart, range(count)))


def _apart(number: int) -> PortResult:
    """A run that cannot begin, as on a machine too busy to answer in time, is tried again, twice."""
    command = [sys.executable, "-m", "bench.evidence.port_faults", str(number)]
    for _ in range(TRIED):
        done = subprocess.run(command, capture_output=True, text=True, timeout=LONGEST_S, check=False)
        if not done.returncode:
            break
    if done.returncode:
        raise InternalError(f"run {number} on a port ended with {done.returncode}: {done.stderr[-500:]}")
    return PortResult(**json.loads(done.stdout))


if __name__ == "__main__":
    print(json.dumps(asdict(one(int(sys.argv[1])))))
