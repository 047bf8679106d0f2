"""A run in a process of its own against the virtual box in another, ended at some moment. The virtual
box holds its outputs when a controller vanishes, as a real one does: only conductor or guard can
switch them off. What is on afterwards is read from the box's own frames."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from bench.assess import assess_session
from bench.core.clock import SystemClock
from bench.core.frame import Frame
from bench.core.verdict import INCONCLUSIVE
from bench.lab.api import load_boat
from bench.link.open import open_link
from bench.oracle import Oracle
from bench.session import open_session

ROOT = Path(__file__).parents[2]
MS = 1_000_000

SERVE = """
from bench.core.clock import SystemClock
from bench.lab.api import boat_tables
from bench.lab.serve import serve_on_pty
from bench.twin import Twin
clock = SystemClock()
serve_on_pty(Twin(boat_tables("demo"), seed=3, start_ns=clock.now_ns()), clock)
"""

RUN = """
import sys
from pathlib import Path
from bench.lab.api import load_boat
from bench.run.api import Wishes, run_link
from bench.run.stop import StopFlag
with StopFlag().on_signals() as stop:
    wishes = Wishes(short=True, out=Path(sys.argv[2]), guard=True)
    result = run_link(load_boat("demo"), f"slcan:{sys.argv[1]}", wishes, stop=stop)
sys.exit(result.exit_status)
"""


@pytest.fixture
def port():
    """A served virtual box; its port."""
    server = start(SERVE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    yield server.stdout.readline().decode().strip()
    server.terminate()
    server.wait(10)
    server.stdout.close()


def start(code, *arguments, **more):
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen([sys.executable, "-c", code, *arguments], env=environment, **more)


@pytest.fixture
def run(port, tmp_path):
    """A run on the served box, recorded in `s`; ended when the test is over."""
    process = start(RUN, port, str(tmp_path / "s"))
    yield process
    process.kill()
    process.wait(10)


def wait_ms(ms):
    clock = SystemClock()
    clock.wait_until(clock.now_ns() + int(ms * MS))


def wait_until(condition, seconds, what):
    """Blocks: until it holds; fails after `seconds`."""
    for _ in range(int(seconds * 20)):
        if condition():
            return
        wait_ms(50)
    raise AssertionError(f"after {seconds} s still not: {what}")


def step_reached(session, index):
    marks = session / "marks.jsonl"
    if not marks.exists():
        return False
    whole = marks.read_text().rpartition("\n")[0]
    return any(json.loads(line).get("step") == index for line in whole.splitlines())


def reported_on(port):
    """Circuits that the box reports on, from 400 ms of its frames."""
    boat, clock, on = load_boat("demo"), SystemClock(), {}
    link = open_link(f"slcan:{port}", clock)
    try:
        end_ns = clock.now_ns() + 400 * MS
        while clock.now_ns() < end_ns:
            for entry in link.wait(end_ns):
                reading = boat.definitions.decode(entry) if type(entry) is Frame else None
                for o in reading.observations if reading else ():
                    if o.signal.startswith("state:"):
                        on[o.signal.partition(":")[2]] = o.value
    finally:
        link.close()
    assert set(on) == set(boat.spec.circuits)
    return sorted(c for c, value in on.items() if value != 0)


def judged(session):
    boat = load_boat("demo")
    return assess_session(open_session(session), boat.spec, boat.definitions, Oracle(boat.spec))


@pytest.mark.slow
@pytest.mark.realtime
@pytest.mark.parametrize("at_step", [6, 41])
def test_after_sigkill_the_guard_switches_everything_off(run, port, tmp_path, at_step):
    session = tmp_path / "s"
    wait_until(lambda: step_reached(session, at_step), 20, f"step {at_step}")
    run.kill()
    assert run.wait(10) == -signal.SIGKILL
    guard = session / "guard.json"
    wait_until(lambda: json.loads(guard.read_text())["state"] == "acted", 40, "the guard acted")
    acted = json.loads(guard.read_text())
    assert acted["why"] == "the run died" and acted["text"] == "every circuit reports off"
    assert acted["pressed"] >= 1
    assert reported_on(port) == []
    assert judged(session).outcome == INCONCLUSIVE


@pytest.mark.slow
@pytest.mark.realtime
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_after_a_signal_the_run_switches_off_itself_and_says_so(run, port, tmp_path, number):
    session = tmp_path / "s"
    wait_until(lambda: step_reached(session, 20), 20, "step 20")
    os.kill(run.pid, number)
    assert run.wait(20) == 128 + number
    assert json.loads((session / "guard.json").read_text()) == {"state": "not needed"}
    header = json.loads((session / "session.json").read_text())
    assert header["reason"] == "interrupted" and header["safe_off"]["stays_on"] == []
    assert reported_on(port) == []
    verdict = judged(session)
    assert verdict.outcome == INCONCLUSIVE
    assert any("interrupted" in d.reason for d in verdict.doubts)


@pytest.mark.slow
@pytest.mark.realtime
def test_a_run_that_is_stopped_like_a_hung_one_is_ended_and_switched_off(run, port, tmp_path):
    session = tmp_path / "s"
    wait_until(lambda: step_reached(session, 10), 20, "step 10")
    os.kill(run.pid, signal.SIGSTOP)
    assert run.wait(30) == -signal.SIGKILL
    guard = session / "guard.json"
    wait_until(lambda: json.loads(guard.read_text())["state"] == "acted", 40, "the guard acted")
    assert json.loads(guard.read_text())["why"] == "the run hung"
    assert reported_on(port) == []


LIMITED_RUN = """
import sys
from dataclasses import replace
from pathlib import Path
from bench.core.plan import Plan, Step
from bench.lab.api import load_boat
from bench.run.api import Wishes, run_link
from bench.spec.profile import parse_profile
head = "hardstand_bench: 1\\nadapter: slcan\\nclock: host\\necho: none\\nconfirms: true\\njitter_ms: 15\\n"
boat = replace(load_boat("demo"), profile=parse_profile(head + "limits: {circuits: {horn: 4.5}}\\n"))
steps = Step(0, "press", "panel helm 3"), Step(4000, "release", "panel helm 3")
wishes = Wishes(plan=Plan("horn", steps, 5000.0), out=Path(sys.argv[2]), guard=True)
run_link(boat, f"slcan:{sys.argv[1]}", wishes)
"""


@pytest.mark.slow
@pytest.mark.realtime
def test_a_run_that_hangs_with_the_horn_on_is_ended_when_the_horns_time_is_over(port, tmp_path):
    session = tmp_path / "s"
    run = start(LIMITED_RUN, port, str(session))
    try:
        wait_until(lambda: step_reached(session, 0), 20, "the horn was switched on")
        wait_ms(500)
        os.kill(run.pid, signal.SIGSTOP)
        assert run.wait(30) == -signal.SIGKILL
    finally:
        run.kill()
        run.wait(10)
    guard = session / "guard.json"
    wait_until(lambda: json.loads(guard.read_text())["state"] == "acted", 40, "the guard acted")
    acted = json.loads(guard.read_text())
    assert acted["why"] == "the run left horn on for longer than its limit"
    assert acted["text"] == "every circuit reports off"
    assert reported_on(port) == []
    assert judged(session).outcome == INCONCLUSIVE
