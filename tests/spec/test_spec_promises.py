# ruff: noqa: E501 - whole sentences are compared
"""What an owner reads: every behaviour and every option has its sentence."""

import pytest

from bench.data import boat_path
from bench.spec import load_spec, parse_spec, promises

TEXT = boat_path("kittiwake").read_text(encoding="utf-8")


def of(name):
    return promises(load_spec(boat_path(name)).spec)


def edited(*pairs):
    text = TEXT
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return promises(parse_spec(text).spec)


SAID = {
    "kittiwake": [
        "This is agreed for Kittiwake (9.2 m workboat): 9.2 m long, power-driven.",
        "Panel helm, key 1: first press switches sidelights and allround_white on; second press leaves only "
        "allround_white on; third press switches off; then it begins again. Where it stands is read off its "
        "circuits. Its lamp is lit while any of them is on.",
        "Panel helm, key 2: a press switches deck_fwd, deck_aft and side_step on; if any of them is on, a press "
        "switches all off. Its lamp is lit while all of them are on.",
        "Panel helm, key 3: horn is on while the key is held. Its lamp is lit while horn is on.",
        "Panel helm, key 4: first press switches wiper_fwd on; second press switches wiper_aft on as well; third "
        "press switches off; then it begins again. It keeps its own count, which starts anew at wake-up. Its lamp "
        "is lit while it stands at a position that is not empty.",
        "Panel helm, key 5: a press switches bilge_aft and bilge_fwd on, also those still off when only some are "
        "on; if all are on, it switches all off. Its lamp is lit while any of them is on; it flashes while one of "
        "them is tripped.",
        "Panel helm, key 6: one press switches cabin_red on, the next switches it off. Held longer than 500 ms it "
        "dims. Its lamp is lit while cabin_red is on.",
        "Panel helm, key 8: a press sets deck_aft to 50 %, side_step to 50 % and cabin_red to 30 % and leaves all "
        "else alone; while it is exactly so, a press switches them off. Its lamp is lit while its scene is exactly "
        "as set.",
        "Panel helm, key 9: belongs to something else; it changes nothing on any channel.",
        "Panel helm, key 12: a press switches deck_fwd, deck_aft, side_step, search_light, cabin_white, chart_table "
        "and cabin_red off and never anything on. It has no lamp.",
        "Screen helm, key 21: does the same as panel helm, key 1. Its lamp is lit while any of its circuits is on.",
        "While sensor bilge_float is active, bilge_aft is on; presses for it are ignored meanwhile; an inhibit does "
        "not stop it.",
        "When washdown goes on, locker_light goes on; when that goes off, locker_light goes off too.",
        "When wiper_wash goes on, wiper_fwd goes on; when that goes off, wiper_fwd stays on.",
        "While anchor_up or anchor_down is on, cabin_heater is off and cannot be switched on; it does not come back "
        "by itself.",
        "From wake-up side_step and electronics are on at 100 %.",
        "The keys of panel helm are lit at 40 % while navigation stands at position 1 or 2, else dark.",
        "Circuit sidelights: channel 1, LEDs of 1.2 A, fuse 3 A, 16 AWG wire of 7 m. It carries the sidelights.",
        "Circuit cabin_white: channel 7, LEDs of 1.5 A, fuse 3 A, 16 AWG wire of 3 m. It dims between 5 and 100 % "
        "while its key is held longer than 500 ms, evenly, from full to least in 4 s, give or take 10 %; each hold "
        "goes the other way than the last and stops at the ends. Switched on it returns to its last level, which it "
        "forgets when the supply is lost. A scene's level is not remembered.",
        "Circuit cabin_red: channel 9, LEDs of 0.9 A, fuse 3 A, 16 AWG wire of 3 m. It dims between 5 and 100 % "
        "while its key is held longer than 500 ms, evenly, from full to least in 4 s, give or take 10 %; each hold "
        "starts downward and turns at the ends. Switched on it comes on at 100 %.",
        "Circuit bilge_aft: channel 14, a motor of 4.5 A, fuse 7.5 A, 14 AWG wire of 6 m. Above 9 A it trips and "
        "stays off until a key of its own is pressed or a group that holds it goes off.",
        "Circuit washdown: channel 15, a motor of 8 A, fuse 15 A, 12 AWG wire of 4 m. It goes off by itself after "
        "40 s, give or take 1 s.",
        "When panel helm is silent for 1.5 s: circuits held on by its keys go off, a level being dimmed stays where "
        "it is and its other circuits stay as they are.",
        "When sensor bilge_float is silent for 3 s, its last value holds.",
        "Box main (12 V) shows the effect of a key within 100 ms, and currents are steady within 250 ms. Presses "
        "less than 30 ms apart may count in either order. A key event with the same counter again is the same event.",
        "Box main wakes with its supply within 2 s; circuits without a wake-up level stay dark.",
        "On box main a circuit can be put on by hand, by its fuse in the override seat; the box knows of it, and "
        "presses for it meanwhile are ignored.",
        "Box main keeps a trip through wake-up.",
        "When the supply of box main is below 9 V for 1 s, cabin_white and washdown go off and cannot be switched "
        "on until it has been above 10.5 V for 2 s; nothing comes back by itself.",
    ],
    "dunlin": [
        "Panel nav, key 2: a press switches saloon_port and saloon_stbd on, also those still off when only some are "
        "on; if all are on, it switches all off. Held longer than 400 ms it dims those that are on, together. Its "
        "lamp is lit while any of them is on.",
        "Panel nav, key 3: a press sets saloon_port to 20 %, saloon_stbd to 20 % and cockpit to 60 % and switches "
        "berth off and leaves all else alone; while it is exactly so, a press sets the same again. Its lamp is lit "
        "while its scene is exactly as set.",
        "Panel nav, key 5: bilge is on while the key is held. Its lamp is lit while bilge or shower_drain is on.",
        "Panel nav, key 7: a press switches instruments and fridge on and never anything off. Its lamp is lit while "
        "all of them are on.",
        "Screen nav, key 26: one press switches bilge on, the next switches it off. Its lamp is lit while bilge is "
        "on; it is dark while bilge is tripped.",
        "While sensor float is active, bilge is on; presses for it meanwhile count once that ends; an inhibit keeps "
        "it off, and it comes on by itself when the inhibit ends.",
        "When the first of fresh_water and shower_drain goes on (as commanded, whatever the output does), berth goes "
        "on; when the last of them goes off, berth stays on.",
        "While fresh_water is on (as commanded, whatever the output does), fridge is off and cannot be switched on; "
        "it does not come back by itself.",
        "The keys of panel nav are lit at 30 % while navigation stands at position 1 or 2 or saloon is on, else at "
        "4 %.",
        "When sensor float is silent for 4 s, it is taken as active.",
        "Box main wakes with its supply within 1.5 s; circuits without a wake-up level come back as they were. "
        'States may read "not available" for up to 300 ms after that.',
        "On box main a circuit can be put on by hand, by a link; the box does not know of it, and presses for it "
        "meanwhile are remembered for afterwards.",
        "Box main clears every trip at wake-up.",
        "What box main does at low supply is not agreed.",
    ],
    "fulmar": [
        "Panel wheel, key 4: first press switches wiper_centre on; second press switches wiper_port on as well; third "
        "press switches wiper_stbd on as well; fourth press switches off; then it begins again. It keeps its own "
        "count, which starts anew at wake-up and after 60 s without a press of it. Its lamp is lit while it stands "
        "at a position that is not empty.",
        "Circuit engine_bilge: channel 8 of box aft, a motor of 3.6 A, fuse 7.5 A, 14 AWG wire of 5 m. Above 8 A it "
        "trips and stays off until a key of its own is pressed, a group that holds it goes off, an inhibit begins or "
        "the supply is lost and returns.",
        "When screen bridge is silent for 2.5 s: a level being dimmed stays where it is and its other circuits go "
        "off.",
        "Box fore wakes by its wake message within 1 s; circuits without a wake-up level stay dark.",
        "When the supply of box fore is below 19 V for 0.5 s, deck_flood_fwd goes off and cannot be switched on "
        "until it has been above 21 V for 1 s; it then comes back as before.",
    ],
}


@pytest.mark.parametrize(("name", "sentence"), [(n, s) for n, all_of in SAID.items() for s in all_of])
def test_a_promise_reads_like_this(name, sentence):
    assert sentence in of(name)


OPTIONS = {
    "counter never reset": (
        [("reset: {on: wake}", "reset: {on: []}")],
        "It keeps its own count, which never starts anew by itself.",
    ),
    "positions that change circuits": (
        [("[[wiper_fwd], [wiper_fwd, wiper_aft], []]", "[[wiper_fwd], [wiper_aft], [], []]")],
        "first press switches wiper_fwd on; second press switches wiper_fwd off and wiper_aft on; third press "
        "switches off; fourth press leaves all off; then it begins again.",
    ),
    "group that dims not": (
        [("{group: [deck_fwd, deck_aft, side_step]", "{group: [deck_fwd, cabin_red], dim_together: false")],
        "a press switches deck_fwd and cabin_red on; if any of them is on, a press switches all off. Held it dims "
        "nothing.",
    ),
    "lamp of all circuits named": (
        [("{shows: any, tripped: flashing}", "{shows: all, circuits: [horn, bilge_aft], tripped: on}")],
        "Its lamp is lit while horn and bilge_aft are all on; it is lit while one of them is tripped.",
    ),
    "memory kept through supply loss, changed by scenes": (
        [("memory: kept, memory_by_scene: kept", "memory: kept_through_supply_loss, memory_by_scene: changed")],
        "Switched on it returns to its last level, also after loss of supply. A scene's level is remembered too.",
    ),
    "all ways to clear a trip": (
        [
            ("trip_at_wake: kept", "trip_at_wake: cleared"),
            ("[control, group_off]", "[scene_off, cycle_empty, timer, shed, wake]"),
        ],
        "stays off until a scene that holds it goes off, a stepped function that holds it comes to its empty "
        "position, its timer ends, it is shed at low supply or the box wakes.",
    ),
    "lost panel holds and goes on": (
        [("momentary: release, dim: freeze, others: hold", "momentary: hold, dim: continue, others: off")],
        "When panel helm is silent for 1.5 s: circuits held on by its keys stay on until their release is heard, "
        "a level goes on dimming and its other circuits go off.",
    ),
    "lost panel not agreed": (
        [("{lost: {after_ms: 1500, momentary: release, dim: freeze, others: hold}}", "{}")],
        "What happens when panel helm falls silent is not agreed.",
    ),
    "lost sensor at rest": (
        [("sensor: hold", "sensor: rest")],
        "When sensor bilge_float is silent for 3 s, it is taken as at rest.",
    ),
    "lost sensor not agreed": (
        [(", lost: {after_ms: 3000, sensor: hold}", "")],
        "What happens when sensor bilge_float falls silent is not agreed.",
    ),
    "shortest press and counters that count": (
        [("repeated_counter: ignored", "repeated_counter: new_event\n    shortest_press_ms: 25")],
        "A press shorter than 25 ms may be lost. A key event with the same counter again is a new event.",
    ),
    "presses allowed at low supply": (
        [("presses: refused", "presses: allowed")],
        "cabin_white and washdown go off and can be switched on again until it has been above 10.5 V for 2 s",
    ),
    "nothing shed": (
        [("sheds: [cabin_white, washdown]", "sheds: []")],
        "When the supply of box main is below 9 V for 1 s, nothing is switched off; that ends when it has been above "
        "10.5 V for 2 s.",
    ),
    "currents not judged": (
        [("    current: {gain_pct: 3, offset_a: 0.10}\n", "")],
        "levels in steps of 0.4 %; its currents are not judged.",
    ),
    "by hand with a switch": (
        [("means: fuse_seat", "means: switch")],
        "by hand, by a switch on the box; the box knows of it",
    ),
    "wake-up at nothing": ([("level_pct: 100", "level_pct: 0")], "From wake-up side_step and electronics are off."),
    "wire in square millimetres and tolerance": (
        [("rated_a: 5.0, fuse_a: 10, wire: {awg: 14,", "rated_a: 5.0, tol_pct: 15, wire: {mm2: 2.5,")],
        "Circuit horn: channel 11, a motor of 5 A (give or take 15 %), 2.5 mm2 wire of 5 m.",
    ),
    "thick wire": (
        [("rated_a: 5.0, fuse_a: 10, wire: {awg: 14,", "rated_a: 5.0, wire: {awg: -1,")],
        "2/0 AWG wire of 5 m.",
    ),
    "speed": ([("propulsion: power", "propulsion: sail, max_speed_kn: 7")], "9.2 m long, sailing, at most 7 knots."),
    "backlight of scene": ([("{navigation: [1, 2]}", "{boarding: 1}")], "are lit at 40 % while boarding is active, else"),
    "frames": (
        [("alive: {cycle: 500}", "alive: {on_change: 50}")],
        "supply every 200 ms, alive on change (50 ms apart at least) and identity every 1 s; levels",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", OPTIONS)
def test_an_option_has_its_words(case):
    edits, words = OPTIONS[case]
    assert any(words in promise for promise in edited(*edits)), edited(*edits)


def test_each_key_circuit_rule_and_box_is_spoken_of_once():
    spec = load_spec(boat_path("fulmar")).spec
    said = promises(spec)
    assert len(set(said)) == len(said)
    keys = [s.split(":")[0].lower().replace(", key", "") for s in said if ", key " in s.split(":")[0]]
    assert sorted(keys) == sorted([*spec.controls, *spec.outside])
    assert sum(s.startswith("Circuit ") for s in said) == len(spec.circuits)
