"""The shipped boats, read as their pages in docs/boats say."""

import pytest

from bench.data import BOATS, DEMO, boat_path, resolve
from bench.rules import run_rules
from bench.spec import load_spec


def load(name):
    return load_spec(boat_path(name)).spec


@pytest.mark.parametrize("name", BOATS)
def test_each_boat_loads_without_warning_and_has_no_error_of_check(name):
    loaded = load_spec(boat_path(name))
    assert loaded.warnings == ()
    assert [c.render() for c in run_rules(loaded.spec) if c.severity == "error"] == []


def test_the_word_demo_stands_for_kittiwake():
    assert DEMO == "kittiwake"
    assert resolve("demo") == boat_path("kittiwake")
    assert str(resolve("other.yaml")) == "other.yaml"
    with pytest.raises(KeyError):
        boat_path("albatross")


@pytest.mark.parametrize(
    ("name", "channels", "controls", "voltage"),
    [
        ("kittiwake", {"main": 24}, 33, 12),
        ("dunlin", {"main": 12}, 19, 12),
        ("fulmar", {"fore": 16, "aft": 16}, 41, 24),
        ("turnstone", {"fore": 24, "aft": 24}, 61, 24),
        ("greenshank", {"centre": 16, "bow": 16, "stern": 16}, 75, 12),
        ("dotterel", {"main": 24, "deck": 24}, 62, 24),
    ],
)
def test_every_channel_of_each_boat_has_its_circuit(name, channels, controls, voltage):
    spec = load(name)
    for box, count in channels.items():
        assert [spec.circuit_at(box, n) is not None for n in range(1, count + 2)] == [True] * count + [False]
        assert spec.boxes[box].supply_v == voltage
    assert len(spec.controls) == controls


def test_kittiwake_is_as_agreed_in_plain_words():
    spec = load("kittiwake")
    box = spec.boxes["main"]
    assert (box.timing_ms.scan, box.timing_ms.debounce, box.timing_ms.task) == (5, 15, 10)
    assert (box.respond_ms, box.settle_ms, box.resolves_ms) == (100, 250, 30)
    assert (box.frames_ms["state"].on_change_ms, box.frames_ms["state"].cycle_ms) == (20, 100)
    assert spec.circuits["washdown"].auto_off.after_s == 40
    assert spec.circuits["bilge_aft"].trip.reset == frozenset({"control", "group_off"})
    assert spec.functions["navigation"].positions == (
        ("sidelights", "allround_white"),
        ("allround_white",),
        (),
    )
    assert spec.functions["wipers"].reset.on == frozenset({"wake"})
    assert spec.outside == ("panel helm 9",)
    assert spec.controls["panel helm 5"].lamp.tripped == "flashing"
    assert spec.controls["panel helm 10"].lamp is None
    assert spec.forces[0].sensor == "bilge_float"
    assert [(r.circuit, r.sources, r.release) for r in spec.follows] == [
        ("locker_light", ("washdown",), "drop"),
        ("wiper_fwd", ("wiper_wash",), "keep"),
    ]
    assert spec.backlights[0].when == {"navigation": (1, 2)}
    assert spec.sensors["bilge_float"].lost.sensor == "hold"


def test_dunlin_is_as_agreed_in_plain_words():
    spec = load("dunlin")
    box = spec.boxes["main"]
    assert (box.wake.others, box.wake.not_available_ms, box.shortest_press_ms) == ("retained", 300, 20)
    assert (box.by_hand.means, box.by_hand.sensed, box.by_hand.presses) == ("link", "none", "stored")
    assert (box.trip_at_wake, box.supply) == ("cleared", None)
    assert spec.functions["evening"].presets == {
        "saloon_port": 20,
        "saloon_stbd": 20,
        "cockpit": 60,
        "berth": 0,
    }
    assert spec.functions["saloon"].dim_together
    assert spec.controls["panel nav 5"].lamp.circuits == ("bilge", "shower_drain")
    assert spec.functions["bilge"].implied
    assert not spec.functions["bilge_hold"].implied
    assert spec.circuits["saloon_port"].dim.memory == "kept_through_supply_loss"


def test_fulmar_is_as_agreed_in_plain_words():
    spec = load("fulmar")
    assert spec.boxes["fore"].supply.sheds == ("deck_flood_fwd",)
    assert spec.boxes["aft"].supply.sheds == ("deck_flood_aft", "cabin_fan")
    assert spec.boxes["aft"].frames_ms == spec.boxes["fore"].frames_ms
    assert spec.functions["wipers"].reset.after_s == 60
    assert spec.circuits["stern_light"].box == "aft"
    assert spec.screens["bridge"].lost.others == "off"
    assert [r.sees for r in spec.inhibits if r.circuit == "fuel_transfer"] == ["command"]
    assert spec.circuits["engine_bilge"].trip.reset == frozenset(
        {"control", "group_off", "inhibit", "supply"}
    )


def test_places_point_at_the_keys_of_the_file():
    spec = load("kittiwake")
    lines = spec.source.splitlines()
    line, column = spec.places["circuits.horn.rated_a"]
    assert lines[line - 1][column - 1 :].startswith("rated_a: 5.0")
    line, column = spec.places["rules.2.sources.1"]
    assert lines[line - 1][column - 1 :].startswith("washdown]")
    line, column = spec.places["functions.navigation.cycle.2.1"]
    assert lines[line - 1][column - 1 :].startswith("allround_white]")


def test_turnstone_is_a_boat_of_many_small_things():
    spec = load("turnstone")
    assert max(len(f.circuits) for f in spec.functions.values() if f.kind == "group") == 3
    assert {f.kind for f in spec.functions.values()} >= {"toggle", "momentary", "cycle", "group", "on", "off"}
    assert spec.circuits["deck_wash"].auto_off.after_s == 18
    assert {r.circuit: r.presses for r in spec.forces} == {
        "bilge_fore": "ignored",
        "bilge_engine": "stored",
        "bilge_aft": "ignored",
    }
    assert spec.functions["navigation"].positions == (
        ("sidelights", "allround_white"),
        ("allround_white",),
        (),
    )


def test_greenshank_is_a_boat_of_scenes_and_dimmers_with_twins_of_its_keys():
    spec = load("greenshank")
    scenes = [f for f in spec.functions.values() if f.kind == "scene"]
    assert [len(f.presets) for f in scenes] == [9, 10, 7, 9]
    assert {spec.circuits[c].box for f in scenes for c in f.presets} == {"centre", "bow", "stern"}
    assert sum(c.dim is not None for c in spec.circuits.values()) == 10
    on_panels, on_screens = (
        {c.function for c in spec.controls.values() if c.kind == kind} for kind in ("panel", "screen")
    )
    assert {f.name for f in scenes} <= on_panels & on_screens
    assert [(w.circuits, w.level_pct) for w in spec.wakes] == [
        (("companion_light",), 30),
        (("fridge", "instruments"), 100),
    ]
    assert [spec.boxes[b].wake.others for b in spec.boxes] == ["dark", "retained", "retained"]


def test_dotterel_is_a_boat_of_large_groups_long_chains_and_locks():
    spec = load("dotterel")
    own = {f.members[0] for f in spec.functions.values() if f.kind == "toggle"}
    floods, pumps = spec.functions["floods"], spec.functions["pumps"]
    assert (len(floods.members), len(pumps.members)) == (12, 6)
    assert {*floods.members, *pumps.members} <= own
    follows = {r.circuit: r.sources for r in spec.follows}
    chain = ["generator_hours"]
    while chain[-1] in follows:
        chain.append(follows[chain[-1]][0])
    assert chain[1:] == ["generator_lamp", "generator_fan", "generator_water", "generator_fuel"]
    assert [c.auto_off.after_s for c in spec.circuits.values() if c.auto_off] == [20, 15]
    assert {(r.circuit, *r.sources) for r in spec.inhibits} >= {
        ("wiper_wash", "fire_pump"),
        ("fuel_transfer", "fire_pump", "ballast_pump"),
        ("bilge_aft", "fuel_transfer"),
    }
