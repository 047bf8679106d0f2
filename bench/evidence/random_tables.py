"""The virtual box's tables of a random boat, as TOML, from docs/twin-tables.md and docs/messages.md."""

from __future__ import annotations

from bench.evidence.random_boat import MOST_PER_BOX, Boat, Channel, Deed, Key, Rule

_NODES = ("panel fore", "panel aft", "screen left", "screen right")
_ADDRESS = (0x41, 0x42, 0x51, 0x52)
_CODE = {"toggle": "toggle", "held": "while_held", "cycle": "step", "group": "all", "scene": "preset"}
_PLACE = {"derived": "seen", "counter": "counted"}
_RESTART = {"wake": "wake", "any_member_changed": "member"}
_PART = {"all_off": "off", "all_on": "on"}
_AGAIN = {"off": "off", "reapply": "again"}
_KEPT = {"no": "none", "awake": "kept", "always": "through_loss"}
_SHOWS = {"any": "any", "all": "all", "active": "active", "position": "place"}
_TRIPPED = {"flashing": "flash", "on": "on", "off": "off"}
_HEARD = """
[[heard]]
is = "key"
id = 0x0CFF1000
mask = 0x1FFFFF00
bytes = 3
at = { key = [0, 8], action = [8, 2], counter = [16, 8] }

[[heard]]
is = "alive"
id = 0x18FF1100
mask = 0x1FFFFF00
bytes = 2
at = { counter = [0, 8], keys_down = [8, 8] }

[[heard]]
is = "inputs"
id = 0x10FF1200
mask = 0x1FFFFF00
bytes = 3
at = { INPUTS }

[[heard]]
is = "wake"
id = 0x18FF1300
mask = 0x1FFFFF00
bytes = 1
at = { counter = [0, 8] }
"""
_INPUTS = ", ".join(f"input{n + 1} = [{2 * n}, 2]" for n in range(8))


def tables_text(boat: Boat) -> str:
    """What a box of this boat would have been configured with."""
    rows = ["tables = 1", f'name = "{boat.name}"']
    rows += [_box(boat, n) for n in range(boat.boxes)]
    rows += [_channel(c) for c in boat.channels]
    rows += [_operation(d) for d in boat.deeds]
    rows += [_node(boat, n) for n in range(4)]
    for n in range(1, boat.inputs + 1):
        rows.append(
            f'[[input]]\nnumber = {n}\nbox = "box1"\nsource = 0x61\nlost_ms = 3000\n'
            f'on_lost = "{boat.sensor_loss}"'
        )
    rows += [_key(k) for k in boat.keys]
    rows += [_rule(r) for r in boat.rules]
    rows += [f"[[wake]]\nchannels = [{c}]\npercent = {level}" for c, level in boat.wakes]
    for node, deed, place, level, other in boat.lights:
        when = f"[{{ operation = {deed}, places = [{place}] }}]"
        rows.append(
            f'[[backlight]]\nnode = "{_NODES[node]}"\npercent = {level}\notherwise = {other}\nwhen = {when}'
        )
    for n in range(boat.boxes):
        rows += _frames(n, min(MOST_PER_BOX, len(boat.channels) - n * MOST_PER_BOX))
    return "\n\n".join(rows) + "\n" + _HEARD.replace("INPUTS", _INPUTS)


def _flag(value: bool) -> str:
    return "true" if value else "false"


def _words(words: tuple[str, ...]) -> str:
    return "[" + ", ".join(f'"{w}"' for w in words) + "]"


def _box(boat: Boat, n: int) -> str:
    b = boat.box
    first = n * MOST_PER_BOX + 1
    lines = [
        "[[box]]",
        f'name = "box{n + 1}"',
        f"first = {first}",
        f"channels = {min(MOST_PER_BOX, len(boat.channels) - first + 1)}",
        f"source = {0x21 + n}",
        f"volts = {b.volts}.0",
        f"scan_ms = {b.scan_ms}",
        f"debounce_ms = {b.debounce_ms}",
        f"task_ms = {b.task_ms}",
        "boot_ms = 600",
        f"not_available_ms = {b.absent_ms}",
        f'wake_by = "{"message" if b.wakes_by_message else "supply"}"',
        f'others = "{"retained" if b.stays else "dark"}"',
        f'trip_at_wake = "{"cleared" if b.trip_goes else "kept"}"',
        f'hand_sensed = "{"flag" if b.senses_hand else "none"}"',
        f'hand_presses = "{"stored" if b.hand_stores else "ignored"}"',
        f"shortest_press_ms = {b.shortest_ms}",
        f'repeats = "{"new" if b.repeats_count else "ignored"}"',
        "sense = { gain_pct = 1.5, offset_a = 0.025, noise_a = 0.04, step_a = 0.05 }",
    ]
    if n == 0:
        low, good = round(b.volts * 0.75, 1), round(b.volts * 0.875, 1)
        lines.append(
            f"shed = {{ below_v = {low}, for_ms = 1000, above_v = {good}, back_ms = 2000, "
            f'channels = {list(b.sheds)}, on_presses = "{"refused" if b.shed_refuses else "allowed"}", '
            f"restore = {_flag(b.shed_restores)} }}"
        )
    return "\n".join(lines)


def _channel(c: Channel) -> str:
    lines = ["[[channel]]", f"number = {c.number}", f'load = "{c.load}"', f"amps = {c.amps}"]
    if c.off_s:
        lines.append(f"off_after_ms = {round(c.off_s * 1000)}")
    if (d := c.dimmer) is not None:
        lines.append(
            f"dim = {{ min_pct = {d.low_pct}, hold_ms = {d.hold_ms}, sweep_ms = {round(d.sweep_s * 1000)}, "
            f'memory = "{_KEPT[d.keeps]}", scene_sets_memory = {_flag(d.scene_counts)}, '
            f'turn = "{"alternate" if d.turns_about else "down"}", '
            f'at_end = "{"stop" if d.stops else "turn"}" }}'
        )
    if c.clears:
        lines.append(f"trip = {{ at_a = {c.amps * 2.5}, cleared_by = {_words(c.clears)} }}")
    return "\n".join(lines)


def _operation(d: Deed) -> str:
    lines = ["[[operation]]", f"number = {d.number}", f'code = "{_CODE.get(d.kind, d.kind)}"']
    if d.kind == "cycle":
        lines += [f"rows = {[list(row) for row in d.rows]}", f'place = "{_PLACE[d.word]}"']
        if d.restarts:
            lines.append(f"restart_on = {_words(tuple(_RESTART[w] for w in d.restarts))}")
        if d.restart_s:
            lines.append(f"restart_after_ms = {round(d.restart_s * 1000)}")
    elif d.kind == "scene":
        levels = ", ".join(f"{c} = {level}" for c, level in d.levels)
        lines += [f"levels = {{ {levels} }}", f'again = "{_AGAIN[d.word]}"']
    else:
        lines.append(f"channels = {list(d.channels)}")
    if d.kind == "group":
        lines += [f'part_on = "{_PART[d.word]}"', f"dims = {_flag(d.dims)}"]
    return "\n".join(lines)


def _node(boat: Boat, n: int) -> str:
    kind = "panel" if n < 2 else "screen"
    _, held, dim, others = boat.losses[n]
    return "\n".join(
        [
            "[[node]]", f'name = "{_NODES[n]}"', f'kind = "{kind}"', f"number = {n % 2 + 1}",
            f"address = {_ADDRESS[n]}", f"lost_ms = {1500 if kind == 'panel' else 3000}", f'held = "{held}"',
            f'dim = "{dim}"', f'others = "{others}"',
        ]
    )  # fmt: skip


def _key(k: Key) -> str:
    lines = ["[[key]]", f'node = "{_NODES[k.node]}"', f"key = {k.number}", f"operation = {k.deed}"]
    if k.lamp:
        lamp = [f'shows = "{_SHOWS[k.lamp]}"']
        if k.watches:
            lamp.append(f"channels = {list(k.watches)}")
        if k.tripped:
            lamp.append(f'tripped = "{_TRIPPED[k.tripped]}"')
        lines.append(f"lamp = {{ {', '.join(lamp)} }}")
    return "\n".join(lines)


def _rule(r: Rule) -> str:
    head = f"[[{r.kind}]]\nchannel = {r.target}\n"
    if r.kind == "force":
        return head + f'input = {r.sources[0]}\npresses = "{r.words[0]}"\nover_inhibit = "{r.words[1]}"'
    text = head + f"sources = {list(r.sources)}\n"
    if r.kind == "follow":
        return text + f'at_end = "{r.words[0]}"\nsees = "{r.words[1]}"'
    return text + f'sees = "{r.words[0]}"'


def _frames(n: int, channels: int) -> list[str]:
    """Messages of one box; those of panels, screens and inputs come from the first."""
    count = '{ is = "counter", bit = %d, width = 8 }'
    rows = [("ChannelState1", 0x14, 0x20, 8, "both", 100, f"{_many('state', 1, 28, 2)}, {count % 56}")]
    if channels > 28:
        rows.append(
            ("ChannelState2", 0x14, 0x21, 6, "both", 100, f"{_many('state', 29, 48, 2)}, {count % 40}")
        )
    for i in range(-(-channels // 8)):
        level = _many("level", 8 * i + 1, 8 * i + 8, 8, "per_count = 0.4")
        rows.append((f"ChannelLevel{i + 1}", 0x14, 0x28 + i, 8, "both", 100, level))
    for i in range(-(-channels // 4)):
        amps = _many("current", 4 * i + 1, 4 * i + 4, 16, "per_count = 0.05")
        rows.append((f"ChannelCurrent{i + 1}", 0x18, 0x30 + i, 8, "cycle", 100, amps))
    for i in range(-(-channels // 16)):
        rows.append(
            (
                f"ChannelFault{i + 1}",
                0x14,
                0x3C + i,
                8,
                "both",
                500,
                _many("fault", 16 * i + 1, 16 * i + 16, 4),
            )
        )
    if n == 0:
        for i in range(2):
            lamps = _many("lamp", 1, 28, 2, f'node = "{_NODES[i]}"')
            rows.append((f"PanelLamps{i + 1}", 0x14, 0x40 + i, 8, "both", 200, f"{lamps}, {count % 56}"))
            lamps = _many("lamp", 21, 48, 2, f'node = "{_NODES[2 + i]}"')
            rows.append((f"ScreenLamps{i + 1}", 0x14, 0x44 + i, 8, "both", 200, f"{lamps}, {count % 56}"))
        light = _many("backlight", 1, 4, 8, "per_count = 0.4")
        rows.append(("Backlights", 0x18, 0x48, 4, "both", 200, light))
        rows.append(("InputStatus", 0x14, 0x55, 2, "both", 500, _many("input", 1, 8, 2)))
        ack = _one("ack_source", 0, 8), _one("ack_key", 8, 8), _one("ack_counter", 16, 8)
        rows.append(("KeyAck", 0x18, 0x54, 3, "ack", 0, ", ".join(ack)))
    volts = _one("volts", 0, 16, "per_count = 0.01"), _one("total", 16, 16, "per_count = 0.1")
    rows.append(("SupplyStatus", 0x18, 0x50, 4, "cycle", 200, ", ".join(volts)))
    boot = _one("boot_reason", 0, 8), _one("boot_count", 8, 8)
    rows.append(("Boot", 0x0C, 0x51, 2, "boot", 0, ", ".join(boot)))
    alive = _one("counter", 0, 8), _one("uptime", 8, 16)
    rows.append(("BoxAlive", 0x18, 0x52, 3, "cycle", 500, ", ".join(alive)))
    facts = _one("firmware", 0, 16), _one("configuration", 16, 32), _one("serial", 48, 16)
    rows.append(("Identity", 0x18, 0x53, 8, "cycle", 1000, ", ".join(facts)))
    return [_frame(n, *row) for row in rows]


def _many(kind: str, first: int, last: int, width: int, more: str = "") -> str:
    extra = f", {more}" if more else ""
    return f'{{ is = "{kind}", of = [{first}, {last}], bit = 0, width = {width}{extra} }}'


def _one(kind: str, bit: int, width: int, more: str = "") -> str:
    extra = f", {more}" if more else ""
    return f'{{ is = "{kind}", bit = {bit}, width = {width}{extra} }}'


def _frame(n: int, name: str, top: int, ps: int, size: int, when: str, cycle_ms: int, fields: str) -> str:
    number = top << 24 | 0xFF << 16 | ps << 8 | (0x21 + n)
    lines = ["[[frame]]", f'name = "{name} of box{n + 1}"', f'box = "box{n + 1}"', f"id = {number}"]
    lines.append(f"bytes = {size}")
    if when == "both":
        lines.append("on_change_ms = 20")
    if when in ("both", "cycle"):
        lines.append(f"cycle_ms = {cycle_ms}")
    else:
        lines.append(f'when = "{when}"')
    return "\n".join([*lines, f"fields = [{fields}]"])
