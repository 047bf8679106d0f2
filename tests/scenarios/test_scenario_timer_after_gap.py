"""A gap in a recording while a timer runs: keys pressed meanwhile come before its end or after it."""

import pytest

from bench.assess.offline import Part
from bench.cli.judging import judge_it
from bench.cli.recordings import open_recording
from bench.core.frame import Frame
from bench.core.plan import Plan, Step
from bench.core.verdict import FAIL, INCONCLUSIVE
from bench.lab.api import run_virtual
from bench.run.api import Wishes
from bench.session import format_frame, open_session
from bench.twin import Fault

TIMER, TOGGLE = (
    "panel helm 7",
    "screen helm 42",
)  # washdown, off by itself after 40 s; locker_light, which follows
AFTER_MS, EVERY_MS, PRESSES = 500.0, 1500.0, 22


def taps():
    for at_ms, key in [(0.0, TIMER), *((AFTER_MS + n * EVERY_MS, TOGGLE) for n in range(PRESSES))]:
        yield Step(at_ms, "press", key, 1)
        yield Step(at_ms + 120.0, "release", key, 0)


def recorded(folder, *faults):
    out = folder / "s"
    wishes = Wishes(plan=Plan("timer", tuple(taps()), 45_000.0), out=out)
    run_virtual("demo", faults=tuple(map(Fault.parse, faults)), wishes=wishes)
    return [e for e in open_session(out).entries() if isinstance(e, Frame)]


def judged(frames, press, path):
    """Without what came about one of the presses."""
    began_ns = next(f.t_ns for f in frames if f.describe().startswith("0CFF1041#07FD"))
    gap_ns = began_ns + round((AFTER_MS + press * EVERY_MS - 150.0) * 1e6)
    kept = [f for f in frames if not gap_ns < f.t_ns < gap_ns + 400_000_000]
    path.write_text("".join(map(format_frame, kept)), encoding="ascii")
    part = Part(frames[0].t_ns + 2_500_000_000)
    return judge_it(open_recording([str(path)]), "demo", part=part)[1].verdict


@pytest.fixture(scope="module")
def healthy(tmp_path_factory):
    return recorded(tmp_path_factory.mktemp("healthy"))


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    """Locker_light stays on when washdown ends."""
    return recorded(tmp_path_factory.mktemp("faulty"), "follow_end_flipped:main 10")


@pytest.mark.slow
@pytest.mark.parametrize("press", range(0, PRESSES, 3))
def test_a_key_lost_while_a_timer_runs_convicts_nobody_when_it_ends(press, healthy, tmp_path):
    verdict = judged(healthy, press, tmp_path / "a.log")
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    assert any("not seen" in doubt.reason for doubt in verdict.doubts)


@pytest.mark.slow
@pytest.mark.parametrize("press", range(0, PRESSES - 6, 5))
def test_what_goes_wrong_when_it_ends_is_found_nevertheless(press, faulty, tmp_path):
    verdict = judged(faulty, press, tmp_path / "a.log")
    assert (verdict.outcome, [d.subject for d in verdict.discrepancies]) == (FAIL, ["locker_light"])
