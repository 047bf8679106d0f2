"""What the bench sends, read back by cantools and by ourselves."""

import cantools
import pytest

from bench.core.errors import DefinitionError
from bench.core.frame import Frame
from bench.definitions import ControlEvent


@pytest.fixture(scope="module")
def database(dbc_folder):
    return cantools.database.load_file(dbc_folder / "switchbox.dbc", strict=True)


def raw(database, name, sent, source):
    can_id, data, extended = sent
    message = database.get_message_by_name(name)
    assert extended
    assert can_id == message.frame_id & ~0xFF | source
    assert len(data) == message.length
    return message.decode(data, decode_choices=False, scaling=False)


def test_keys_count_their_events_per_node(kittiwake, database):
    sender = kittiwake.sender()
    (press,) = sender.press("panel helm 3")
    (release,) = sender.release("panel helm 3")
    (other,) = sender.press("screen helm 21")
    assert raw(database, "KeyEvent", press, 0x41) == {"Key": 3, "Action": 1, "Counter": 0}
    assert raw(database, "KeyEvent", release, 0x41) == {"Key": 3, "Action": 0, "Counter": 1}
    assert raw(database, "KeyEvent", other, 0x51) == {"Key": 21, "Action": 1, "Counter": 0}
    assert press[1] == bytes([3, 0xFD, 0])  # unused bits are 1 (docs/messages.md)


def test_counters_wrap_at_255(kittiwake, database):
    sender = kittiwake.sender()
    counters = [
        raw(database, "KeyEvent", sender.press("panel helm 1")[0], 0x41)["Counter"] for _ in range(258)
    ]
    assert counters == [*range(256), 0, 1]


def test_heartbeats_tell_how_many_keys_are_held(kittiwake, database):
    sender = kittiwake.sender()
    beats = {b.node: b for b in sender.heartbeats()}
    assert {n: b.period_ms for n, b in beats.items()} == {
        "panel helm": 500.0,
        "screen helm": 500.0,
        "sensors main": 500.0,
    }
    sender.press("panel helm 1")
    sender.press("panel helm 2")
    sender.release("panel helm 1")
    assert sender.held == {"panel helm 2"}
    (beat,) = beats["panel helm"].make()
    assert raw(database, "ControlAlive", beat, 0x41) == {"Counter": 0, "KeysDown": 1}
    (beat,) = beats["screen helm"].make()
    assert raw(database, "ControlAlive", beat, 0x51) == {"Counter": 0, "KeysDown": 0}


def test_sensor_frames_keep_all_inputs_and_count_with_their_heartbeat(fulmar, database):
    sender = fulmar.sender()
    (first,) = sender.sensor("engine_float", 1)
    (beat,) = next(b for b in sender.heartbeats() if b.node == "sensors fore").make()
    (last,) = sender.sensor("bow_float", 1)
    got = [raw(database, "SensorInputs", f, 0x61) for f in (first, beat, last)]
    assert [(g["Input1"], g["Input2"], g["Input3"], g["Counter"]) for g in got] == [
        (0, 1, 3, 0),
        (0, 1, 3, 1),
        (1, 1, 3, 2),
    ]


def test_wake_request(fulmar, kittiwake, database):
    sender = fulmar.sender()
    (frame,) = sender.wake("aft")
    assert raw(database, "WakeRequest", frame, 0x41) == {"Counter": 0}
    assert raw(database, "WakeRequest", sender.wake("fore")[0], 0x41) == {"Counter": 1}
    with pytest.raises(
        DefinitionError, match="box main cannot be woken by a message: it does not wake by message"
    ):
        kittiwake.sender().wake("main")


def test_begin_releases_a_key_of_each_node_and_tells_the_inputs(kittiwake, database):
    sender = kittiwake.sender()
    panel, screen, inputs = sender.begin()
    assert raw(database, "KeyEvent", panel, 0x41)["Action"] == 0
    assert raw(database, "KeyEvent", screen, 0x51)["Action"] == 0
    assert raw(database, "SensorInputs", inputs, 0x61)["Input1"] == 0
    assert raw(database, "KeyEvent", sender.press("panel helm 1")[0], 0x41)["Counter"] == 1
    assert sender.held == {"panel helm 1"}


def test_what_is_sent_reads_back_as_the_same_event(kittiwake, fulmar, untidy):
    for definitions in (kittiwake, fulmar, untidy):
        sender = definitions.sender()
        for frame in sender.begin():
            definitions.decode(Frame(0, *frame))
        assert definitions.keys
        for control in definitions.keys:
            for send, kind in ((sender.press, "press"), (sender.release, "release")):
                events = [e for f in send(control) for e in definitions.decode(Frame(0, *f)).events]
                assert [(e.kind, e.name) for e in events] == [(kind, control)]


def test_encode_key_and_its_template_agree(kittiwake, untidy):
    for definitions, bits in ((kittiwake, tuple(range(23, 15, -1))), (untidy, (11, 10, 9, 8))):
        can_id, data, extended = definitions.encode_key("panel helm 2", True, 0)
        template = definitions.key_template("panel helm 2", True)
        assert (template.can_id, template.data, template.extended) == (can_id, data, extended)
        assert template.counter_bits == bits
        _, counted, _ = definitions.encode_key("panel helm 2", True, 5)
        changed = int.from_bytes(data, "little") ^ int.from_bytes(counted, "little")
        assert changed == 1 << bits[-1] | 1 << bits[-3]
    with pytest.raises(
        DefinitionError, match="panel nowhere 1 cannot be pressed: the binding has no such key"
    ):
        kittiwake.encode_key("panel nowhere 1", True, 0)


def test_nodes_of_controls_and_sensors(kittiwake, untidy):
    for definitions in (kittiwake, untidy):
        assert definitions.node_of("panel helm 9") == "panel helm"  # an outside accessory's key
        assert definitions.node_of("screen helm 21") == "screen helm"
        assert definitions.node_of("bilge_float") == "sensors main"
        assert definitions.node_of("horn") is None


def test_keys_sent_as_levels_tell_changes_without_a_counter_of_events(untidy):
    sender = untidy.sender()

    def events(frames):
        return [untidy.decode(Frame(0, *f)).events for f in frames]

    assert events(sender.begin())[:2] == [(), ()]
    assert events(sender.press("panel helm 3")) == [(ControlEvent("press", "panel helm 3", 1, None),)]
    assert events(sender.press("panel helm 5")) == [(ControlEvent("press", "panel helm 5", 1, None),)]
    beat = next(b for b in sender.heartbeats() if b.node == "panel helm")
    assert beat.period_ms == 250.0
    assert events(beat.make()) == [()]
    assert events(sender.release("panel helm 3")) == [(ControlEvent("release", "panel helm 3", 0, None),)]


def test_key_that_is_down_in_the_first_frame_is_a_press_nobody_saw(untidy):
    sender = untidy.sender()
    (down,) = sender.press("panel helm 3")
    reading = untidy.decode(Frame(0, *down))
    assert reading.events == ()
    assert reading.undecodable.signals == ("panel helm 3",)
    assert reading.undecodable.reason == (
        "panel helm 3 is down in the first frame that tells of it; the press was not seen"
    )
    (up,) = sender.release("panel helm 3")
    assert [e.kind for e in untidy.decode(Frame(0, *up)).events] == ["release"]
