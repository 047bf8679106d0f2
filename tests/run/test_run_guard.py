"""The guard: its ears without a process, and the process against a box on a pseudo-terminal."""

import json
import os
import signal
import subprocess
import sys
import threading

import pytest

from bench.core.clock import SystemClock
from bench.core.frame import Frame
from bench.lab.serve import PtyServer, serve_until
from bench.run.guard import ABANDON, DONE, END, HUNG, Patience, watch
from bench.run.guard_process import GuardProcess
from bench.run.off_data import CounterBook, Field, OffData, Reading, Template

MS = 1_000_000
STATE, KEYS = 0x18FF2021, 0x0CFF1041
COUNTER = tuple(range(23, 15, -1))


def off_data(adapter="slcan:nowhere", circuits=("a", "b"), words=None):
    def key(number, down):
        return Template("helm", KEYS, True, bytes((number, down, 0)), COUNTER)

    names = list(circuits)
    return OffData(
        adapter=adapter, tap_ms=120.0, respond_ms=60.0, read_back_ms=400.0,
        circuits={
            c: Reading(Field(STATE, True, (2 * i + 1, 2 * i)), (1,), (0, 2)) for i, c in enumerate(names)
        },
        press={f"key {i}": key(i, 1) for i, _ in enumerate(names)},
        release={f"key {i}": key(i, 0) for i, _ in enumerate(names)},
        words=words or {c: ((f"key {i}", 2),) for i, c in enumerate(names)}, cyclic=(),
    )  # fmt: skip


class Box:
    """Two toggles, or one toggle and one momentary; reports every 50 ms. `on` is what its outputs do."""

    def __init__(self, on=(True, True), momentary=()):
        self.on = list(on)
        self.momentary = momentary
        self.last_counter = None
        self.next_ns = 0

    def receive(self, t_ns, can_id, data, extended=True):
        if can_id != KEYS or data[2] == self.last_counter:
            return
        self.last_counter = data[2]
        key, down = data[0], data[1] & 1
        if key in self.momentary:
            self.on[key] = bool(down)
        elif down:
            self.on[key] = not self.on[key]

    def next_due(self):
        return self.next_ns

    def run_until(self, t_ns):
        if t_ns < self.next_ns:
            return []
        self.next_ns = t_ns + 50 * MS
        raw = sum(int(on) << 2 * i for i, on in enumerate(self.on))
        return [Frame(t_ns, STATE, bytes([raw]))]

    def supply(self, t_ns, box, on):
        raise AssertionError("nothing here can switch a supply")


@pytest.fixture
def served():
    """Starts serving a box; gives back the link's text."""
    running = []

    def start(box):
        server = PtyServer(box, SystemClock())
        stop = threading.Event()
        thread = threading.Thread(target=serve_until, args=(server, stop.is_set))
        thread.start()
        running.append((server, stop, thread))
        return f"slcan:{server.path}"

    yield start
    for server, stop, thread in running:
        stop.set()
        thread.join()
        server.close()


def session_for(tmp_path, data):
    (tmp_path / "safe_off.json").write_text(data.to_json())
    return tmp_path


def told(*lines, close=True, hung_s=0.2):
    """What `watch` makes of some lines."""
    read_end, write_end = os.pipe()
    book = CounterBook(off_data())
    os.write(write_end, "".join(f"{line}\n" for line in lines).encode())
    if close:
        os.close(write_end)
    try:
        return watch(read_end, SystemClock(), book, hung_s), book
    finally:
        os.close(read_end)
        if not close:
            os.close(write_end)


def test_done_is_believed():
    assert told(".", "done")[0] == DONE


def test_the_end_of_the_pipe_without_done_means_that_the_run_died():
    assert told(".", ".")[0] == END


def test_silence_on_an_open_pipe_means_that_the_run_hangs():
    assert told(".", close=False)[0] == HUNG


def test_a_run_may_give_up():
    assert told(".", "abandon")[0] == ABANDON


HORN = b"horn".hex()


def test_a_silent_run_is_not_waited_for_once_a_circuit_has_been_on_for_its_limit():
    assert told(f"L 50 {HORN}", close=False, hung_s=60)[0] == "the run left horn on for longer than its limit"


def test_what_is_off_again_has_no_limit_any_more():
    assert told(f"L 50 {HORN}", f"L - {HORN}", close=False)[0] == HUNG


def test_a_run_says_how_long_it_may_be_silent():
    assert told("W 100", close=False, hung_s=60)[0] == HUNG


class Still:
    """A clock that is moved by hand."""

    t_ns = 0

    def now_ns(self):
        return self.t_ns


def test_a_run_that_is_alive_has_half_a_second_to_switch_off_itself():
    clock = Still()
    patience = Patience(clock, 5.0)
    patience.limit("1000", "horn")
    assert patience.ends_ns()[0] == 1000 * MS
    clock.t_ns = 900 * MS
    patience.heard()
    assert patience.ends_ns()[0] == 1200 * MS
    clock.t_ns = 1400 * MS
    patience.heard()
    assert patience.ends_ns() == (1500 * MS, "the run left horn on for longer than its limit")


def test_it_learns_held_keys_and_counters_from_what_is_about_to_be_sent():
    _, book = told("T CFF1041 1 010109", "T CFF1041 1 00010a", "T CFF1041 1 00000b")
    assert book.held == {"key 1"}
    assert book.stamp(off_data().release["key 1"]) == bytes((1, 0, 12))


def test_it_is_told_what_a_person_may_have_by_hand_and_what_no_longer():
    _, book = told(f"H 1 {'anker_öse'.encode().hex()}", f"H 1 {b'a'.hex()}", f"H 0 {b'a'.hex()}")
    assert book.by_hand == {"anker_öse"}


@pytest.mark.slow
@pytest.mark.realtime
def test_when_the_run_dies_the_guard_releases_what_is_held_and_switches_off_the_rest(served, tmp_path):
    box = Box(momentary=(1,))
    session = session_for(tmp_path, off_data(served(box)))
    guard = GuardProcess(session)
    guard.start()
    guard.tell(KEYS, True, bytes((1, 1, 5)))
    reached = guard.wait_result()
    assert box.on == [False, False]
    assert reached["state"] == "acted" and reached["why"] == END
    assert reached["stays_on"] == [] and reached["text"] == "every circuit reports off"
    assert reached["log"] == ["released key 1", "a is on: pressed key 0"]
    log = (session / "guard.log").read_text().splitlines()
    assert any("0CFF1041#010006 T" in line for line in log)
    assert (session / "guard.err").read_text() == ""


@pytest.mark.slow
@pytest.mark.realtime
def test_what_the_guard_cannot_switch_off_it_names(served, tmp_path):
    box = Box(on=(True, False))
    data = off_data(served(box), words={"a": (("key 7", 2),)})
    guard = GuardProcess(session_for(tmp_path, data))
    guard.start()
    reached = guard.wait_result()
    assert box.on == [True, False]
    assert reached["stays_on"] == ["a"] and reached["text"] == "still on: a"


@pytest.mark.slow
@pytest.mark.realtime
def test_after_done_the_guard_leaves_the_link_alone(served, tmp_path):
    box = Box()
    guard = GuardProcess(session_for(tmp_path, off_data(served(box))))
    guard.start()
    assert guard.beat() == ""
    guard.done()
    assert box.on == [True, True]
    assert json.loads((tmp_path / "guard.json").read_text()) == {"state": "not needed"}


@pytest.mark.slow
@pytest.mark.realtime
def test_a_guard_that_died_is_noticed(tmp_path):
    guard = GuardProcess(session_for(tmp_path, off_data()))
    guard.start()
    os.kill(guard.pid, signal.SIGKILL)
    guard._process.wait()
    assert guard.beat() == "guard lost: Broken pipe"
    guard.done()


LEFT_ON = "the run left b on for longer than its limit"

HANGING = """
import sys
from pathlib import Path
from bench.core.clock import SystemClock
from bench.run.guard_process import GuardProcess
guard = GuardProcess(Path(sys.argv[1]))
guard.start()
print(guard.pid, flush=True)
if len(sys.argv) > 2:
    guard.hangs_after(60)
    guard.off_within("b", 0.2)
clock = SystemClock()
clock.wait_until(clock.now_ns() + 60_000_000_000)
"""


@pytest.mark.slow
@pytest.mark.realtime
@pytest.mark.parametrize("limited", [[], ["limited"]])
def test_a_hung_run_is_ended_before_the_guard_opens_the_link(served, tmp_path, limited):
    """With a circuit on that has a limit the guard does not wait until the run counts as hung."""
    box = Box()
    session = session_for(tmp_path, off_data(served(box)))
    command = [sys.executable, "-c", HANGING, str(session), *limited]
    run = subprocess.Popen(command, stdout=subprocess.PIPE)
    guard_pid = int(run.stdout.readline())
    assert run.wait(30) == -signal.SIGKILL
    run.stdout.close()
    reached = wait_for_guard(session, guard_pid)
    assert box.on == [False, False] and reached["why"] == (LEFT_ON if limited else HUNG)


def wait_for_guard(session, pid, seconds=30):
    """Blocks until the guard has written its result."""
    clock = SystemClock()
    for _ in range(seconds * 20):
        found = json.loads((session / "guard.json").read_text())
        if found["state"] in ("acted", "not needed"):
            return found
        clock.wait_until(clock.now_ns() + 50 * MS)
    raise AssertionError(f"guard {pid} still {found}")
