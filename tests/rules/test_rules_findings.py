# ruff: noqa: E501 - whole sentences are compared
"""Each rule of `check`: what it finds, where, and that it finds nothing in the boats that are right."""

from pathlib import Path

import pytest

from bench.data import BOATS, boat_path
from bench.rules import RULES, run_rules
from bench.spec import load_spec, parse_spec

ROOT = Path(__file__).resolve().parents[2]
TEXT = boat_path("kittiwake").read_text(encoding="utf-8")
FULMAR = boat_path("fulmar").read_text(encoding="utf-8")


def edited(*pairs, text=TEXT):
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def findings(rule, *pairs, text=TEXT):
    """(text of the file at the finding, finding) of one rule."""
    source = edited(*pairs, text=text)
    found = RULES[rule](parse_spec(source, "b.yaml").spec)
    lines = source.splitlines()
    return [(lines[c.line - 1][c.column - 1 :], c.render().split(": ", 1)[1]) for c in found]


SPARE = (
    "  usb_outlets:    {channel: 24",
    "  spare: {channel: 25, load: led, rated_a: 1}\n  usb_outlets:    {channel: 24",
)
DIM = "dim: {min_pct: 10, hold_ms: 500"
CASES = {
    "unreachable_channel": [
        (
            [SPARE],
            "spare:",
            'error: no control can reach circuit "spare" on channel 25 of box main - expected a control - bind a key to it, or take the circuit out',
        ),
        (
            [("    42: {function: locker_light, lamp: any}\n", "")],
            "locker_light:",
            'warning: no control can reach circuit "locker_light" on channel 10 of box main; only rules switch it - expected a control - bind a key to it, or take the circuit out',
        ),
    ],
    "on_without_off": [
        (
            [("{momentary: wiper_wash}", "{on: [wiper_wash]}")],
            "wash_wipe:",
            'error: function "wash_wipe" switches circuit "wiper_wash" on, and no control switches it off - expected a control that switches it off - bind a toggle or an off',
        ),
        (
            [("release: drop", "release: keep"), ("    42: {function: locker_light, lamp: any}\n", "")],
            "follow: locker_light",
            'error: circuit "locker_light" stays on after what it follows, and no control switches it off - expected a control that switches it off - bind one, or release: drop',
        ),
        (
            [("[[wiper_fwd], [wiper_fwd, wiper_aft], []]", "[[wiper_fwd], [wiper_fwd, wiper_aft]]")],
            "wipers:",
            'error: function "wipers" switches circuit "wiper_fwd" on, and no control switches it off - expected a control that switches it off - bind a toggle or an off',
        ),
        (
            [("{momentary: wiper_wash}", "{scene: {wiper_wash: 70}, again: reapply}")],
            "wash_wipe:",
            'error: function "wash_wipe" switches circuit "wiper_wash" on, and no control switches it off - expected a control that switches it off - bind a toggle or an off',
        ),
    ],
    "group_of_one": [
        (
            [("[bilge_aft, bilge_fwd], part_on: all_on", "[bilge_aft], part_on: all_on")],
            "bilges:",
            'warning: group "bilges" has one member, "bilge_aft" - expected two or more - name bilge_aft at the control, or toggle: bilge_aft',
        ),
    ],
    "equal_positions": [
        (
            [("[allround_white], []]", "[allround_white, sidelights], []]")],
            "[allround_white, sidelights]",
            'error: positions 1 and 2 of "navigation" switch on the same circuits - expected positions that differ - delete one, or use position: counter',
        ),
    ],
    "rule_loop": [
        (
            [("- {inhibit: anchor_up, by: [anchor_down]", "- {inhibit: washdown, by: [locker_light]")],
            "follow: locker_light",
            "error: follow and inhibit rules run in a circle: washdown -> locker_light -> washdown - expected rules without a circle - drop one of these rules",
        ),
        (
            [("sources: [wiper_wash]", "sources: [locker_light]"), ("- {inhibit: anchor_up, by: [anchor_down]", "- {inhibit: washdown, by: [wiper_fwd]")],
            "follow: locker_light",
            "error: follow and inhibit rules run in a circle: washdown -> locker_light -> wiper_fwd -> washdown - expected rules without a circle - drop one of these rules",
        ),
    ],
    "same_source": [
        (
            [("- {inhibit: anchor_up, by: [anchor_down]", "- {inhibit: locker_light, by: [washdown]")],
            "follow: locker_light",
            'error: circuit "locker_light" follows "washdown" and is inhibited by it - expected one of the two - drop one of these rules',
        ),
    ],
    "inhibitor_with_target": [
        (
            [("{deck_aft: 50,", "{anchor_up: 50, cabin_heater: 10,")],
            "scene:",
            'error: scene "boarding" switches on "anchor_up" and "cabin_heater", which "anchor_up" inhibits - expected one of the two - take one of them out',
        ),
        (
            [("[bilge_aft, bilge_fwd], part_on: all_on", "[anchor_up, anchor_down], part_on: all_on")],
            "group:",
            'error: group function "bilges" switches on "anchor_down" and "anchor_up", which "anchor_down" inhibits - expected one of the two - take one of them out',
        ),
        (
            [("[[wiper_fwd], [wiper_fwd, wiper_aft]", "[[wiper_fwd], [anchor_up, cabin_heater]")],
            "[anchor_up, cabin_heater]",
            'error: position 2 of "wipers" switches on "anchor_up" and "cabin_heater", which "anchor_up" inhibits - expected one of the two - take one of them out',
        ),
        (
            [("{wake: [side_step, electronics]", "{wake: [side_step, anchor_up]"), ("others: dark", "others: retained")],
            "rules:",
            'error: wake-up, with what was on before, switches on "anchor_down" and "anchor_up", which "anchor_down" inhibits - expected one of the two - take one of them out',
        ),
        (
            [("{wake: [side_step, electronics]", "{wake: [anchor_up, cabin_heater]")],
            "rules:",
            'error: wake-up switches on "anchor_up" and "cabin_heater", which "anchor_up" inhibits - expected one of the two - take one of them out',
        ),
    ],
    "trip_without_key": [
        (
            [("    36: {function: bilge_aft, lamp: any}\n", "")],
            "reset:",
            'warning: circuit "bilge_aft" can trip and has no control of its own that clears it - expected a key for this circuit with control in reset, or wake or supply in reset',
        ),
        (
            [("reset: [control, group_off]", "reset: [timer, inhibit]")],
            "reset:",
            'error: circuit "bilge_aft" can trip and nothing clears the trip - expected a key for this circuit with control in reset, or wake or supply in reset',
        ),
    ],
    "trip_cleared_at_wake": [
        (
            [("trip_at_wake: kept", "trip_at_wake: cleared")],
            "trip_at_wake:",
            'warning: box main clears the trip of "bilge_aft" when it wakes; "bilge_aft" can then close again though nobody asked - make sure that is meant',
        ),
    ],
    "force_yields": [
        (
            [("over_inhibit: passes", "over_inhibit: yields"), ("{inhibit: cabin_heater,", "{inhibit: bilge_aft,")],
            "over_inhibit:",
            'warning: sensor "bilge_float" forces circuit "bilge_aft", which yields to "anchor_down" or "anchor_up": it closes by itself when that ends - make sure that is meant',
        ),
    ],
    "unsensed_by_hand": [
        (
            [("sensed: flag", "sensed: none")],
            "presses: ignored",
            "error: box main does not sense by hand, so it cannot ignore presses meanwhile - expected presses: stored, or sensed: flag",
        ),
    ],
    "respond_too_short": [
        (
            [("respond_ms: 100", "respond_ms: 49")],
            "respond_ms:",
            "error: respond_ms 49 is shorter than scan 5 + debounce 15 + task 10 + on_change 20 can take - expected at least 50 ms - a healthy box would fail: allow more, or mend the timing",
        ),
        (
            [("state: {on_change: 20, cycle: 100}", "state: {cycle: 100}")],
            "respond_ms:",
            "error: respond_ms 100 is shorter than scan 5 + debounce 15 + task 10 + cycle 100 can take - expected at least 130 ms - a healthy box would fail: allow more, or mend the timing",
        ),
        (
            [("      state: {on_change: 20, cycle: 100}\n      level: {on_change: 20, cycle: 100}\n", "")],
            "frames_ms:",
            "error: box main reports neither state nor level, so its outputs cannot be judged - expected state or level in frames_ms",
        ),
        (
            [("settle_ms: 250", "settle_ms: 20")],
            "settle_ms:",
            "error: settle_ms 20 is shorter than scan + debounce + task can take - expected at least 30 ms",
        ),
    ],
    "resolves_too_small": [
        (
            [("resolves_ms: 30", "resolves_ms: 14")],
            "resolves_ms:",
            "error: resolves_ms 14 is shorter than scan 5 + task 10: presses so close have no order inside the box - expected at least 15 ms",
        ),
    ],
    "hold_too_short": [
        (
            [(DIM, "dim: {min_pct: 10, hold_ms: 100")],
            "hold_ms:",
            'error: circuit "chart_table" dims after 100 ms, not longer than respond_ms 100 - expected more than 100 ms',
        ),
        (
            [("repeated_counter: ignored", "shortest_press_ms: 600"), (DIM, "dim: {min_pct: 10, hold_ms: 550"), ("    dim: {min_pct: 5, hold_ms: 500", "    dim: {min_pct: 5, hold_ms: 700"), ("    dim: {min_pct: 5, hold_ms: 500", "    dim: {min_pct: 5, hold_ms: 700")],
            "hold_ms:",
            'error: circuit "chart_table" dims after 550 ms, not longer than shortest_press_ms 600 - expected more than 600 ms',
        ),
    ],
    "dim_range": [
        (
            [(DIM, "dim: {min_pct: 0.3, hold_ms: 500")],
            "min_pct:",
            'error: circuit "chart_table" dims down to 0.3 %, less than one reported step of 0.4 % - expected at least 0.4 % - it would read as off',
        ),
        (
            [(DIM, "dim: {min_pct: 98.5, hold_ms: 500")],
            "min_pct:",
            'error: circuit "chart_table" dims over 1.5 %, less than 4 reported steps of 0.4 % - expected a wider range or smaller steps',
        ),
        (
            [("cabin_red: 30", "cabin_red: 3")],
            "cabin_red: 3",
            'warning: scene "boarding" sets circuit "cabin_red" to 3 %, below its dimming range from 5 % - expected 0, or at least 5 %',
        ),
    ],
    "swaps": [
        (
            [("    27: {function: side_step, lamp: any}\n", ""), ("    25: {function: deck_fwd, lamp: any}\n    26: {function: deck_aft, lamp: any}\n", ""), ("{deck_aft: 50, side_step: 50", "{side_step: 50"), ("{wake: [side_step, electronics]", "{wake: [electronics]")],
            "deck_fwd:",
            'warning: circuits "deck_fwd" and "deck_aft" are always switched together and draw 2 and 2.4 A: if their outputs are crossed nothing shows it - give them different loads or a key of their own, or check the wires by eye',
        ),
        (
            [("    36: {function: bilge_aft, lamp: any}\n", ""), ("    35: {function: bilge_fwd, lamp: any}\n", ""), (", trip: {at_a: 9, reset: [control, group_off]}", ""), ("  - {force: bilge_aft, by: bilge_float, presses: ignored, over_inhibit: passes}\n", ""), ("    current: {gain_pct: 3, offset_a: 0.10}\n", "")],
            "bilge_aft:",
            'warning: circuits "bilge_aft" and "bilge_fwd" are always switched together and draw 4.5 and 4 A: if their outputs are crossed nothing shows it - give them different loads or a key of their own, or check the wires by eye',
        ),
    ],
    "fuse_too_small": [
        (
            [("rated_a: 7.0, fuse_a: 10", "rated_a: 7.0, fuse_a: 5")],
            "fuse_a:",
            'error: circuit "cabin_heater" draws 7 A and its fuse is 5 A - expected at least 7 A',
        ),
        (
            [("at_a: 9", "at_a: 4.5")],
            "at_a:",
            'error: circuit "bilge_aft" draws 4.5 A and trips at 4.5 A - expected more than 4.5 A',
        ),
    ],
    "fuse_above_wire": [
        (
            [("rated_a: 5.0, fuse_a: 10, wire: {awg: 14", "rated_a: 5.0, fuse_a: 35, wire: {awg: 14")],
            "fuse_a:",
            'warning: the fuse of circuit "horn" is 35 A; its wire (14 AWG) may carry 20 A - expected at most 30 A, 150 % of that (33 CFR 183.455)',
        ),
        (
            [("rated_a: 5.0, fuse_a: 10, wire: {awg: 14", "rated_a: 5.0, fuse_a: 25, wire: {mm2: 1.5")],
            "fuse_a:",
            'warning: the fuse of circuit "horn" is 25 A; its wire (1.5 mm2, taken as 16 AWG) may carry 15 A - expected at most 22.5 A, 150 % of that (33 CFR 183.455)',
        ),
    ],
    "thin_wire": [
        (
            [("rated_a: 5.0, fuse_a: 10, wire: {awg: 14", "rated_a: 5.0, fuse_a: 10, wire: {awg: 18")],
            "wire:",
            'warning: the wire of circuit "horn" is 18 AWG, allowed only within a sheath - expected 16 AWG or thicker (33 CFR 183.425)',
        ),
        (
            [("rated_a: 5.0, fuse_a: 10, wire: {awg: 14", "rated_a: 5.0, fuse_a: 10, wire: {awg: 20")],
            "wire:",
            'warning: the wire of circuit "horn" is 20 AWG - expected 16 AWG or thicker (33 CFR 183.425)',
        ),
    ],
    "voltage_drop": [
        (
            [("wire: {awg: 16, one_way_m: 7}, light: sidelights", "wire: {awg: 16, one_way_m: 15}, light: sidelights")],
            "wire:",
            'warning: circuit "sidelights" loses 0.49 V of 12 V in its wire (4.1 %) at 1.2 A over 15 m - expected at most 3 % (ABYC E-11) - 14 AWG would do',
        ),
        (
            [("rated_a: 8.0, fuse_a: 15, wire: {awg: 12, one_way_m: 4}", "rated_a: 8.0, fuse_a: 15, wire: {awg: 12, one_way_m: 400}")],
            "wire:",
            'warning: circuit "washdown" loses 34.57 V of 12 V in its wire (288.1 %) at 8 A over 400 m - expected at most 10 % (ABYC E-11) - 4/0 AWG would do',
        ),
    ],
    "navigation_lights": [
        (
            [("[[sidelights, allround_white], [allround_white], []]", "[[sidelights, allround_white], [sidelights], []]")],
            "[sidelights]",
            'error: position 2 of "navigation" shows sidelights: permitted neither under way nor at anchor for a power-driven boat of 9.2 m - expected under way masthead light, sidelights and stern light; or 2 masthead lights, sidelights and stern light; or all-round white and sidelights; at anchor all-round white; or 2 all-round white (COLREG Rules 23 and 30)',
        ),
        (
            [(", length_m: 9.2", "")],
            "boat:",
            "warning: \"navigation\" switches navigation lights, which are not judged: the boat's length_m or propulsion is missing - expected length_m and propulsion",
        ),
        (
            [("wire: {awg: 16, one_way_m: 6}}\n  deck_aft", "wire: {awg: 16, one_way_m: 6}, light: towing}\n  deck_aft"), ("[[sidelights, allround_white], [", "[[sidelights, allround_white], [deck_fwd, ")],
            "[deck_fwd, allround_white]",
            'warning: position 2 of "navigation" shows all-round white and towing: towing and pilot lights are not judged - check Rules 24 and 29 by eye',
        ),
    ],
    "unused_function": [
        (
            [("    11: anchor_lower\n", "")],
            "anchor_lower:",
            'warning: no control works function "anchor_lower" - expected a key that names it - bind it or delete it',
        ),
    ],
    "dead_option": [
        (
            [("reset: [control, group_off]", "reset: [control, scene_off]")],
            "reset:",
            'warning: reset: scene_off of circuit "bilge_aft" never happens: no scene on a key holds it - delete it, or mend what it relies on',
        ),
        (
            [("memory_by_scene: kept", "memory_by_scene: changed")],
            "memory_by_scene:",
            'warning: no scene sets circuit "cabin_white" and changes its memory - delete it, or mend what it relies on',
        ),
        (
            [("reset: {on: wake}", "reset: {on: [wake, any_member_changed]}")],
            "on:",
            'warning: no other function changes a member of "wipers" - delete it, or mend what it relies on',
        ),
        (
            [("{function: horn, lamp: any}", "{function: horn, lamp: {shows: any, tripped: on}}")],
            "tripped:",
            "warning: no circuit that the lamp of panel helm 3 watches can trip - delete it, or mend what it relies on",
        ),
    ],
}  # fmt: skip


@pytest.mark.parametrize(
    ("rule", "number"), [(r, n) for r, cases in CASES.items() for n in range(len(cases))]
)
def test_a_rule_says_what_it_found_and_where(rule, number):
    edits, at, text = CASES[rule][number]
    found = findings(rule, *edits)
    assert [said for _, said in found] == [text]
    assert found[0][0].startswith(at)


@pytest.mark.parametrize("rule", RULES)
def test_a_rule_finds_nothing_in_the_demo(rule):
    assert findings(rule) == []


def test_every_rule_is_tried():
    assert list(CASES) == list(RULES)


@pytest.mark.parametrize("name", BOATS)
def test_the_boats_have_no_error_and_only_warnings_that_are_meant(name):
    found = [c.text for c in run_rules(load_spec(boat_path(name)).spec)]
    assert found == {
        "kittiwake": [],
        "dunlin": [
            'box main clears the trip of "bilge" when it wakes; "bilge" can then close again though nobody asked',
            'reset: scene_off of circuit "bilge" never happens: no scene on a key holds it',
            'reset: timer of circuit "bilge" never happens: a trip stops the timer',
        ],
        "fulmar": [
            'circuits "masthead" and "sidelights" are always switched together and draw 0.7 and 0.6 A: if their outputs are crossed nothing shows it',
        ],
    }.get(name, [])


def test_findings_come_in_the_order_of_the_file():
    spec = parse_spec(
        edited(("respond_ms: 100", "respond_ms: 40"), SPARE, ("sensed: flag", "sensed: none"))
    ).spec
    found = [c.line for c in run_rules(spec)]
    assert len(found) == 3
    assert found == sorted(found)


def test_circuits_that_inhibit_each_other_are_no_loop():
    assert findings("rule_loop", text=FULMAR) == []


def test_thin_wires_are_no_matter_under_one_ampere():
    thin = ("rated_a: 0.6, fuse_a: 3, wire: {awg: 16", "rated_a: 0.6, fuse_a: 3, wire: {awg: 20")
    assert findings("thin_wire", thin) == []


def test_currents_that_differ_enough_tell_swapped_outputs():
    heavy = ("load: led, rated_a: 0.7", "load: led, rated_a: 2.1")
    assert findings("swaps", heavy, text=FULMAR) == []
    assert len(findings("swaps", text=FULMAR)) == 1


def test_a_sidelight_left_on_at_anchor_is_an_error():
    found = findings(
        "navigation_lights", ("[anchor_light], []]", "[anchor_light, sidelights], []]"), text=FULMAR
    )
    assert found[0][1].startswith(
        'error: position 2 of "navigation" shows all-round white and sidelights: not permitted under way for a '
        "power-driven boat of 14.8 m, and at anchor sidelights must be off - expected under way masthead light"
    )


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_has_its_page(rule):
    page = (ROOT / "docs" / "rules" / f"{rule}.md").read_text(encoding="utf-8")
    assert page.startswith(f"# {rule} (")
    for part in ("## What it does", "## Why it matters", "## Example", "## What to do instead"):
        assert part in page
    assert f"[{rule}]({rule}.md)" in (ROOT / "docs" / "rules" / "README.md").read_text(encoding="utf-8")
