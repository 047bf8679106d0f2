"""Faulty bindings: every complaint with line and column and the nearest right name, all at once."""
# ruff: noqa: E501  (texts as their readers see them, whole)

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

import bench
from bench.core.errors import DefinitionError
from bench.definitions import load_definitions

ROOT = Path(bench.__file__).resolve().parent.parent


@pytest.fixture
def broken(tmp_path, kittiwake_spec, dbc_folder):
    """Complaints about kittiwake's binding with texts replaced."""

    def make(*changes, spec=kittiwake_spec):
        text = (dbc_folder / "kittiwake.binding.yaml").read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        (tmp_path / "kittiwake.binding.yaml").write_text(text, encoding="utf-8")
        with pytest.raises(DefinitionError) as caught:
            load_definitions(spec, tmp_path)
        return [
            c.render().replace(f"{tmp_path}/", "").replace(f"{dbc_folder}/", "")
            for c in caught.value.complaints
        ]

    return make


CASES = [
    ("reports:", "report:", ['kittiwake.binding.yaml:6:1: error: unknown key "report" in the file - did you mean "reports"?']),
    ("match: pgn", "match: PGN", ['kittiwake.binding.yaml:3:1: error: match is "PGN" - expected exact or pgn - did you mean "pgn"?']),
    ("hardstand_binding: 1", "hardstand_binding: 2", ["kittiwake.binding.yaml:2:1: error: this binding is of version 2; this program reads version 1 - use a newer program"]),
    ("box: 0x21", "box: 0x121", ['kittiwake.binding.yaml:5:11: error: sources.box is "0x121" - expected a whole number from 0 to 255, such as 33 or 0x21']),
    ("panel helm: 0x41", "panel held: 0x41", [
        'kittiwake.binding.yaml:5:22: error: the spec has no "panel held" - expected panel helm, screen helm',
        'kittiwake.binding.yaml:33:5: error: "panel helm" has no source address - expected sources: {panel helm: 0x..} - match: pgn tells nodes apart by it',
        'kittiwake.binding.yaml:36:5: error: "panel helm" has no source address - expected sources: {panel helm: 0x..} - match: pgn tells nodes apart by it',
    ]),
    ("screen helm: 0x51", "screen helm: 0x41", ['kittiwake.binding.yaml:5:40: error: "screen helm" has the source address of "panel helm"']),
    ("Boot.Reason", "Boot.Reasons", ['kittiwake.binding.yaml:23:10: error: message "Boot" of switchbox.dbc has no signal "Reasons" - did you mean "Reason"?']),
    ("Boot.Reason", "Bot.Reason", ['kittiwake.binding.yaml:23:10: error: switchbox.dbc has no message "Bot" - did you mean "Boot"?']),
    ("PanelLamps1.Lamp{key:02}", "PanelLamps1.Lamp{key}", ['kittiwake.binding.yaml:16:18: error: message "PanelLamps1" of switchbox.dbc has no signal "Lamp1" - did you mean "Lamp01"?']),
    ("State{channel:02}", "State{chanel:02}", [
        'kittiwake.binding.yaml:7:11: error: "State{chanel:02}" is no signal name - expected SIGNAL, MESSAGE.SIGNAL, or with one {channel:02} in it',
        'kittiwake.binding.yaml:7:11: error: "State{chanel:02}" would stand for every channel - expected {channel} in it',
    ]),
    ("State{channel:02}", "State01", ['kittiwake.binding.yaml:7:11: error: "State01" would stand for every channel - expected {channel} in it']),
    ("State{channel:02}", "State{key:02}", ['kittiwake.binding.yaml:7:11: error: "State{key:02}" counts in {key}, which means nothing here - expected {channel}']),
    ("PanelLamps1.Lamp{key:02}", "Lamp{key:02}", ['kittiwake.binding.yaml:16:18: error: "Lamp01" is ambiguous - it is in PanelLamps1, PanelLamps2, PanelLamps3, PanelLamps4; write MESSAGE.Lamp01']),
    ("2: tripped", "2: trpped", ['kittiwake.binding.yaml:7:64: error: "trpped" means nothing for state - expected off or on or tripped - did you mean "tripped"?']),
    ("2: tripped", "3: tripped", ["kittiwake.binding.yaml:7:3: error: the raw value 3 means two things in reports.state"]),
    ("2: tripped}, not_available: 3", "2: tripped}, not_available: 7", ["kittiwake.binding.yaml:7:11: error: ChannelState1.State01 cannot hold the raw value 7 - expected 0 to 3"]),
    ("{0: off, 1: on, 2: tripped}", "off", ["kittiwake.binding.yaml:7:40: error: reports.state.values is not a mapping - expected key: value"]),
    (", values: {0: off, 1: on, 2: tripped}", "", ['kittiwake.binding.yaml:7:3: error: reports.state lacks "values" - expected raw value: off | on | tripped']),
    ("style: event, key: KeyEvent.Key, action: KeyEvent.Action", "style: event, key: KeyEvent.Key, action: WakeRequest.Counter", [
        "kittiwake.binding.yaml:33:5: error: these signals lie in KeyEvent, WakeRequest - expected signals of one message",
        "kittiwake.binding.yaml:34:5: error: these signals lie in KeyEvent, WakeRequest - expected signals of one message",
    ]),
    ("pressed: 1", "pressed: 0", [
        "kittiwake.binding.yaml:33:5: error: controls.keys.panel helm has the same value for pressed and released",
        "kittiwake.binding.yaml:34:5: error: controls.keys.screen helm has the same value for pressed and released",
    ]),
    ("  alive: {signal: BoxAlive.Counter}", "  alive: {signal: BoxAlive.Counter}\n  alive: {signal: BoxAlive.Counter}", ['kittiwake.binding.yaml:25:3: error: "alive" stands twice in reports - keep one of them']),
    ("  alive: {signal: BoxAlive.Counter}", "  alive: {signal: BoxAlive.Counter", ["kittiwake.binding.yaml:25:10: error: this is not YAML: did not find expected ',' or '}'"]),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "texts"), CASES, ids=[f"{k}" for k in range(len(CASES))])
def test_faulty_binding_gets_its_complaints(broken, old, new, texts):
    assert broken((old, new)) == texts


def test_all_complaints_of_a_binding_come_together(broken):
    got = broken(("Boot.Reason", "Boot.Reasons"), ("BoxAlive.Counter", "BoxAlve.Counter"))
    assert [t.split(": ")[0] for t in got] == ["kittiwake.binding.yaml:23:10", "kittiwake.binding.yaml:24:11"]


def test_wrong_padding_is_an_error_even_where_some_numbers_fit(broken, kittiwake_spec):
    twelve = replace(kittiwake_spec.controls["panel helm 1"], key=12, name="panel helm 12")
    spec = replace(kittiwake_spec, controls={**kittiwake_spec.controls, "panel helm 12": twelve})
    got = broken(("PanelLamps1.Lamp{key:02}", "PanelLamps1.Lamp{key}"), spec=spec)
    assert got == [
        'kittiwake.binding.yaml:16:18: error: message "PanelLamps1" of switchbox.dbc has no signal "Lamp1"'
        ' - did you mean "Lamp01"?'
    ]


def test_missing_files_name_the_places_looked_at(kittiwake_spec, tmp_path, dbc_folder):
    boxes = {"main": replace(kittiwake_spec.boxes["main"], definitions="no.dbc", binding="no.yaml")}
    with pytest.raises(DefinitionError) as caught:
        load_definitions(replace(kittiwake_spec, boxes=boxes), tmp_path)
    texts = [c.render() for c in caught.value.complaints]
    assert len(texts) == 2
    assert texts[0] == (
        f'no.dbc: error: there is no file "no.dbc" - put it beside the spec or give its path; '
        f"looked in {tmp_path}, {dbc_folder}"
    )


def test_file_beside_the_spec_comes_before_the_shipped_one(kittiwake_spec, tmp_path):
    (tmp_path / "switchbox.dbc").write_text("", encoding="utf-8")
    with pytest.raises(DefinitionError, match="the file is empty"):
        load_definitions(kittiwake_spec, tmp_path)


def test_channel_without_a_signal_is_a_warning_and_not_observable(kittiwake_spec):
    horn = replace(kittiwake_spec.circuits["horn"], channel=49)
    spec = replace(kittiwake_spec, circuits={**kittiwake_spec.circuits, "horn": horn})
    definitions = load_definitions(spec, None)
    kinds = ("state", "level", "current", "fault")
    assert set(definitions.unobservable) == {f"{k}:horn" for k in kinds}
    assert (
        definitions.unobservable["state:horn"]
        == 'channel 49: there is no signal "State49", so it is not observable'
    )
    assert not any(f"{k}:horn" in definitions.signal_message for k in kinds)
    assert [w.severity for w in definitions.warnings] == ["warning"] * 4
    assert definitions.warnings[0].line == 7


def test_lamp_without_a_signal_is_a_warning(kittiwake_spec):
    control = replace(kittiwake_spec.controls["panel helm 1"], key=30, name="panel helm 30")
    controls = {**kittiwake_spec.controls, "panel helm 30": control}
    definitions = load_definitions(replace(kittiwake_spec, controls=controls), None)
    assert list(definitions.unobservable) == ["lamp:panel helm 30"]


def test_left_out_reports_are_warnings(kittiwake_spec, tmp_path, dbc_folder):
    text = (dbc_folder / "kittiwake.binding.yaml").read_text(encoding="utf-8")
    lines = [t for t in text.splitlines() if not t.startswith(("  current:", "  sensors:"))]
    start = lines.index("  keys:")
    del lines[start : start + 3]
    (tmp_path / "kittiwake.binding.yaml").write_text("\n".join(lines), encoding="utf-8")
    definitions = load_definitions(kittiwake_spec, tmp_path)
    assert "the binding has no current" in definitions.unobservable["current:horn"]
    assert definitions.cannot_send["bilge_float"] == "the binding has no controls.sensors"
    assert definitions.cannot_send["panel helm 9"] == "the binding has no keys for panel helm"
    assert definitions.keys == ()
    assert sorted(w.text for w in definitions.warnings) == [
        "the binding has no controls.sensors: no sensor can be worked",
        "the binding has no current: it is not observable on main",
        "the binding has no keys for panel helm: none of them can be pressed",
        "the binding has no keys for screen helm: none of them can be pressed",
    ]
    with pytest.raises(
        DefinitionError, match="panel helm 1 cannot be pressed: the binding has no keys for panel helm"
    ):
        definitions.sender().press("panel helm 1")
    with pytest.raises(DefinitionError, match="sensor bilge_float cannot be worked"):
        definitions.sender().sensor("bilge_float", 1)


def test_two_boxes_with_one_source_address_are_refused(boat_spec):
    files = dict.fromkeys(("fore", "aft"), ("switchbox.dbc", "fulmar_fore.binding.yaml"))
    with pytest.raises(
        DefinitionError, match="aft/ChannelState1 and fore/ChannelState1 have the same identifier 14FF2021"
    ):
        load_definitions(boat_spec("fulmar", **files), None)


def test_one_signal_for_two_channels_is_refused(boat_spec, dbc_folder, tmp_path):
    text = (dbc_folder / "untidy.binding.yaml").read_text(encoding="utf-8")
    (tmp_path / "u.yaml").write_text(text.replace("Zust_WischerH", "Zust_WischerV"), encoding="utf-8")
    with pytest.raises(
        DefinitionError,
        match=r"Aus_hinten\.Zust_WischerV stands for both state:wiper_fwd and state:wiper_aft",
    ):
        load_definitions(boat_spec("kittiwake", main=("untidy.dbc", "u.yaml")), tmp_path)


@pytest.mark.parametrize("boat", ["kittiwake", "dunlin"])
def test_counted_nodes_of_the_shared_binding_give_the_same_as_named_ones(boat_spec, boat):
    named = load_definitions(boat_spec(boat, main=("switchbox.dbc", f"{boat}.binding.yaml")), None)
    counted = load_definitions(boat_spec(boat, main=("switchbox.dbc", "switchbox.binding.yaml")), None)
    assert counted.messages() == named.messages()
    assert counted.signal_message == named.signal_message
    assert counted.warnings == named.warnings == ()


def test_counted_nodes_of_two_boxes_give_the_same_as_named_ones(boat_spec, fulmar):
    files = dict.fromkeys(("fore", "aft"), ("switchbox.dbc", "switchbox.binding.yaml"))
    counted = load_definitions(boat_spec("fulmar", **files), None)
    more = {m.name for m in counted.messages()} - {m.name for m in fulmar.messages()}
    assert more == {"aft/KeyAck"}  # the shared binding lets any box acknowledge keys
    assert [m for m in counted.messages() if m.name not in more] == list(fulmar.messages())


def test_shipped_specs_load_without_warnings(boat_spec):
    for boat in ("kittiwake", "dunlin", "fulmar"):
        spec = boat_spec(boat)
        assert load_definitions(spec, Path(spec.path).parent if spec.path else None).warnings == ()


def test_every_key_of_a_binding_is_documented(docs_folder):
    from bench.definitions.binding import _RULE_KEYS
    from bench.definitions.words import PER_BOX, PER_CHANNEL, WORDS

    page = (docs_folder / "binding.md").read_text(encoding="utf-8")
    keys = {
        *_RULE_KEYS,
        "for",
        "named",
        *PER_BOX,
        *PER_CHANNEL,
        "lamp",
        "backlight",
        "sensor",
        "counter",
        "identity",
        "ack",
    }
    assert [k for k in sorted(keys) if f"`{k}`" not in page] == []
    assert [w for words in WORDS.values() for w in words if w not in page] == []


@pytest.mark.slow
def test_importing_the_room_does_not_import_the_slow_libraries():
    code = "import sys, bench.definitions; print([m for m in ('cantools', 'numpy', 'pandas') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "[]"
