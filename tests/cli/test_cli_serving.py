"""What is typed at a served virtual box."""

import pytest

from bench.cli.serving import work_by_hand
from bench.cli.virtual import make_twin

MS = 1_000_000


def test_a_circuit_is_worked_by_hand_and_put_back():
    twin = make_twin("demo")
    assert work_by_hand(twin, " by hand main 9\n", 10 * MS) == "box main, channel 9: by hand"
    twin.run_until(200 * MS)
    assert (twin.true_output(9), twin.fault(9)) == (100.0, 3)
    assert work_by_hand(twin, "back main 9", 300 * MS) == "box main, channel 9: back from by hand"
    twin.run_until(500 * MS)
    assert (twin.true_output(9), twin.fault(9)) == (0.0, 0)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("hand main 9", "not understood: 'hand main 9'; type by hand BOX CHANNEL, or back BOX CHANNEL"),
        ("by hand main -1", "not understood: 'by hand main -1'"),
        ("x" * 5000, f"not understood: '{'x' * 40}'"),
        ("by hand fore 1", "error: no box 'fore'"),
        ("back main 99", "error: box 'main' has no channel 99"),
    ],
)
def test_what_cannot_be_done_is_said(line, said):
    assert work_by_hand(make_twin("demo"), line, 0).startswith(said)
