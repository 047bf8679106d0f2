# ruff: noqa: E501 - whole sentences are compared
"""The text of every complaint of the loader, by mending the demo's spec the wrong way."""

import pytest

from bench.core.errors import SpecError
from bench.data import boat_path
from bench.spec import parse_spec

TEXT = boat_path("kittiwake").read_text(encoding="utf-8")
DUNLIN = boat_path("dunlin").read_text(encoding="utf-8")
FULMAR = boat_path("fulmar").read_text(encoding="utf-8")


def edited(*pairs, text=TEXT):
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def complaints(*pairs, text=TEXT):
    with pytest.raises(SpecError) as caught:
        parse_spec(edited(*pairs, text=text), "boat.yaml")
    assert all(c.line and c.column and c.path == "boat.yaml" for c in caught.value.complaints)
    return [c.render() for c in caught.value.complaints]


def only(*pairs, text=TEXT):
    found = complaints(*pairs, text=text)
    assert len(found) == 1, found
    return found[0]


# what is edited, what the complaint points at, what it says
CASES = {
    "unknown key": (
        ("respond_ms: 100", "respond_ms: 100\n    respnd_ms: 100"),
        "respnd_ms: 100",
        'unknown key "respnd_ms" in a box - expected definitions, binding, supply_v, respond_ms, '
        "settle_ms, resolves_ms, timing_ms, frames_ms, level_step_pct, wake, by_hand, "
        "trip_at_wake, current, supply, shortest_press_ms or repeated_counter - did you mean "
        '"respond_ms"?',
    ),
    "duplicate key": (
        ("supply_v: 12", "supply_v: 12\n    supply_v: 13"),
        "supply_v: 13",
        'the key "supply_v" stands twice - the first is in line 9; delete one',
    ),
    "duplicate circuit": (
        ("  wiper_aft:      {channel: 13", "  horn:      {channel: 13"),
        "horn:",
        'the circuit "horn" stands twice - the first is in line 69; delete one',
    ),
    "decimal comma": (
        ("rated_a: 2.4", "rated_a: 2,4"),
        "4, fuse_a:",
        'unknown key "4" in a circuit - expected box, channel, load, rated_a, fuse_a, tol_pct, '
        "wire, light, dim, trip, auto_off or about - write the decimals of a number behind a "
        "point",
    ),
    "missing key": (
        ("{channel: 4, load: led, rated_a: 2.4,", "{channel: 4,"),
        "{channel: 4,",
        'a circuit says no "load" and "rated_a" - expected load: `led`, `lamp`, `motor`, `relay`,'
        " `resistive` or `electronic`; rated_a: number above 0 and at most 1000 in A",
    ),
    "list where text is due": (
        ("about: 9.2 m workboat", "about: [workboat]"),
        "[workboat], length_m:",
        "a list where text is due - expected text",
    ),
    "nothing where a table is due": (
        ("panels:\n  helm: {lost: {after_ms: 1500, momentary: release, dim: freeze, others: hold}}", "panels: "),
        "",
        "nothing where a table of keys is due - expected table of panel: a panel",
    ),
    "leading zero": (
        ("rated_a: 5.0", "rated_a: 010"),
        "010, fuse_a:",
        '"010" is not a number - expected a number above 0 and at most 1000 in A - write it '
        "without leading zeros: YAML readers differ on what they mean",
    ),
    "sexagesimal": (
        ("after_s: 40", "after_s: 1:30"),
        "1:30, tolerance_s:",
        '"1:30" is not a number - expected a number above 0 and at most 86400 in s - write plain '
        "seconds or milliseconds, as the key says",
    ),
    "not a number": (
        ("rated_a: 5.0", "rated_a: .nan"),
        ".nan, fuse_a:",
        '".nan" is not a number - expected a number above 0 and at most 1000 in A - only finite '
        "numbers can be tested",
    ),
    "infinity": (
        ("rated_a: 5.0", "rated_a: -.inf"),
        "-.inf, fuse_a:",
        '"-.inf" is not a number - expected a number above 0 and at most 1000 in A - only finite '
        "numbers can be tested",
    ),
    "too large for a number": (
        ("rated_a: 5.0", "rated_a: 1e999"),
        "1e999, fuse_a:",
        "1e999 is too large - expected a number above 0 and at most 1000 in A",
    ),
    "out of range": (
        ("min_pct: 10", "min_pct: 0"),
        "0, hold_ms:",
        "0 is out of range - expected a number above 0 and at most 99 in percent",
    ),
    "not whole": (
        ("channel: 11", "channel: 11.5"),
        "11.5, load:",
        "11.5 is not whole - expected a whole number from 1 to 255",
    ),
    "number in quotes": (
        ("channel: 11", 'channel: "11"'),
        '"11", load:',
        '"11" is text, not a number - expected a whole number from 1 to 255 - take the quotes '
        "away",
    ),
    "unit behind a number": (
        ("rated_a: 5.0", "rated_a: 5A"),
        "5A, fuse_a:",
        '"5A" is not a number - expected a number above 0 and at most 1000 in A - write the '
        "number without its unit",
    ),
    "neither true nor false": (
        ("restores: false", "restores: no"),
        "no}",
        '"no" is neither true nor false - expected true or false',
    ),
    "misspelt word": (
        ("others: dark", "others: drak"),
        "drak}",
        '"drak" is not a word known here - expected dark or retained - did you mean "dark"?',
    ),
    "name that YAML retypes": (
        ("  horn:         {momentary: horn}", "  no:         {momentary: horn}\n  horn: {momentary: horn}"),
        "no:",
        "\"no\" cannot name a function - expected a function's name - choose another name: many "
        "YAML readers take this word for true or false",
    ),
    "name with a space": (
        ("  usb_outlets:    {", "  usb outlets:    {"),
        "usb outlets:",
        '"usb outlets" cannot name a circuit - expected a letter, then letters, digits, _ or -, '
        "at most 64 in all",
    ),
    "two circuits on one channel": (
        ("channel: 2,", "channel: 1,"),
        "channel: 1,",
        'circuits "sidelights" and "allround_white" are both on channel 1 of box main - expected '
        'one circuit per channel - "sidelights" is in line 41',
    ),
    "unknown circuit": (
        ("{momentary: wiper_wash}", "{momentary: wiper_wsh}"),
        "momentary: wiper_wsh}",
        'there is no circuit "wiper_wsh" - did you mean "wiper_wash"?',
    ),
    "unknown circuit in a cycle": (
        ("[allround_white], []]", "[allround_wite], []]"),
        "allround_wite], []],",
        'there is no circuit "allround_wite" - did you mean "allround_white"?',
    ),
    "unknown circuit in a scene": (
        ("cabin_red: 30", "cabin_rde: 30"),
        "cabin_rde: 30},",
        'there is no circuit "cabin_rde" - did you mean "cabin_red"?',
    ),
    "unknown function": (
        ("10: anchor_raise", "10: anchor_rise"),
        "anchor_rise",
        'there is no function or circuit "anchor_rise" - expected allround_white, anchor_down, '
        "anchor_lower, anchor_raise, anchor_up, bilge_aft, bilge_fwd, bilges, boarding, "
        'cabin_heater, cabin_red, cabin_white, ... - did you mean "anchor_raise"?',
    ),
    "unknown sensor": (
        ("by: bilge_float", "by: bilge_flot"),
        "by: bilge_flot,",
        'there is no sensor "bilge_flot" - expected bilge_float - did you mean "bilge_float"?',
    ),
    "unknown panel": (
        ("{backlight: helm", "{backlight: helmm"),
        "backlight: helmm,",
        'there is no panel "helmm" - expected helm - did you mean "helm"?',
    ),
    "unknown panel of controls": (
        ("  panel helm:", "  panel hlem:"),
        "panel hlem:",
        'there is no panel "hlem" - expected helm - did you mean "helm"?',
    ),
    "neither panel nor screen": (
        ("  panel helm:", "  keypad helm:"),
        "keypad helm:",
        '"keypad helm" cannot stand here - expected "panel NAME" or "screen NAME"',
    ),
    "control bound twice": (
        ("10: anchor_raise", "3: anchor_raise"),
        "3: anchor_raise",
        "key 3 of panel helm is bound twice - the first is in line 100; delete one",
    ),
    "control bound and outside": (
        ("outside: {helm: [9]}", "outside: {helm: [9, 3]}"),
        "3]}",
        "key 3 of panel helm is bound twice: outside and in controls - delete one",
    ),
    "function that names no circuit": (
        ("{group: [bilge_aft, bilge_fwd]", "{group: []"),
        "[], part_on:",
        "this names no circuit - expected list of circuit",
    ),
    "cycle that names no circuit": (
        ("cycle: [[wiper_fwd], [wiper_fwd, wiper_aft], []]", "cycle: [[], []]"),
        "cycle: [[],",
        'function "wipers" names no circuit - expected a position that holds a circuit',
    ),
    "function of no kind": (
        ("{momentary: wiper_wash}", "{momentry: wiper_wash}"),
        "{momentry: wiper_wash}",
        "a function says no kind - expected exactly one of toggle, momentary, cycle, group, "
        'scene, on or off - did you mean "momentary"?',
    ),
    "function of two kinds": (
        ("{momentary: wiper_wash}", "{momentary: wiper_wash, toggle: horn}"),
        "{momentary: wiper_wash,",
        "a function says toggle and momentary at once - expected exactly one of toggle, "
        "momentary, cycle, group, scene, on or off - make two of it",
    ),
    "circuit twice in a list": (
        ("[wiper_fwd, wiper_aft]", "[wiper_fwd, wiper_fwd]"),
        "wiper_fwd], []],",
        '"wiper_fwd" stands twice in the list - delete one',
    ),
    "shed circuit unknown": (
        ("sheds: [cabin_white", "sheds: [cabin_whte"),
        "cabin_whte, washdown],",
        'there is no circuit "cabin_whte" - did you mean "cabin_white"?',
    ),
    "supply that ends below its beginning": (
        ("ends_v: 10.5", "ends_v: 8.5"),
        "ends_v: 8.5,",
        "low supply ends at 8.5 V, below where it begins (9 V) - expected at least 9 V",
    ),
    "wake clears a trip that is kept": (
        ("reset: [control, group_off]", "reset: [control, wake]"),
        "reset: [control,",
        'wake-up clears the trip of circuit "bilge_aft", but box main says trip_at_wake: kept - '
        "expected no wake here, or trip_at_wake: cleared on the box",
    ),
    "counter without reset": (
        (", reset: {on: wake}", ""),
        "wipers:",
        'function "wipers" counts its position, but "reset" is missing - expected reset: {on: '
        "[...]}, with [] for never - boxes differ here, so it must be said",
    ),
    "derived with reset": (
        ("position: derived", "position: derived, reset: {on: wake}"),
        "reset: {on:",
        'function "navigation" reads its position off the outputs and has no count to reset - '
        "expected no reset with position: derived",
    ),
    "lost momentary not said": (
        ("after_ms: 1500, momentary: release", "after_ms: 1500"),
        "lost: {after_ms:",
        'panel "helm" can be lost and one of its keys is momentary, but "momentary" is missing - '
        "expected release or hold - boxes differ here, so it must be said",
    ),
    "lost dim not said": (
        ("after_ms: 1500, momentary: release, dim: freeze", "after_ms: 1500, momentary: release"),
        "lost: {after_ms:",
        'panel "helm" can be lost and one of its keys dims, but "dim" is missing - expected '
        "freeze or continue - boxes differ here, so it must be said",
    ),
    "group that dims not said": (
        ("{group: [deck_fwd, deck_aft, side_step]", "{group: [deck_fwd, cabin_red, cabin_white]"),
        "deck:",
        'group "deck" holds cabin_red and cabin_white, which dim, but "dim_together" is missing -'
        " expected true or false - boxes differ here, so it must be said",
    ),
    "group without dimming": (
        ("part_on: all_off", "part_on: all_off, dim_together: true"),
        "dim_together: true}",
        'no member of group "deck" dims - expected false, or no such key',
    ),
    "lamp of a scene on another function": (
        ("{function: wipers, lamp: position}", "{function: wipers, lamp: active}"),
        "active}",
        'the lamp shows "active", and function "wipers" is no scene - expected any or all - '
        '"active" is for a scene',
    ),
    "lamp with circuits and position": (
        ("{function: wipers, lamp: position}", "{function: wipers, lamp: {shows: position, circuits: horn}}"),
        "circuits: horn}}",
        'a lamp that shows "position" watches its function, not circuits - expected no circuits '
        "here, or shows: any or all",
    ),
    "backlight position beyond the cycle": (
        ("{navigation: [1, 2]}", "{navigation: [1, 4]}"),
        "4]}, level_pct:",
        'function "navigation" has no position 4 - expected 1 to 3',
    ),
    "backlight position of a group": (
        ("{navigation: [1, 2]}", "{deck: 2}"),
        "2}, level_pct:",
        'function "deck" has no position 2 - expected 1, which means on or active',
    ),
    "follows itself": (
        ("sources: [washdown]", "sources: [locker_light]"),
        "sources: [locker_light],",
        'circuit "locker_light" cannot follow itself - expected other circuits',
    ),
    "two follow rules": (
        ("{follow: wiper_fwd,", "{follow: locker_light,"),
        "{follow: locker_light,",
        'circuit "locker_light" has two follow rules - expected one rule - rule 2 already says '
        "it; join them",
    ),
    "inhibited twice": (
        ("{inhibit: anchor_down, by: [anchor_up]", "{inhibit: anchor_up, by: [anchor_down]"),
        "{inhibit: anchor_up,",
        'circuit "anchor_up" is inhibited by "anchor_down" twice - expected one rule - rule 4 '
        "already says it; join them",
    ),
    "wire of no size": (
        ("{awg: 12, one_way_m: 3}", "{one_way_m: 3}"),
        "{one_way_m: 3}}",
        "wire says no awg or mm2 - expected exactly one of awg or mm2",
    ),
    "wire of two sizes": (
        ("{awg: 12, one_way_m: 3}", "{awg: 12, mm2: 2.5, one_way_m: 3}"),
        "{awg: 12,",
        "wire says awg and mm2 at once - expected exactly one of awg or mm2",
    ),
    "frame that says nothing": (
        ("current: {cycle: 100}", "current: {}"),
        "{}",
        "frame timing says nothing - expected at least one of on_change or cycle",
    ),
    "tag": (
        ("name: Kittiwake", "name: !!str Kittiwake"),
        "!!str Kittiwake,",
        "the tag tag:yaml.org,2002:str means nothing here - expected a plain value - delete the "
        "tag",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_complaint_says_what_where_and_what_to_do(case):
    edit, at, text = CASES[case]
    found = complaints(edit)
    said = [c for c in found if c.endswith(f": error: {text}")]
    assert len(said) == 1, found
    _, line, column, _ = said[0].split(":", 3)
    assert edited(edit).splitlines()[int(line) - 1][int(column) - 1 :].startswith(at)


def test_all_complaints_come_at_once_in_the_order_of_the_file():
    found = complaints(
        ("channel: 2,", "channel: 1,"),
        ("again: off", "agian: off"),
        ("rated_a: 1.5", "rated_a: much"),
        ("by: bilge_float, presses: ignored", "by: bilge_flot"),
        (", reset: {on: wake}", ""),
    )
    assert [int(c.split(":")[1]) for c in found] == [42, 50, 87, 87, 89, 134, 134]


def test_memory_by_scene_is_due_when_a_scene_sets_a_circuit_that_remembers():
    found = only(
        ("memory_by_scene: kept, ", ""), ("{scene: {deck_aft: 50", "{scene: {cabin_white: 40, deck_aft: 50")
    )
    assert found == (
        'boat.yaml:53:5: error: circuit "cabin_white" remembers its level and scene "boarding" sets it, but '
        '"memory_by_scene" is missing - expected kept or changed - boxes differ here, so it must be said'
    )


def test_memory_by_scene_is_refused_without_memory():
    found = only(("memory: none, direction: down", "memory: none, memory_by_scene: kept, direction: down"))
    assert found.endswith(
        'circuit "chart_table" has no memory that a scene could change - expected no such key with memory: none'
    )


def test_members_that_dim_together_share_their_hold():
    found = only(
        ("{group: [deck_fwd, deck_aft, side_step]", "{group: [chart_table, cabin_red], dim_together: true"),
        ("min_pct: 10, hold_ms: 500", "min_pct: 10, hold_ms: 700"),
    )
    assert found.endswith(
        'members of group "deck" dim together with different hold_ms (chart_table 700 and cabin_red 500): '
        "which press is a short one is not defined then - expected the same hold_ms for all"
    )


def test_a_supply_that_is_low_at_nominal_voltage_is_refused():
    found = only(("low_v: 9.0", "low_v: 12.0"), ("ends_v: 10.5", "ends_v: 13"))
    assert found == (
        "boat.yaml:29:14: error: the supply is low below 12 V, and nominal is 12 V - expected less than 12 V"
    )


def test_a_circuit_on_a_boat_of_several_boxes_says_its_box():
    found = only(("radar:             {box: fore, ", "radar:             {"), text=FULMAR)
    assert found == 'boat.yaml:86:3: error: circuit "radar" does not say its box - expected box: fore or aft'


def test_an_unknown_box_is_named_with_the_nearest_right_one():
    found = only(("radar:             {box: fore", "radar:             {box: foore"), text=FULMAR)
    assert found.endswith('there is no box "foore" - expected aft or fore - did you mean "fore"?')


def test_a_box_sheds_only_its_own_circuits():
    found = only(("sheds: [deck_flood_fwd]", "sheds: [cabin_fan]"), text=FULMAR)
    assert (
        found
        == 'boat.yaml:29:51: error: circuit "cabin_fan" is not on box fore - expected circuits of this box'
    )


def test_two_sensors_on_one_input_are_refused():
    found = only(("input: 2", "input: 1"), text=FULMAR)
    assert found == (
        'boat.yaml:55:29: error: sensors "bow_float" and "engine_float" are both on input 1 of box fore - '
        "expected one sensor per input"
    )


def test_two_sensors_may_force_one_circuit_if_they_agree():
    both = ("{force: engine_bilge,", "{force: bow_bilge,")
    found = only(both, text=FULMAR)
    assert found == (
        'boat.yaml:177:42: error: circuit "bow_bilge" is forced by two sensors with different "presses" - '
        "expected stored, as in rule 1"
    )
    parse_spec(
        edited(both, ("by: engine_float, presses: ignored", "by: engine_float, presses: stored"), text=FULMAR)
    )


def test_a_fault_reached_through_an_alias_is_said_once():
    found = only(("alive: {cycle: 500}", "alive: {cycle: often}"), text=FULMAR)
    assert ":22:22: " in found


def test_at_most_a_hundred_complaints_are_listed_and_the_rest_counted():
    rows = "".join(f"  c{n}: {{channel: none}}\n" for n in range(150))
    with pytest.raises(SpecError) as caught:
        parse_spec(edited(("circuits:\n", "circuits:\n" + rows)))
    assert len(caught.value.complaints) == 101
    assert caught.value.complaints[-1].text.startswith("and ")


def test_an_implied_toggle_is_made_where_a_circuit_is_named():
    spec = parse_spec(TEXT).spec
    assert spec.functions["washdown"].implied
    assert spec.functions["washdown"].kind == "toggle"
    assert not spec.functions["horn"].implied
    assert spec.functions["horn"].kind == "momentary"


def test_names_that_look_like_other_types_stay_text():
    spec = parse_spec(edited(("about: 9.2 m workboat", "about: 010"), ("name: Kittiwake", "name: 1:30"))).spec
    assert (spec.boat.name, spec.boat.about) == ("1:30", "010")


def test_values_that_are_words_are_not_retyped():
    spec = parse_spec(edited(("tripped: flashing", "tripped: off"))).spec
    assert spec.controls["panel helm 5"].lamp.tripped == "off"
    assert spec.functions["boarding"].again == "off"


def test_a_table_that_could_not_be_read_does_not_make_its_names_unknown():
    found = complaints(("circuits:\n", "circuits: none\ncircuit:\n"))
    assert [c.split("error: ")[1].split(" - ")[0] for c in found] == [
        '"none" where a table of keys is due',
        'unknown key "circuit" in the spec',
    ]


def test_a_bad_boat_hides_no_unknown_box():
    found = complaints(("boat: {", "boat: 5\nbaot: {"), ("  helm: {lost:", "  helm: {box: mian, lost:"))
    assert [c.split("error: ")[1].split(" - ")[0] for c in found] == [
        '"5" where boat is due',
        'unknown key "baot" in the spec',
        'there is no box "mian"',
    ]
