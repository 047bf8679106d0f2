"""The safe-off machine against small fake boxes, right and wrong ones. No source: common practice."""

from collections.abc import Callable

import pytest

from bench.run.off_data import CounterBook, Field, OffData, Reading, Template, get_bits, put_bits
from bench.run.safe_off import SafeOff

MS = 1_000_000
STATE, KEYS, ALIVE = 0x18FF2021, 0x0CFF1041, 0x18FF1141
Press = Callable[["FakeBox"], None]


class FakeBox:
    """Outputs by name, reported each 100 ms and 20 ms after a change; keys do what they are given."""

    def __init__(self, circuits: list[str], keys: dict[int, Press], respond_ms: int = 40) -> None:
        self.circuits, self.keys, self.respond_ms = circuits, keys, respond_ms
        self.on = dict.fromkeys(circuits, False)
        self.silent = False
        self.held: set[int] = set()
        self.last_counter: int | None = None
        self.events: list[tuple[int, Press]] = []
        self.presses: list[int] = []

    def receive(self, t_ns: int, can_id: int, data: bytes) -> None:
        if can_id != KEYS or data[2] == self.last_counter:
            return
        self.last_counter = data[2]
        key, down = data[0], bool(data[1] & 1)
        (self.held.add if down else self.held.discard)(key)
        if down:
            self.presses.append(key)
            if key in self.keys:
                self.events.append((t_ns + self.respond_ms * MS, self.keys[key]))

    def run(self, t_ns: int) -> bytes:
        for at, act in [e for e in self.events if e[0] <= t_ns]:
            self.events.remove((at, act))
            act(self)
        raw = sum(int(self.on[c]) << (2 * i) for i, c in enumerate(self.circuits))
        return raw.to_bytes(8, "little")


def toggle(name: str) -> Press:
    return lambda box: box.on.__setitem__(name, not box.on[name])


def cycle(*positions: set[str]) -> Press:
    """A counted cycle; the last position is the empty one."""
    members = set().union(*positions)
    stand = [0]

    def act(box: FakeBox) -> None:
        for m in members:
            box.on[m] = m in positions[stand[0]]
        stand[0] = (stand[0] + 1) % len(positions)

    return act


def data_for(
    box: FakeBox, words: dict[str, tuple[tuple[str, int], ...]], *, later: tuple[str, ...] = ()
) -> OffData:
    keys = {control for word in words.values() for control, _ in word}
    counter = tuple(range(23, 15, -1))

    def frame(control: str, down: int) -> Template:
        return Template("helm", KEYS, True, bytes((int(control.split()[1]), down, 0)), counter)

    return OffData(
        adapter="fake", tap_ms=120.0, respond_ms=100.0, read_back_ms=500.0, comes_on_later=later,
        circuits={
            c: Reading(Field(STATE, True, (2 * i + 1, 2 * i)), on=(1,), off=(0, 2))
            for i, c in enumerate(box.circuits)
        },
        press={c: frame(c, 1) for c in keys}, release={c: frame(c, 0) for c in keys}, words=words,
        cyclic=(Template("helm", ALIVE, True, b"\x00\x00", tuple(range(7, -1, -1)), 500.0),),
    )  # fmt: skip


def drive(
    box: FakeBox, data: OffData, *, book: CounterBook | None = None, limit_s: float = 60.0, targets=None,
    watch_ms=0.0,
):  # fmt: skip
    machine = SafeOff(data, book or CounterBook(data), 0, targets=targets, watch_ms=watch_ms)
    sent = []
    t_ns = 0
    while not machine.finished:
        assert t_ns < limit_s * 1000 * MS, "the machine did not come to an end"
        payload = box.run(t_ns)
        if not box.silent and t_ns % (100 * MS) == 0:
            machine.see(t_ns, STATE, True, payload)
        for out in machine.advance(t_ns):
            sent.append((t_ns, out))
            box.receive(t_ns, out.can_id, out.data)
        t_ns += 10 * MS
    return machine.result(), sent, t_ns


@pytest.mark.parametrize(("watch_ms", "is_off"), [(700.0, True), (0.0, False)])
def test_what_comes_on_again_within_the_watch_is_switched_off_again(watch_ms, is_off):
    """As where a press that was held back on its way comes late."""
    box = FakeBox(["a", "b"], {1: toggle("a"), 2: toggle("b")})
    box.on.update(a=True)
    box.events.append((900 * MS, toggle("a")))
    result, _, t_ns = drive(
        box, data_for(box, {"a": (("key 1", 2),), "b": (("key 2", 2),)}), watch_ms=watch_ms
    )
    box.run(t_ns + 1000 * MS)
    assert result.all_off
    assert (box.on == {"a": False, "b": False}) is is_off
    assert box.presses == [1, 1] if is_off else [1]


def test_what_stays_on_whatever_is_pressed_ends_the_watch_too():
    box = FakeBox(["a"], {1: toggle("a")})
    box.on.update(a=True)
    box.events += [(t_s * 1000 * MS, lambda b: b.on.update(a=True)) for t_s in range(1, 40)]
    result, _, t_ns = drive(box, data_for(box, {"a": (("key 1", 2),)}), watch_ms=700.0)
    assert result.stays_on == ("a",)
    assert t_ns < 10_000 * MS


def test_every_output_that_reports_on_is_switched_off_and_nothing_else_is_pressed():
    box = FakeBox(["a", "b", "c"], {1: toggle("a"), 2: toggle("b"), 3: toggle("c")})
    box.on.update(a=True, c=True)
    words = {"a": (("key 1", 2),), "b": (("key 2", 2),), "c": (("key 3", 2),)}
    result, _, t_ns = drive(box, data_for(box, words))
    assert result.all_off and box.presses == [1, 3]
    assert result.text() == "every circuit reports off"
    assert t_ns < 2000 * MS


def test_presses_wait_for_the_first_report():
    box = FakeBox(["a"], {1: toggle("a")})
    box.silent = True
    result, _, _ = drive(box, data_for(box, {"a": (("key 1", 2),)}))
    assert box.presses == [] and result.not_heard == ("a",) and not result.all_off
    assert "unknown: a" in result.text()
    assert "nothing heard from any box for 1.5 s; no key was pressed" in result.log


def test_a_box_that_ignores_presses_gets_two_and_is_named():
    box = FakeBox(["a", "b"], {2: toggle("b")})
    box.on.update(a=True, b=True)
    result, _, _ = drive(box, data_for(box, {"a": (("key 1", 2),), "b": (("key 2", 2),)}))
    assert box.presses.count(1) == 2
    assert result.stays_on == ("a",) and result.text() == "still on: a"
    assert not box.on["b"]


def test_a_key_bound_wrongly_leaves_its_wrong_circuit_as_it_was_and_the_next_word_is_tried():
    box = FakeBox(["a", "b"], {1: toggle("b"), 2: toggle("a")})
    box.on["a"] = True
    result, _, _ = drive(box, data_for(box, {"a": (("key 1", 2), ("key 2", 2)), "b": (("key 9", 2),)}))
    assert box.presses == [1, 1, 2]
    assert result.all_off and not any(box.on.values())


def test_two_crossed_keys_still_end_with_everything_off():
    box = FakeBox(["a", "b"], {1: toggle("b"), 2: toggle("a")})
    box.on.update(a=True, b=True)
    words = {"a": (("key 1", 2), ("key 2", 2)), "b": (("key 2", 2), ("key 1", 2))}
    result, _, _ = drive(box, data_for(box, words))
    assert not any(box.on.values()), result.log
    assert result.all_off


def test_a_stuck_output_is_named_and_the_others_go_off():
    def stuck(box: FakeBox) -> None:
        box.on["a"] = True

    box = FakeBox(["a", "b"], {1: stuck, 2: toggle("b")})
    box.on.update(a=True, b=True)
    result, _, _ = drive(box, data_for(box, {"a": (("key 1", 2),), "b": (("key 2", 2),)}))
    assert result.stays_on == ("a",) and box.presses.count(1) == 2 and not box.on["b"]


@pytest.mark.parametrize("start", [0, 1, 2])
def test_a_cycle_takes_one_pass_at_most(start):
    step = cycle({"a"}, {"a", "b"}, {"b"}, set())
    box = FakeBox(["a", "b"], {1: step})
    for _ in range(start + 1):
        step(box)
    words = {"a": (("key 1", 4),), "b": (("key 1", 4),)}
    result, _, _ = drive(box, data_for(box, words))
    assert result.all_off and len(box.presses) == 3 - start


def test_a_cycle_that_never_empties_is_left_after_one_pass():
    box = FakeBox(["a", "b"], {1: cycle({"a"}, {"a", "b"}, {"a"})})
    box.on["a"] = True
    result, _, _ = drive(box, data_for(box, {"a": (("key 1", 3),)}))
    assert result.stays_on[0] == "a" and len(box.presses) == 3


def test_no_key_is_pressed_for_what_may_be_by_hand_and_it_is_named():
    def group(box: FakeBox) -> None:  # its key works a pump besides
        box.on["pump"] = not box.on["pump"]

    box = FakeBox(["lamp", "pump", "c"], {1: group, 2: toggle("c")})
    box.on.update(lamp=True, c=True)
    data = data_for(box, {"lamp": (("key 1", 2),), "c": (("key 2", 2),)})
    book = CounterBook(data)
    book.by_hand.add("lamp")
    result, _, _ = drive(box, data, book=book)
    assert (box.presses, box.on["pump"]) == ([2], False)
    assert result.stays_on == ("lamp",) and not result.all_off


def test_a_held_key_is_released_before_anything_is_pressed():
    box = FakeBox(["horn"], {})
    box.on["horn"] = True
    data = data_for(box, {"horn": (("key 3", 2),)})
    book = CounterBook(data)
    book.note(KEYS, True, bytes((3, 1, 77)))
    _, sent, _ = drive(box, data, book=book)
    first = next(out for _, out in sent if out.can_id == KEYS)
    assert first.data == bytes((3, 0, 78)) and first.about == "release key 3"


def test_counters_go_on_from_the_last_one_sent_and_wrap():
    box = FakeBox(["a"], {1: toggle("a")})
    box.on["a"] = True
    box.last_counter = 255
    data = data_for(box, {"a": (("key 1", 2),)})
    book = CounterBook(data)
    book.note(KEYS, True, bytes((1, 0, 255)))
    result, sent, _ = drive(box, data, book=book)
    assert result.all_off and [o.data[2] for _, o in sent if o.can_id == KEYS] == [0, 1]


def test_a_first_press_lost_as_a_repeated_counter_is_made_good_by_the_second():
    box = FakeBox(["a"], {1: toggle("a")})
    box.on["a"] = True
    box.last_counter = 0
    result, _, _ = drive(box, data_for(box, {"a": (("key 1", 2),)}))
    assert result.all_off


def test_cyclic_frames_go_on_while_switching_off():
    box = FakeBox(["a"], {1: toggle("a")})
    box.silent = True
    _, sent, _ = drive(box, data_for(box, {"a": (("key 1", 2),)}))
    assert [t // MS for t, o in sent if o.can_id == ALIVE] == [0, 500, 1000, 1500]


def test_a_box_that_falls_silent_is_not_pressed_on_an_old_report():
    def act(box: FakeBox) -> None:
        box.silent = True

    box = FakeBox(["a", "b"], {1: act, 2: toggle("b")})
    box.on.update(a=True, b=True)
    result, _, _ = drive(box, data_for(box, {"a": (("key 1", 2),), "b": (("key 2", 2),)}))
    assert box.presses == [1] and result.not_heard == ("a", "b")


def test_what_comes_on_when_the_bench_falls_silent_is_said():
    box = FakeBox(["a"], {})
    result, _, _ = drive(box, data_for(box, {}, later=("bilge comes on 4 s after the bench falls silent",)))
    assert result.text() == "bilge comes on 4 s after the bench falls silent"


def test_only_the_targets_are_switched_off():
    box = FakeBox(["a", "b"], {1: toggle("a"), 2: toggle("b")})
    box.on.update(a=True, b=True)
    words = {"a": (("key 1", 2),), "b": (("key 2", 2),)}
    drive(box, data_for(box, words), targets=frozenset({"b"}))
    assert box.on == {"a": True, "b": False}


def test_safe_off_data_survives_its_file():
    box = FakeBox(["a", "b"], {})
    data = data_for(box, {"a": (("key 1", 2), ("key 2", 4))}, later=("x",))
    assert OffData.from_json(data.to_json()) == data


def test_another_version_of_the_file_is_refused():
    box = FakeBox(["a"], {})
    with pytest.raises(ValueError, match="has version 9, expected 1"):
        OffData.from_json(data_for(box, {}).to_json().replace('"version": 1', '"version": 9'))


def test_bits_are_written_where_they_are_read_and_a_short_frame_reads_as_unknown():
    bits = (3, 2, 1, 0, 15, 14)
    assert get_bits(put_bits(b"\xff\xff", bits, 0b100110), bits) == 0b100110
    assert get_bits(b"\x00", bits) == -1
