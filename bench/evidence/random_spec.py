"""The spec of a random boat, as YAML. It knows the spec's words and nothing of what they do."""

from __future__ import annotations

from bench.evidence.random_boat import MOST_PER_BOX, Boat, Channel, Deed, Key

NODES = ("panel fore", "panel aft", "screen left", "screen right")
_FRAMES = """      state: {on_change: 20, cycle: 100}
      level: {on_change: 20, cycle: 100}
      current: {cycle: 100}
      fault: {on_change: 20, cycle: 500}
      lamp: {on_change: 20, cycle: 200}
      backlight: {on_change: 20, cycle: 200}
      supply: {cycle: 200}
      alive: {cycle: 500}
      identity: {cycle: 1000}"""
_MEMORY = {"no": "none", "awake": "kept", "always": "kept_through_supply_loss"}


def spec_text(boat: Boat) -> str:
    """What a builder would have written."""
    lines = ["hardstand: 1", f"boat: {{name: {boat.name}, length_m: 9, propulsion: power}}", "boxes:"]
    for n in range(boat.boxes):
        lines += _box(boat, n)
    lines.append("panels:")
    for n, name in enumerate(NODES):
        kind, _, short = name.partition(" ")
        if n == 2:
            lines.append("screens:")
        _, held, dim, others = boat.losses[n]
        after = 1500 if kind == "panel" else 3000
        lost = f"after_ms: {after}, momentary: {held}, dim: {dim}, others: {others}"
        lines.append(f"  {short}: {{box: box1, lost: {{{lost}}}}}")
    if boat.inputs:
        lines.append("sensors:")
    for n in range(1, boat.inputs + 1):
        lost = f"{{after_ms: 3000, sensor: {boat.sensor_loss}}}"
        lines.append(f"  sensor{n}: {{box: box1, input: {n}, lost: {lost}}}")
    outside = {NODES[k.node]: k.number for k in boat.keys if not k.deed}
    lines.append("outside: {" + ", ".join(f"{node}: [{key}]" for node, key in outside.items()) + "}")
    lines.append("circuits:")
    set_by_scene = {c for d in boat.deeds for c, _ in d.levels}
    lines += [_circuit(c, c.number in set_by_scene) for c in boat.channels]
    lines.append("functions:")
    lines += [_function(boat, d) for d in boat.deeds if d.kind != "toggle"]
    lines.append("controls:")
    for n, name in enumerate(NODES):
        mine = [k for k in boat.keys if k.node == n and k.deed]
        if mine:
            lines.append(f"  {name}:")
            lines += [_key(boat, k) for k in mine]
    rules = _rules(boat)
    return "\n".join([*lines, *(["rules:", *rules] if rules else [])]) + "\n"


def circuit(number: int) -> str:
    """The name of a channel's circuit."""
    return f"load{number}"


def function(boat: Boat, number: int) -> str:
    """The name of a deed; a toggle goes by its circuit."""
    deed = boat.deeds[number - 1]
    return circuit(deed.channels[0]) if deed.kind == "toggle" else f"{deed.kind}{number}"


def _names(numbers: tuple[int, ...]) -> str:
    return "[" + ", ".join(circuit(c) for c in numbers) + "]"


def _yes(value: bool) -> str:
    return "true" if value else "false"


def _box(boat: Boat, n: int) -> list[str]:
    b = boat.box
    wake = "message" if b.wakes_by_message else "supply"
    lines = [
        f"  box{n + 1}:",
        "    definitions: switchbox.dbc",
        "    binding: switchbox.binding.yaml",
        f"    supply_v: {b.volts}",
        f"    respond_ms: {b.respond_ms}",
        "    settle_ms: 250",
        f"    resolves_ms: {b.resolves_ms}",
        f"    timing_ms: {{scan: {b.scan_ms}, debounce: {b.debounce_ms}, task: {b.task_ms}}}",
        "    frames_ms:",
        _FRAMES,
        "    level_step_pct: 0.4",
        f"    wake: {{by: {wake}, within_s: 1.5, others: {'retained' if b.stays else 'dark'}, "
        f"not_available_ms: {b.absent_ms}}}",
        f"    by_hand: {{means: fuse_seat, sensed: {'flag' if b.senses_hand else 'none'}, "
        f"presses: {'stored' if b.hand_stores else 'ignored'}}}",
        f"    trip_at_wake: {'cleared' if b.trip_goes else 'kept'}",
        "    current: {gain_pct: 3, offset_a: 0.10}",
        f"    shortest_press_ms: {b.shortest_ms}",
        f"    repeated_counter: {'new_event' if b.repeats_count else 'ignored'}",
    ]
    if n == 0:
        low, good = round(b.volts * 0.75, 1), round(b.volts * 0.875, 1)
        lines.append(
            f"    supply: {{low_v: {low}, low_for_s: 1.0, sheds: {_names(b.sheds)}, "
            f"presses: {'refused' if b.shed_refuses else 'allowed'}, ends_v: {good}, ends_for_s: 2.0, "
            f"restores: {_yes(b.shed_restores)}}}"
        )
    return lines


def _circuit(c: Channel, in_scene: bool) -> str:
    box, place = divmod(c.number - 1, MOST_PER_BOX)
    parts = [f"box: box{box + 1}", f"channel: {place + 1}", f"load: {c.load}", f"rated_a: {c.amps}"]
    if (d := c.dimmer) is not None:
        by_scene = f", memory_by_scene: {'changed' if d.scene_counts else 'kept'}"
        parts.append(
            f"dim: {{min_pct: {d.low_pct}, hold_ms: {d.hold_ms}, range_s: {d.sweep_s}, range_tol_pct: 10, "
            f"memory: {_MEMORY[d.keeps]}{by_scene if in_scene and d.keeps != 'no' else ''}, "
            f"direction: {'alternate' if d.turns_about else 'down'}, "
            f"at_end: {'stop' if d.stops else 'turn'}}}"
        )
    if c.off_s:
        parts.append(f"auto_off: {{after_s: {c.off_s}, tolerance_s: {c.off_within_s}}}")
    if c.clears:
        parts.append(f"trip: {{at_a: {c.amps * 2.5}, reset: [{', '.join(c.clears)}]}}")
    return f"  {circuit(c.number)}: {{{', '.join(parts)}}}"


def _function(boat: Boat, d: Deed) -> str:
    if d.kind == "held":
        text = f"momentary: {circuit(d.channels[0])}"
    elif d.kind == "cycle":
        text = f"cycle: [{', '.join(_names(row) for row in d.rows)}], position: {d.word}"
        if d.word == "counter":
            after = f", after_s: {d.restart_s}" if d.restart_s else ""
            text += f", reset: {{on: [{', '.join(d.restarts)}]{after}}}"
    elif d.kind == "group":
        text = f"group: {_names(d.channels)}, part_on: {d.word}"
        if any(boat.channels[c - 1].dimmer for c in d.channels):
            text += f", dim_together: {_yes(d.dims)}"
    elif d.kind == "scene":
        levels = ", ".join(f"{circuit(c)}: {level}" for c, level in d.levels)
        text = f"scene: {{{levels}}}, again: {d.word}"
    else:
        text = f"{d.kind}: {_names(d.channels)}"
    return f"  {function(boat, d.number)}: {{{text}}}"


def _key(boat: Boat, k: Key) -> str:
    parts = [f"function: {function(boat, k.deed)}"]
    if k.lamp:
        lamp = [f"shows: {k.lamp}"]
        if k.watches:
            lamp.append(f"circuits: {_names(k.watches)}")
        if k.tripped:
            lamp.append(f"tripped: {k.tripped}")
        parts.append(f"lamp: {{{', '.join(lamp)}}}")
    return f"    {k.number}: {{{', '.join(parts)}}}"


def _rules(boat: Boat) -> list[str]:
    lines = []
    for r in boat.rules:
        if r.kind == "force":
            presses, over = r.words
            text = f"force: {circuit(r.target)}, by: sensor{r.sources[0]}, presses: {presses}"
            text += f", over_inhibit: {over}"
        elif r.kind == "follow":
            release, sees = r.words
            text = (
                f"follow: {circuit(r.target)}, sources: {_names(r.sources)}, release: {release}, sees: {sees}"
            )
        else:
            text = f"inhibit: {circuit(r.target)}, by: {_names(r.sources)}, sees: {r.words[0]}"
        lines.append(f"  - {{{text}}}")
    lines += [f"  - {{wake: {circuit(c)}, level_pct: {level}}}" for c, level in boat.wakes]
    for node, deed, place, level, other in boat.lights:
        when = f"{{{function(boat, deed)}: [{place}]}}"
        panel = NODES[node].partition(" ")[2]
        lines.append(f"  - {{backlight: {panel}, when: {when}, level_pct: {level}, else_pct: {other}}}")
    return lines
