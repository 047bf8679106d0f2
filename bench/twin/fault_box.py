"""Defects of firmware, wiring, sensors and bus: each notes one thing in the box's quirks."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bench.twin.fault_tables import Apply, channel_at, key_at
from bench.twin.groups import own_operations
from bench.twin.quirks import Mishap, Quirks
from bench.twin.tables import Tables

FAULT_CURRENT, FAULT_HEAT = 4, 5  # codes as of the messages

Note = Callable[[Tables, Quirks, Sequence[str]], None]


def _noting(note: Note) -> Apply:
    def apply(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
        note(tables, quirks, parts)
        return tables

    return apply


def _frame(tables: Tables, name: str) -> str:
    if all(f.name != name for f in tables.frames):
        raise ValueError(f"no box sends a frame {name!r}")
    return name


def _box(tables: Tables, name: str) -> str:
    if all(b.name != name for b in tables.boxes):
        raise ValueError(f"there is no box {name!r}")
    return name


def _drops_second_press(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.drop_second_ms = float(parts[0])


def _late_key(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.late_ms[key_at(tables, parts[0]).operation] = float(parts[1])


def _slow_task(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.slow_task_ms = float(parts[0])


def _timer_survives_off(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.timer_survives.add(channel_at(tables, parts[0]))


def _restarts(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.restart_at_ms = float(parts[0])


def _stale_lamp(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    row = key_at(tables, parts[0])
    quirks.stale_lamps.add((row.node, row.key))


def _memory_lost(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.memory_lost.add(channel_at(tables, parts[0]))


def _chatter(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.chatter[channel_at(tables, parts[0])] = float(parts[1])


def _state_late(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.stale_report_ms[channel_at(tables, parts[0])] = float(parts[1])


def _on_change_lost(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.no_on_change.add(_frame(tables, parts[0]))


def _counter_stuck(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.stuck_counter.add(_frame(tables, parts[0]))


def _frames_stop(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.stopped_frames[_frame(tables, parts[0])] = float(parts[1])


def _level_unavailable(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.unavailable.add(("level", channel_at(tables, parts[0])))


def _current_unavailable(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.unavailable.add(("current", channel_at(tables, parts[0])))


def _wake_keeps(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.wake_zero.add(channel_at(tables, parts[0]))


def _trip_never(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.trip_deaf.add(channel_at(tables, parts[0]))


def _swapped_outputs(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    one, two = channel_at(tables, parts[0]), channel_at(tables, parts[1])
    quirks.crossed.update({one: two, two: one})


def _open_load(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.open_load.add(channel_at(tables, parts[0]))


def _shorted(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.shorted.add(channel_at(tables, parts[0]))


def _high_resistance(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.series_ohm[channel_at(tables, parts[0])] = float(parts[1])


def _cross_talk(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    while_ = [(channel_at(tables, where), on) for where, on in map(_is_on, parts[1:])]
    if not while_:
        raise ValueError("no channel is named that would be in the way")
    quirks.mishaps.append(Mishap(_works(tables, parts[0]), tuple(while_)))


def _stray_off(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    stray = channel_at(tables, parts[1])
    while_ = ((channel_at(tables, where), on) for where, on in map(_is_on, parts[2:]))
    number = _works(tables, parts[0])
    quirks.mishaps.append(Mishap(number, ((stray, True), *while_), stray=stray))


def _is_on(text: str) -> tuple[str, bool]:
    where, _, word = text.rpartition(" ")
    if word not in ("on", "off"):
        raise ValueError(f"{text!r} does not end in on or off")
    return where, word == "on"


def _after_keys(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    number, *after = (_works(tables, key) for key in parts)
    among = own_operations(tables, tables.operation[number])
    strangers = [key for key, other in zip(parts[1:], after, strict=True) if other not in among]
    if strangers or not after or number not in among:
        raise ValueError(f"{', '.join(strangers) or 'no key'} works circuits that hang together with its own")
    quirks.mishaps.append(Mishap(number, after=tuple(after), among=among))


def _works(tables: Tables, key: str) -> int:
    row = key_at(tables, key)
    if row.operation not in tables.operation:
        raise ValueError(f"key {key!r} does nothing")
    return row.operation


def _output_dead(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.weak.add(channel_at(tables, parts[0]))


def _output_pretends(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.pretends.add(channel_at(tables, parts[0]))


def _overheats(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.flagged[channel_at(tables, parts[0])] = FAULT_HEAT


def _overcurrent(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.flagged[channel_at(tables, parts[0])] = FAULT_CURRENT


def _current_gain(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.gain_pct[channel_at(tables, parts[0])] = float(parts[1])


def _current_offset(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.offset_a[channel_at(tables, parts[0])] = float(parts[1])


def _sense_crossed(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    one, two = channel_at(tables, parts[0]), channel_at(tables, parts[1])
    quirks.sense_crossed.update({one: two, two: one})


def _frames_lost(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.lost_share[_frame(tables, parts[0])] = float(parts[1])


def _frames_late(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.late_frames_ms[_frame(tables, parts[0])] = float(parts[1])


def _frames_repeated(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.repeated_share = float(parts[0])


def _frames_short(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    name, length = _frame(tables, parts[0]), int(parts[1])
    size = next(f.size for f in tables.frames if f.name == name)
    if not 0 <= length < size:
        raise ValueError(f"{name} has {size} bytes; {length} is no shorter length")
    quirks.wrong_length[name] = length


def _silent(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.silent[_box(tables, parts[0])] = float(parts[1])


def _hand_deaf(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.lock_deaf.add(channel_at(tables, parts[0]))


def _hand_stuck(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.hand_stuck.add(channel_at(tables, parts[0]))


def _hand_crossed(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    one, two = channel_at(tables, parts[0]), channel_at(tables, parts[1])
    quirks.hand_crossed.update({one: two, two: one})


def _hand_keeps(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.hand_keeps.add(channel_at(tables, parts[0]))


def _hand_presses_flipped(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.hand_flipped.add(channel_at(tables, parts[0]))


def _hand_noticed(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.hand_noticed.add(channel_at(tables, parts[0]))


def _hand_spoils(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.hand_spoils.add(channel_at(tables, parts[0]))


def _lamp_broken(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    row = key_at(tables, parts[0])
    if row.lamp is None:
        raise ValueError(f"{parts[0]!r} has no lamp")
    quirks.dark_lamps.add((row.node, row.key))


def _lighting_broken(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    if all(row.node != parts[0] for row in tables.backlights):
        raise ValueError(f"{parts[0]!r} has no lighting")
    quirks.dark_panels.add(parts[0])


def _load_mute(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> None:
    quirks.mute.add(channel_at(tables, parts[0]))


BOX_FAULTS: dict[str, Apply] = {
    name: _noting(note)
    for name, note in {
        "drops_second_press": _drops_second_press,
        "late_key": _late_key,
        "slow_task": _slow_task,
        "timer_survives_off": _timer_survives_off,
        "restarts": _restarts,
        "stale_lamp": _stale_lamp,
        "memory_lost": _memory_lost,
        "chatter": _chatter,
        "cross_talk": _cross_talk,
        "stray_off": _stray_off,
        "after_keys": _after_keys,
        "state_late": _state_late,
        "on_change_lost": _on_change_lost,
        "counter_stuck": _counter_stuck,
        "frames_stop": _frames_stop,
        "level_unavailable": _level_unavailable,
        "current_unavailable": _current_unavailable,
        "wake_keeps": _wake_keeps,
        "trip_never": _trip_never,
        "swapped_outputs": _swapped_outputs,
        "swapped_alike": _swapped_outputs,
        "open_load": _open_load,
        "shorted": _shorted,
        "high_resistance": _high_resistance,
        "output_dead": _output_dead,
        "overheats": _overheats,
        "overcurrent": _overcurrent,
        "output_pretends": _output_pretends,
        "current_gain": _current_gain,
        "current_offset": _current_offset,
        "sense_crossed": _sense_crossed,
        "frames_lost": _frames_lost,
        "frames_late": _frames_late,
        "frames_repeated": _frames_repeated,
        "frames_short": _frames_short,
        "silent": _silent,
        "lamp_broken": _lamp_broken,
        "lighting_broken": _lighting_broken,
        "load_mute": _load_mute,
        "hand_deaf": _hand_deaf,
        "hand_stuck": _hand_stuck,
        "hand_crossed": _hand_crossed,
        "hand_keeps": _hand_keeps,
        "hand_spoils": _hand_spoils,
        "hand_presses_flipped": _hand_presses_flipped,
        "hand_noticed": _hand_noticed,
    }.items()
}
