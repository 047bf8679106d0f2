"""The study of faults on a port: what its adapter does, and that a run on it ends as it should."""

import pytest

from bench.core.clock import SystemClock
from bench.core.frame import Frame
from bench.core.verdict import INCONCLUSIVE, PASS
from bench.evidence import port_faults
from bench.evidence.port_faults import (
    GONE,
    HELD,
    KINDS,
    LOST,
    NONSENSE,
    REFUSED,
    UNANSWERED,
    VANISHED,
    FailingAdapter,
)

FRAME = Frame(0, 0x123, b"\x01", False)
SHOWN = b"t123101\r"


def adapter(kind, *, now):
    made = FailingAdapter(kind, SystemClock())
    made.feed(b"O\r")
    if now:
        made.from_ns = 0
    return made


@pytest.mark.parametrize("kind", KINDS)
def test_before_its_time_an_adapter_is_as_any_other(kind):
    made = adapter(kind, now=False)
    assert made.show(FRAME) == SHOWN and made.feed(b"t123101\r")[0] == b"z\r"
    assert made.met == 0 and made.unsent == []


@pytest.mark.parametrize(("kind", "shown"), [(LOST, b""), (NONSENSE, b"\xfft123\r"), (REFUSED, SHOWN)])
def test_what_it_shows_while_it_fails(kind, shown):
    assert adapter(kind, now=True).show(FRAME) == shown


@pytest.mark.parametrize(
    ("kind", "answer", "reaches"), [(REFUSED, b"\x07", 0), (VANISHED, b"", 0), (UNANSWERED, b"", 1)]
)
def test_what_becomes_of_a_send_while_it_fails(kind, answer, reaches):
    made = adapter(kind, now=True)
    said, sent = made.feed(b"t123101\r")
    assert (said, len(sent), len(made.unsent)) == (answer, reaches, 1 - reaches)


def test_while_it_holds_lines_back_answers_wait_as_well():
    made = adapter(HELD, now=True)
    assert made.holding() and made.show(FRAME) == SHOWN and made.feed(b"V\r")[0] == b"V1013\r"
    made.until_ns = 0
    assert not made.holding() and made.met == 1
    assert not adapter(LOST, now=True).holding()


@pytest.mark.realtime
@pytest.mark.slow
def test_lines_held_back_on_a_port_end_in_no_wrong_verdict():
    number = KINDS.index(HELD) + len(KINDS)  # on a healthy box
    found = port_faults.one(number)
    assert (found.kind, found.wrong) == (HELD, "") and found.met
    assert found.outcome in (PASS, INCONCLUSIVE)


@pytest.mark.realtime
@pytest.mark.slow
def test_a_port_that_vanishes_during_a_run_ends_in_no_wrong_verdict():
    found = port_faults.one(KINDS.index(GONE))
    assert (found.kind, found.outcome, found.wrong) == (GONE, INCONCLUSIVE, "")
