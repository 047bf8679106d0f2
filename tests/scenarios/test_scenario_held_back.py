"""An adapter that holds frames back while the bench believes that it sees the bus: never the box's fault."""

import pytest

from bench.assess.offline import assess_session
from bench.core.clock import VirtualClock
from bench.core.entry import AdapterLate, Started
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.evidence.link_faults import faulty_run, sound_run
from bench.lab.api import boat_tables, load_boat
from bench.lab.one_fault import HELD, FaultyBench, LinkFault
from bench.lab.virtual import START_NS, VirtualBench
from bench.lab.walk import make_walk
from bench.oracle import Oracle
from bench.run.api import Wishes, run_on
from bench.session import open_session
from bench.twin import Twin

MS = 1_000_000
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def healthy():
    return sound_run(0)


def held_around(sound, k, before_ms, for_ms):
    """A fault that begins so long before the middle stimuli's `k`th."""
    from_ns = sound.stimuli_ns[len(sound.stimuli_ns) // 3 + k] - before_ms * MS
    return LinkFault(HELD, from_ns, from_ns + for_ms * MS)


@pytest.mark.parametrize("for_ms", [50, 150, 400])
@pytest.mark.parametrize("before_ms", [-20, 0, 40])
def test_a_healthy_box_never_fails_for_what_its_adapter_held(healthy, before_ms, for_ms):
    for k in range(0, 12, 3):
        fault = held_around(healthy, k, before_ms, for_ms)
        verdict, link = faulty_run(healthy, fault)
        assert verdict.outcome in (PASS, INCONCLUSIVE), (fault, verdict.discrepancies)
        assert link.met


def test_held_untold_it_would(healthy, monkeypatch):
    """So the test above can fail."""
    wait = FaultyBench.wait

    def wait_untold(self, until_ns):
        return [e for e in wait(self, until_ns) if not isinstance(e, AdapterLate)]

    monkeypatch.setattr(FaultyBench, "wait", wait_untold)
    ends = [faulty_run(healthy, held_around(healthy, k, -2, 300))[0].outcome for k in range(12)]
    assert FAIL in ends


def test_the_doubt_says_that_the_adapter_was_late(healthy):
    ends = [faulty_run(healthy, held_around(healthy, k, -2, 300))[0] for k in range(12)]
    reasons = [d.reason for verdict in ends for d in verdict.doubts]
    assert any("the adapter did not answer for 307 ms and may have held frames back" in r for r in reasons)


def test_a_session_with_held_frames_is_judged_later_as_it_was_live(healthy, tmp_path):
    boat, clock = load_boat("kittiwake"), VirtualClock(START_NS)
    twin = Twin(boat_tables(boat.spec.boat.name), seed=0, start_ns=START_NS, powered=False)
    link = FaultyBench(twin, clock, held_around(healthy, 2, -2, 300))
    wishes = Wishes(plan=make_walk(boat.spec, 0), out=tmp_path / "s")
    live = run_on(boat, link, clock, wishes, adapter="virtual").verdict
    session = open_session(tmp_path / "s")
    assert sum(isinstance(e, AdapterLate) for e in session.entries()) == 3
    boat.definitions.forget()
    again = assess_session(session, boat.spec, boat.definitions, Oracle(boat.spec))
    assert (again.outcome, again.doubts) == (live.outcome, live.doubts)
    assert again.discrepancies == live.discrepancies


class _CannotTell(VirtualBench):
    """Behind an adapter that answers no question."""

    def __init__(self, *args):
        super().__init__(*args)
        self._facts = self._facts.__class__("mute", True, "none", 2.0, switches_supply=True, complete=True)


@pytest.mark.parametrize(("make", "said"), [(VirtualBench, False), (_CannotTell, True)])
def test_a_verdict_says_where_the_link_cannot_tell(make, said, tmp_path):
    boat, clock = load_boat("kittiwake"), VirtualClock(START_NS)
    twin = Twin(boat_tables(boat.spec.boat.name), seed=0, start_ns=START_NS, powered=False)
    wishes = Wishes(plan=make_walk(boat.spec, 0), out=tmp_path / "s")
    verdict = run_on(boat, make(twin, clock), clock, wishes, adapter="virtual").verdict
    assert ("held frames" in verdict.detection) == said
    assert not said or "this link cannot tell" in verdict.detection["held frames"]
    started = next(e for e in open_session(tmp_path / "s").entries() if isinstance(e, Started))
    assert started.timely == int(not said)
