"""Response, dimming, and a stateful test whose failure prints a sequence to paste and run."""

from __future__ import annotations

import random

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from bench.twin import Twin, boats, load_tables
from bench.twin.dimming import ramp_level
from bench.twin.tables import DimRow

S, MS = 1_000_000_000, 1_000_000
RESPOND_MS = {"kittiwake": 100, "dunlin": 120, "fulmar": 80}  # docs/boats
SHORTEST_MS = {"kittiwake": 0, "dunlin": 20, "fulmar": 0}


@pytest.mark.parametrize("boat", list(RESPOND_MS))
def test_every_reaction_is_reported_in_time_over_200_presses(boat: str) -> None:
    tables = load_tables(boats()[boat])
    toggles = [k for k in tables.keys if k.operation >= 100 and tables.channel[k.operation - 100].dim is None]
    twin, rng = Twin(tables, seed=11), random.Random(11)
    states = {f.id for f in tables.frames if any(x.kind == "state" for x in f.fields)}
    t, worst, moved = S, 0.0, 0
    for _ in range(200):
        key = rng.choice(toggles)
        c = key.operation - 100
        twin.run_until(t)
        before = twin.output(c)
        twin.press(t, key.node, key.key)
        twin.release(t + 60 * MS, key.node, key.key)
        frames = twin.run_until(t + 400 * MS)
        if twin.output(c) != before:
            moved += 1
            first = next(f for f in frames if f.can_id in states and _shows(tables, f, c, twin.output(c)))
            worst = max(worst, (first.t_ns - t) / MS)
        t += 400 * MS + rng.randrange(20 * MS) // 1000 * 1000
    assert moved > 100
    assert worst <= RESPOND_MS[boat] + SHORTEST_MS[boat] - 5


def _shows(tables, frame, c: int, output: float) -> bool:
    row = next(f for f in tables.frames if f.id == frame.can_id)
    box = next(b for b in tables.boxes if b.name == row.box)
    if c not in box.numbers:
        return False
    own = c - box.first
    return (int.from_bytes(frame.data, "little") >> 2 * own & 3) == int(output > 0)


@pytest.mark.parametrize("boat", list(RESPOND_MS))
def test_nothing_moves_without_a_cause(boat: str) -> None:
    tables = load_tables(boats()[boat])
    twin = Twin(tables, seed=2)
    first = {c.number: twin.output(c.number) for c in tables.channels}
    lamps = twin.lamps()
    twin.run_until(300 * S)
    assert {c.number: twin.output(c.number) for c in tables.channels} == first
    assert twin.lamps() == lamps


# by hand: 100 to 5 % in 4 s is 23.75 % a second
@pytest.mark.parametrize(
    ("after_s", "turning", "stopping"),
    [(0, 100, 100), (2, 52.5, 52.5), (4, 5, 5), (5, 28.75, 5), (9, 76.25, 5)],
)
def test_the_ramp_has_constant_speed_and_turns_or_stops(
    after_s: float, turning: float, stopping: float
) -> None:
    for at_end, expected in (("turn", turning), ("stop", stopping)):
        dim = DimRow(5.0, 500.0, 4000.0, "none", False, "down", at_end)
        assert ramp_level(dim, (0, 100.0, -1), int(after_s * S)) == pytest.approx(expected)


def test_a_held_key_dims_at_the_agreed_speed_and_stays_when_let_go() -> None:
    twin = Twin(load_tables(boats()["kittiwake"]), seed=5)
    twin.press(S, "screen helm", 31)
    twin.release(S + 2500 * MS, "screen helm", 31)  # 2 s of ramp: 100 - 2 x 23.75
    twin.run_until(5 * S)
    assert twin.output(9) == pytest.approx(52.5, abs=0.5)
    assert twin.truth(5 * S)["main", 9].amps == pytest.approx(0.9 * 0.525, rel=0.05)


class AnyPresses(RuleBasedStateMachine):
    """Whatever is pressed: an output that is by hand stays on, and what is tripped stays off."""

    def __init__(self) -> None:
        super().__init__()
        self.tables = load_tables(boats()["kittiwake"])
        self.twin = Twin(self.tables, seed=0)
        self.t = S
        self.script = [
            "from bench.twin import Twin, boats, load_tables",
            'tables = load_tables(boats()["kittiwake"])',
        ]
        self.script.append("twin = Twin(tables, seed=0)")

    def do(self, call: str) -> None:
        self.script.append(f"twin.{call}")
        eval(f"twin.{call}", {"twin": self.twin})

    @rule(index=st.integers(0, 33), held_ms=st.integers(20, 900))
    def tap(self, index: int, held_ms: int) -> None:
        key = self.tables.keys[index]
        self.do(f"press({self.t}, {key.node!r}, {key.key})")
        self.t += held_ms * MS
        self.do(f"release({self.t}, {key.node!r}, {key.key})")
        self.t += 100 * MS

    @rule(value=st.integers(0, 1))
    def float_switch(self, value: int) -> None:
        self.do(f"sensor({self.t}, 1, {value})")
        self.t += 100 * MS

    @rule(channel=st.sampled_from([3, 12, 14, 20]), on=st.booleans())
    def by_hand(self, channel: int, on: bool) -> None:
        self.do(f"by_hand({self.t}, 'main', {channel}, {on})")
        self.t += 200 * MS

    @rule()
    def trip(self) -> None:
        self.do(f"trip({self.t}, 'main', 14)")
        self.t += 100 * MS

    @invariant()
    def holds(self) -> None:
        twin = self.twin
        twin.run_until(self.t)
        known = twin._firmware.channels
        wrong = [c for c in range(1, 25) if known.hand[c] and twin.output(c) != 100.0]
        wrong += [c for c in range(1, 25) if known.tripped[c] and not known.hand[c] and twin.output(c) != 0.0]
        if twin.output(20) > 0.0 and twin.output(21) > 0.0 and not known.hand[20]:
            wrong.append(20)
        wrong += [c for c in range(1, 25) if known.tripped[c] and known.stored[c] != 0.0]
        if wrong:
            pytest.fail("\n".join([f"channels {wrong}; run:", *self.script, f"twin.run_until({self.t})"]))


AnyPresses.TestCase.settings = settings(
    max_examples=20, stateful_step_count=15, deadline=None, derandomize=True
)
test_whatever_is_pressed_locks_hold = pytest.mark.slow(AnyPresses.TestCase)


def test_the_stateful_test_prints_a_sequence_that_runs() -> None:
    machine = AnyPresses()
    machine.tap(5, 60)
    machine.by_hand(3, True)
    machine.holds()
    machine.twin._firmware.channels.out[3] = 0.0  # spoil it
    with pytest.raises(pytest.fail.Exception) as caught:
        machine.holds()
    script = str(caught.value).split("run:\n")[1]
    exec(script, {})
    assert "twin.by_hand(" in script and script.count("\n") == 6
