"""Silence, missing messages and counters: what is the box's fault and what nobody can tell."""

from bench.assess.agenda import Agenda
from bench.assess.nodes import Bus, Message

MS = 1_000_000


class Ears:
    def __init__(self):
        self.said = []
        self.bus = Bus(
            [Message("State", "main", 100 * MS, ()), Message("Level", "main", 100 * MS, ())],
            4 * MS,
            Agenda(),
            missing=lambda m, t: self.said.append(("missing", m.name)),
            silent=lambda n, t: self.said.append(("silent", n.name)),
            back=lambda n, t: self.said.append(("back", n.name)),
            gap=lambda m, t, n: self.said.append(("gap", m.name, n)),
            stuck=lambda m, t: self.said.append(("stuck", m.name)),
            repeated=lambda m, t: self.said.append(("repeated", m.name, m.repeats)),
            unproved=lambda message, since_ns, t_ns: None,
        )

    def run(self, from_ms, to_ms, names):
        for t in range(from_ms, to_ms, 10):
            if t % 100 == 0:
                for name in names:
                    self.bus.heard(name, t * MS)
            self.bus.look(t * MS)


def test_a_healthy_bus_says_nothing():
    ears = Ears()
    ears.run(0, 5000, ["State", "Level"])
    assert ears.said == []


def test_one_message_missing_while_the_box_is_alive_is_named_once():
    ears = Ears()
    ears.run(0, 1000, ["State", "Level"])
    ears.run(1000, 3000, ["Level"])
    assert ears.said == [("missing", "State")]


def test_a_whole_box_silent_is_silence_not_a_missing_message():
    ears = Ears()
    ears.run(0, 1000, ["State", "Level"])
    ears.run(1000, 3000, [])
    ears.run(3000, 4000, ["State", "Level"])
    assert ears.said == [("silent", "main"), ("back", "main")]


def test_a_box_whose_supply_is_off_may_be_silent():
    ears = Ears()
    ears.run(0, 1000, ["State", "Level"])
    ears.bus.sleep("main")
    ears.run(1000, 3000, [])
    ears.bus.wake("main", 3000 * MS)
    ears.run(3000, 4000, ["State", "Level"])
    assert ears.said == []


def test_counter_gaps_are_counted_and_a_wrap_is_none():
    ears = Ears()
    for t, value in enumerate((253, 254, 255, 0, 1, 4)):
        ears.bus.count("State", t * 100 * MS, value)
    assert ears.said == [("gap", "State", 2)]


def test_a_counter_wraps_at_the_size_of_its_field():
    said = []
    messages = [Message("State", "main", 100 * MS, (), 4)]
    quiet = dict.fromkeys(("missing", "silent", "back", "stuck", "repeated", "unproved"), lambda *_: None)
    bus = Bus(messages, 4 * MS, Agenda(), gap=lambda m, t, n: said.append((m.name, n)), **quiet)
    for t, value in enumerate((13, 14, 15, 0, 1, 2)):
        bus.count("State", t * 100 * MS, value)
    assert said == []
    bus.count("State", 600 * MS, 5)
    assert said == [("State", 2)]


def test_pages_that_share_a_counter_are_counted_together():
    said = []
    messages = [Message(f"A page {k}", "main", 100 * MS, (), 8, "A") for k in (1, 2)]
    quiet = dict.fromkeys(("missing", "silent", "back", "stuck", "repeated", "unproved"), lambda *_: None)
    bus = Bus(messages, 4 * MS, Agenda(), gap=lambda m, t, n: said.append((m.name, n)), **quiet)
    for t, value in enumerate((7, 8, 9, 10)):
        bus.count(f"A page {1 + t % 2}", t * 50 * MS, value)
    assert said == []
    bus.count("A page 1", 250 * MS, 12)
    assert said == [("A page 1", 1)]


def paged():
    ears = Ears()
    more = [Message(f"main/M page {k}", "main", 100 * MS, ()) for k in (1, 2)]
    said = ears.bus
    ears.bus = Bus(
        [*said.messages.values(), *more],
        4 * MS,
        Agenda(),
        missing=lambda m, t: ears.said.append(("missing", m.name)),
        silent=lambda n, t: ears.said.append(("silent", n.name)),
        back=lambda n, t: ears.said.append(("back", n.name)),
        gap=lambda m, t, n: ears.said.append(("gap", m.name, n)),
        stuck=lambda m, t: ears.said.append(("stuck", m.name)),
        repeated=lambda m, t: ears.said.append(("repeated", m.name)),
        unproved=lambda message, since_ns, t_ns: None,
    )
    return ears


def test_a_page_that_cannot_be_told_may_be_any_page():
    ears = paged()
    ears.run(0, 1000, ["State", "main/M page 1", "main/M page 2"])
    ears.run(1000, 3000, ["State", "main/M"])
    assert ears.said == []


def test_a_page_with_nothing_of_the_spec_on_it_shows_only_that_its_box_is_alive():
    ears = paged()
    ears.run(0, 1000, ["State", "main/M page 1", "main/M page 2", "main/M page 7"])
    ears.run(1000, 3000, ["State", "main/M page 7", "main/M page 2"])
    assert ears.said == [("missing", "main/M page 1")]


def test_a_frame_whose_counter_cannot_be_read_leaves_no_gap():
    ears = paged()
    for t, value in enumerate((1, 2, None, 4, 5)):
        if value is None:
            ears.bus.uncounted("State")
        else:
            ears.bus.count("State", t * 100 * MS, value)
    assert ears.said == []


def test_a_counter_that_never_counts_is_stuck_and_said_once():
    ears = Ears()
    for t in range(20):
        ears.bus.count("State", t * 100 * MS, 7)
    assert ears.said == [("stuck", "State")]


def test_a_frame_that_came_twice_now_and_then_is_the_bus_and_often_is_the_box():
    ears = Ears()
    for n in range(4):
        for value in (2 * n, 2 * n, 2 * n + 1):
            ears.bus.count("State", n * 100 * MS, value)
    assert ears.said == []
    for value in (8, 8, 9):
        ears.bus.count("State", 900 * MS, value)
    assert ears.said == [("repeated", "State", 5)]
