"""Frame by frame: what a reading says, and that nothing unreadable is passed over."""

from dataclasses import replace

import cantools
import pytest

from bench.core.frame import Frame
from bench.core.signal import Observation
from bench.definitions import ControlEvent


def box(ps, data, priority=5, source=0x21):
    return Frame(0, priority << 26 | 0xFF << 16 | ps << 8 | source, bytes(data))


def key_event(source, key, action, counter):
    return box(0x10, [key, 0xFC | action, counter], 3, source)


@pytest.fixture(scope="module")
def database(dbc_folder):
    return cantools.database.load_file(dbc_folder / "switchbox.dbc", strict=True)


def sent(database, name, values, source=0x21, fill=None):
    """A frame that cantools encoded; signals not named get `fill`, or all ones."""
    message = database.get_message_by_name(name)
    raw = {s.name: ((1 << s.length) - 1) if fill is None else fill for s in message.signals} | values
    data = message.encode(raw, scaling=False, strict=False)
    return Frame(0, message.frame_id & ~0xFF | source, data)


def test_states_of_all_circuits_and_the_counter(kittiwake, database):
    reading = kittiwake.decode(
        sent(database, "ChannelState1", {"State01": 1, "State11": 0, "Counter": 7}, fill=0)
    )
    values = {o.signal: (o.value, o.raw) for o in reading.observations}
    assert (reading.message, reading.node, reading.is_control) == ("main/ChannelState1", "main", False)
    assert values["state:sidelights"] == (1.0, 1)
    assert values["state:horn"] == (0.0, 0)
    assert values["counter:main/ChannelState1"] == (7.0, 7)
    assert len(values) == 25
    assert reading.undecodable is None
    assert reading.body == reading.observations[:-1]


def test_tripped_state_is_off_and_a_fault(kittiwake, database):
    reading = kittiwake.decode(sent(database, "ChannelState1", {"State14": 2}, fill=0))
    found = [o for o in reading.observations if o.signal.endswith(":bilge_aft")]
    assert found == [Observation("state:bilge_aft", 0.0, 2), Observation("fault:bilge_aft", 1.0, 2)]


def test_not_available_and_error_have_no_value_but_a_reason(kittiwake, database):
    reading = kittiwake.decode(sent(database, "ChannelLevel1", {"Level01": 255, "Level02": 254}, fill=0))
    assert reading.observations[:2] == (
        Observation("level:sidelights", None, 255, "not available"),
        Observation("level:allround_white", None, 254, "the box reports an error"),
    )
    assert reading.undecodable is None


def test_raw_value_without_meaning_is_named_and_the_others_are_read(kittiwake, database):
    reading = kittiwake.decode(sent(database, "ChannelFault1", {"Fault01": 9, "Fault02": 3}, fill=0))
    assert reading.undecodable == (
        "main/ChannelFault1",
        "range", "Fault01 has the raw value 9, which means nothing", ("fault:sidelights",),
    )  # fmt: skip
    seen = {o.signal: o.value for o in reading.observations}
    assert "fault:sidelights" not in seen
    assert seen["fault:allround_white"] == 3.0


def test_value_outside_the_definitions_range_is_named(kittiwake, database):
    reading = kittiwake.decode(sent(database, "ChannelLevel1", {"Level01": 251}, fill=250))
    assert reading.undecodable.kind == "range"
    assert reading.undecodable.reason == "Level01 has the raw value 251, outside 0 to 250"
    reading = kittiwake.decode(sent(database, "ChannelCurrent1", {"Current01": 64001}, fill=64000))
    assert reading.undecodable.signals == ("current:sidelights",)
    assert {o.raw for o in reading.observations} == {64000}


@pytest.mark.parametrize(("length", "kind"), [(0, "short"), (7, "short"), (9, "long"), (12, "long")])
def test_wrong_length_is_never_trimmed_or_filled(kittiwake, length, kind):
    reading = kittiwake.decode(box(0x20, bytes(length)))
    assert reading.observations == ()
    assert reading.undecodable.kind == kind
    assert reading.undecodable.reason == f"{length} bytes where the definitions have 8"
    assert "state:horn" in reading.undecodable.signals


def test_other_frames_are_not_ours(kittiwake):
    state = box(0x20, bytes(8))
    assert kittiwake.decode(state) is not None
    assert kittiwake.decode(state._replace(can_id=0x14FF2023)) is None  # another source
    assert kittiwake.decode(state._replace(can_id=0x14FE2021)) is None  # another group
    assert kittiwake.decode(state._replace(can_id=0x021, extended=False)) is None
    assert kittiwake.decode(state._replace(remote=True)) is None
    assert kittiwake.decode(state._replace(error=True)) is None


def test_priority_does_not_matter_where_groups_are_matched(kittiwake):
    assert kittiwake.decode(box(0x20, bytes(8), priority=6)).message == "main/ChannelState1"


def test_exact_match_takes_the_identifiers_as_they_stand(kittiwake_spec, dbc_folder, tmp_path):
    from bench.definitions import load_definitions

    text = (
        (dbc_folder / "kittiwake.binding.yaml")
        .read_text(encoding="utf-8")
        .replace("match: pgn", "match: exact")
    )
    keep = [t for t in text.splitlines() if "screen helm:" not in t]
    (tmp_path / "kittiwake.binding.yaml").write_text("\n".join(keep), encoding="utf-8")
    definitions = load_definitions(kittiwake_spec, tmp_path)
    assert definitions.decode(Frame(0, 0x14FF20FE, bytes(8))) is not None
    assert definitions.decode(Frame(0, 0x14FF2021, bytes(8))) is None


def test_key_events_of_panel_and_screen(kittiwake):
    reading = kittiwake.decode(key_event(0x41, 3, 1, 9))
    assert (reading.message, reading.node, reading.is_control) == ("panel helm/KeyEvent", "panel helm", True)
    assert reading.events == (ControlEvent("press", "panel helm 3", 1, 9),)
    reading = kittiwake.decode(key_event(0x51, 21, 0, 10))
    assert reading.events == (ControlEvent("release", "screen helm 21", 0, 10),)


def test_key_event_that_cannot_be_read_is_named(kittiwake):
    assert kittiwake.decode(key_event(0x41, 3, 3, 9)).undecodable == (
        "panel helm/KeyEvent", "range", "Action is 3, neither pressed nor released", ("panel helm 3",),
    )  # fmt: skip
    short = kittiwake.decode(box(0x10, [3, 0xFD], 3, 0x41))
    assert (short.undecodable.kind, short.is_control, short.events) == ("short", True, ())


def test_sensor_frames_tell_changes_only(kittiwake):
    frames = [box(0x12, [0xFC | v, 0xFF, k], 4, 0x61) for k, v in enumerate([0, 0, 1, 1, 0])]
    events = [kittiwake.decode(f).events for f in frames]
    assert events == [
        (ControlEvent("sensor", "bilge_float", 0, 0),), (),
        (ControlEvent("sensor", "bilge_float", 1, 2),), (),
        (ControlEvent("sensor", "bilge_float", 0, 4),),
    ]  # fmt: skip
    kittiwake.forget()
    assert kittiwake.decode(frames[0]).events == (ControlEvent("sensor", "bilge_float", 0, 0),)


def test_sensor_that_is_not_available_is_undecodable_and_then_told_anew(kittiwake):
    kittiwake.decode(box(0x12, [0xFC, 0xFF, 0], 4, 0x61))
    reading = kittiwake.decode(box(0x12, [0xFF, 0xFF, 1], 4, 0x61))
    assert reading.undecodable.reason == "Input1 is not available"
    assert reading.undecodable.signals == ("bilge_float",)
    assert kittiwake.decode(box(0x12, [0xFC, 0xFF, 2], 4, 0x61)).events[0].value == 0


def test_heartbeat_says_only_that_its_node_was_heard(kittiwake):
    reading = kittiwake.decode(box(0x11, [4, 0], 6, 0x51))
    assert (reading.node, reading.is_control, reading.events) == ("screen helm", True, ())


def test_identity_is_text(kittiwake, database):
    values = {"Firmware": 0x0104, "Configuration": 0x5A17C0DE, "Serial": 1042}
    (seen,) = kittiwake.decode(sent(database, "Identity", values)).observations
    assert seen.signal == "identity:main"
    assert seen.reason == "firmware 1.4 configuration 5A17C0DE serial 1042"
    assert seen.raw == 0x5A17C0DE
    assert kittiwake.signal_message["identity:main"] == "main/Identity"


def test_acknowledge_names_the_control(kittiwake, database):
    frame = sent(database, "KeyAck", {"Source": 0x41, "Key": 2, "EventCounter": 77})
    assert kittiwake.decode(frame).observations == (Observation("ack:panel helm 2", 77.0, 77),)
    reading = kittiwake.decode(sent(database, "KeyAck", {"Source": 0x49, "Key": 2, "EventCounter": 77}))
    assert reading.undecodable.reason == "it acknowledges key 2 of source 0x49, which is no node"


def test_supply_boot_alive_and_input_reports(kittiwake, database):
    def values(name, raw):
        return {o.signal: o.value for o in kittiwake.decode(sent(database, name, raw)).observations}

    assert values("SupplyStatus", {"Voltage": 1234, "TotalCurrent": 56}) == {
        "supply_v:main": pytest.approx(12.34), "total_a:main": pytest.approx(5.6),
    }  # fmt: skip
    assert values("Boot", {"Reason": 3, "BootCounter": 1}) == {"boot:main": 3.0}
    assert values("BoxAlive", {"Counter": 200}) == {"alive:main": 200.0, "counter:main/BoxAlive": 200.0}
    assert values("InputStatus", {"Input1": 1}) == {"sensor:bilge_float": 1.0}
    assert values("Backlights", {"Backlight1": 100}) == {"backlight:helm": pytest.approx(40.0)}


def test_wake_request_from_anyone_wakes_every_box_that_wakes_by_message(fulmar, kittiwake):
    frame = box(0x13, [5], 6, 0x42)
    events = (ControlEvent("wake", "fore", 1, 5), ControlEvent("wake", "aft", 1, 5))
    assert fulmar.decode(frame).events == events
    assert kittiwake.decode(frame) is None  # it wakes with its supply


def test_two_boxes_are_told_apart_by_their_source(fulmar, database):
    fore = fulmar.decode(sent(database, "ChannelState1", {}, source=0x21, fill=0))
    aft = fulmar.decode(sent(database, "ChannelState1", {}, source=0x22, fill=0))
    assert (fore.message, aft.message) == ("fore/ChannelState1", "aft/ChannelState1")
    assert {o.signal for o in fore.body} & {o.signal for o in aft.body} == set()
    lamps = fulmar.decode(sent(database, "PanelLamps2", {"Lamp03": 1}, fill=0))
    assert Observation("lamp:panel deck 3", 1.0, 1) in lamps.observations


def test_same_payload_gives_the_very_same_body(kittiwake, database):
    a = kittiwake.decode(sent(database, "ChannelState1", {"Counter": 1}, fill=0))
    b = kittiwake.decode(sent(database, "ChannelState1", {"Counter": 2}, fill=0))
    assert a.body is b.body
    assert a.observations != b.observations


def test_decode_changed_tells_only_what_differs(kittiwake, database):
    first = kittiwake.decode(sent(database, "ChannelState1", {"Counter": 1}, fill=0))
    same = sent(database, "ChannelState1", {"Counter": 2}, fill=0)
    other = sent(database, "ChannelState1", {"Counter": 3, "State03": 1}, fill=0)
    assert kittiwake.decode_changed(same, None) == first.body
    assert kittiwake.decode_changed(same, first) == ()
    assert kittiwake.decode_changed(other, first) == (Observation("state:deck_fwd", 1.0, 1),)


def test_messages_carry_the_spec_s_timing(kittiwake_spec, kittiwake):
    by_name = {m.name: m for m in kittiwake.messages()}
    assert (by_name["main/ChannelState1"].cycle_ms, by_name["main/ChannelState1"].on_change_ms) == (
        100.0,
        20.0,
    )
    assert (by_name["main/ChannelCurrent1"].cycle_ms, by_name["main/ChannelCurrent1"].on_change_ms) == (
        100.0,
        None,
    )
    assert (by_name["main/InputStatus"].cycle_ms, by_name["main/InputStatus"].on_change_ms) == (500.0, 0.0)
    assert (by_name["main/Boot"].cycle_ms, by_name["main/Boot"].on_change_ms) == (None, 0.0)
    slow = {**kittiwake_spec.boxes["main"].frames_ms}
    slow["state"] = replace(slow["state"], cycle_ms=700.0, on_change_ms=None)
    from bench.definitions import load_definitions

    box_ = replace(kittiwake_spec.boxes["main"], frames_ms=slow)
    other = load_definitions(replace(kittiwake_spec, boxes={"main": box_}), None)
    message = next(m for m in other.messages() if m.name == "main/ChannelState1")
    assert (message.cycle_ms, message.on_change_ms) == (700.0, None)


def test_steps_are_physical(kittiwake):
    assert kittiwake.step_of("level:cabin_red") == pytest.approx(0.4)
    assert kittiwake.step_of("current:cabin_red") == pytest.approx(0.05)
    assert kittiwake.step_of("state:cabin_red") == 1.0
    with pytest.raises(KeyError):
        kittiwake.step_of("state:nothing")


def test_raw_field_of_a_state_is_enough_to_read_it(kittiwake, database):
    f = kittiwake.raw_field("state:horn")
    frame = sent(database, "ChannelState1", {"State11": 1}, fill=2)
    assert (frame.can_id ^ f.can_id) & f.id_mask == 0
    raw = 0
    for bit in f.bits:
        raw = raw << 1 | frame.data[bit >> 3] >> (bit & 7) & 1
    assert raw == 1
    assert (f.on, f.off, f.not_available) == ((1,), (0, 2), (3,))


def test_every_circuit_and_lamp_of_the_boats_is_observable(kittiwake, kittiwake_spec, fulmar):
    for definitions in (kittiwake, fulmar):
        assert definitions.unobservable == definitions.cannot_send == {}
    for circuit in kittiwake_spec.circuits:
        for kind in ("state", "level", "current", "fault"):
            assert f"{kind}:{circuit}" in kittiwake.signal_message
    lamps = [c for c in kittiwake_spec.controls.values() if c.lamp]
    assert lamps
    assert all(f"lamp:{c.name}" in kittiwake.signal_message for c in lamps)


def test_keys_that_are_a_sign_of_life_too_are_one_message(untidy):
    names = [m.name for m in untidy.messages()]
    assert len(names) == len(set(names))
    keys = next(m for m in untidy.messages() if m.name == "panel helm/Tasten_Pult")
    assert (len(keys.signals), keys.cycle_ms, keys.on_change_ms) == (12, 250.0, 0.0)
