"""From spec, definitions and off-words to the plain data of safe-off."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence

from bench.definitions import Definitions
from bench.definitions.controls import Heartbeat, LevelKeys
from bench.definitions.observers import bit_places
from bench.spec.model import Spec

from .off_data import Field, OffData, Reading, Template

TAP_MS = 120.0
OffWords = Mapping[str, Sequence[tuple[str, int]]]


def build(
    spec: Spec, definitions: Definitions, words: OffWords, adapter: str, first: Collection[str] = ()
) -> OffData:
    """The data for one boat on the link named by `adapter`; `first`: circuits to switch off before others. A
    circuit whose state nobody can read is left out of what can be switched off, and is then named as not
    reported."""
    boxes = spec.boxes.values()
    shortest_ms = max(b.shortest_press_ms for b in boxes)
    keys = set(definitions.keys)
    usable = {
        c: tuple((key, _most(spec, key, presses)) for key, presses in words.get(c, ()) if key in keys)
        for c in spec.circuits
    }
    return OffData(
        adapter=adapter,
        circuits={c: _reading(definitions, c) for c in _in_order(spec, first)},
        press={k: _key(definitions, k, pressed=True) for k in definitions.keys},
        release={k: _key(definitions, k, pressed=False) for k in definitions.keys},
        words=usable,
        cyclic=tuple(_cyclic(definitions)),
        tap_ms=max(TAP_MS, 2 * shortest_ms),
        respond_ms=max(b.respond_ms for b in boxes),
        read_back_ms=read_back_ms(spec),
        comes_on_later=tuple(_later(spec)),
    )


def read_back_ms(spec: Spec) -> float:
    """How long the effect of a press may take to be reported of every circuit."""
    boxes = spec.boxes.values()
    cycles = [b.frames_ms["state"].cycle_ms or 0.0 for b in boxes if "state" in b.frames_ms]
    return max(b.respond_ms for b in boxes) + 2 * max(cycles, default=100.0) + 200.0


def _most(spec: Spec, control: str, presses: int) -> int:
    """One more than needed, should one be lost; a cycle's pass holds that spare already."""
    return presses if spec.functions[spec.controls[control].function].kind == "cycle" else presses + 1


def would_stay_on(data: OffData) -> list[str]:
    """Circuits that no key can switch off on purpose."""
    return [c for c in data.circuits if not data.words.get(c)]


def _in_order(spec: Spec, first: Collection[str]) -> list[str]:
    """Sources of a follow before what follows them, those in `first` and their sources before all others,
    otherwise as in the spec."""
    followed = {f.circuit for f in spec.follows}
    sources = {s for f in spec.follows if f.circuit in first for s in f.sources}
    return sorted(spec.circuits, key=lambda c: (c not in first and c not in sources, c in followed))


def _reading(definitions: Definitions, circuit: str) -> Reading:
    for kind in ("state", "level"):
        if f"{kind}:{circuit}" in definitions.signal_message:
            f = definitions.raw_field(f"{kind}:{circuit}")
            where = Field(f.can_id, f.extended, f.bits, f.id_mask, f.selectors)
            return Reading(where, f.on, f.off, any_other_on=kind == "level", unknown=f.not_available)
    return Reading(Field(0, False, (), mask=0), (), ())


def _key(definitions: Definitions, control: str, *, pressed: bool) -> Template:
    k = definitions.key_template(control, pressed)
    return Template(k.node, k.can_id, k.extended, k.data, k.counter_bits)


def _cyclic(definitions: Definitions) -> Iterator[Template]:
    """Signs of life with nothing held, and every input at rest."""
    for c in definitions.controls:
        k = c.carrier
        if k.period_ms is None or not isinstance(c, Heartbeat | LevelKeys):
            continue
        data = c.payload(0, 0) if isinstance(c, Heartbeat) else c.payload({}, 0)
        bits = bit_places(k.counter, k.length) if k.counter else ()
        yield Template(k.node, k.can_id, k.extended, data, bits, k.period_ms)


def _later(spec: Spec) -> Iterator[str]:
    for sensor in spec.sensors.values():
        if sensor.lost is None or sensor.lost.sensor != "active":
            continue
        for force in spec.forces:
            if force.sensor == sensor.name:
                after_s = sensor.lost.after_ms / 1000
                yield (
                    f"{force.circuit} comes on {after_s:g} s after the bench falls silent, because a lost "
                    f"{sensor.name} counts as active"
                )
