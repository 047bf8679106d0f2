"""A gap in a recording while a timer runs: keys pressed meanwhile come before its end or after it."""

import pytest

from bench.assess.offline import Part
from bench.cli.judging import judge_it
from bench.cli.recordings import open_recording
from bench.core.frame import Frame
from bench.core.plan import Plan, Step
from bench.core.verdict import INCONCLUSIVE
from bench.lab.api import run_virtual
from bench.run.api import Wishes
from bench.session import format_frame, open_session

TIMER, TOGGLE = (
    "panel helm 7",
    "screen helm 42",
)  # washdown, off by itself after 40 s; locker_light, which follows
AFTER_MS, EVERY_MS, PRESSES = 500.0, 1500.0, 22


def taps():
    for at_ms, key in [(0.0, TIMER), *((AFTER_MS + n * EVERY_MS, TOGGLE) for n in range(PRESSES))]:
        yield Step(at_ms, "press", key, 1)
        yield Step(at_ms + 120.0, "release", key, 0)


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    out = tmp_path_factory.mktemp("timer") / "s"
    run_virtual("demo", wishes=Wishes(plan=Plan("timer", tuple(taps()), 45_000.0), out=out))
    return [e for e in open_session(out).entries() if isinstance(e, Frame)]


@pytest.mark.slow
@pytest.mark.parametrize("press", range(0, PRESSES, 3))
def test_a_key_lost_while_a_timer_runs_convicts_nobody_when_it_ends(press, frames, tmp_path):
    began_ns = next(f.t_ns for f in frames if f.describe().startswith("0CFF1041#07FD"))
    gap_ns = began_ns + round((AFTER_MS + press * EVERY_MS - 150.0) * 1e6)
    path = tmp_path / "a.log"
    kept = [f for f in frames if not gap_ns < f.t_ns < gap_ns + 400_000_000]
    path.write_text("".join(map(format_frame, kept)), encoding="ascii")
    verdict = judge_it(open_recording([str(path)]), "demo", part=Part(frames[0].t_ns + 2_500_000_000))[
        1
    ].verdict
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    assert any("not seen" in doubt.reason for doubt in verdict.doubts)
