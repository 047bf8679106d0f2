"""What must hold between the rows of the tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from bench.core.errors import Complaint
from bench.twin.tables import Tables
from bench.twin.toml_rows import nearest


def check(tables: Tables, path: str) -> list[Complaint]:
    """Everything that one row says of another and that is not so."""
    texts = [*_twice(tables), *_channels(tables), *_names(tables), *_bits(tables)]
    return [Complaint(text, path, advice=advice) for text, advice in texts]


def _twice(tables: Tables) -> Iterator[tuple[str, str]]:
    kinds: list[tuple[str, Iterable[object]]] = [
        ("box", (b.name for b in tables.boxes)),
        ("channel", (c.number for c in tables.channels)),
        ("operation", (o.number for o in tables.operations)),
        ("node", (n.name for n in tables.nodes)),
        ("key", ((k.node, k.key) for k in tables.keys)),
        ("input", (i.number for i in tables.inputs)),
        ("frame", (f.name for f in tables.frames)),
    ]
    for kind, names in kinds:
        seen: set[object] = set()
        for name in names:
            if name in seen:
                yield f"{kind} {name} stands in two rows", "take one away"
            seen.add(name)
    if not tables.boxes:
        yield "there is no [[box]]", "add one"


def _channels(tables: Tables) -> Iterator[tuple[str, str]]:
    there = {n for b in tables.boxes for n in b.numbers}
    used: list[tuple[str, Iterable[int]]] = [("channel", (c.number for c in tables.channels))]
    used += [(f"operation {o.number}", o.members) for o in tables.operations]
    used += [(f"force of {r.channel}", (r.channel,)) for r in tables.forces]
    used += [(f"follow of {r.channel}", (r.channel, *r.sources)) for r in tables.follows]
    used += [(f"inhibit of {r.channel}", (r.channel, *r.sources)) for r in tables.inhibits]
    used += [("wake", r.channels) for r in tables.wakes]
    used += [(f"shed of {b.name}", b.shed.channels) for b in tables.boxes if b.shed]
    used += [(f"lamp of {k.node} {k.key}", k.lamp.channels) for k in tables.keys if k.lamp]
    for what, numbers in used:
        for number in numbers:
            if number not in there:
                yield f"{what} names channel {number}, which no box has", "see first and channels of [[box]]"


def _names(tables: Tables) -> Iterator[tuple[str, str]]:
    boxes, nodes = [b.name for b in tables.boxes], [n.name for n in tables.nodes]
    inputs, numbers = {i.number for i in tables.inputs}, set(tables.operation)
    for key in tables.keys:
        if key.node not in nodes:
            yield f"key {key.key} is on {key.node!r}, which is no node", nearest(key.node, nodes)
        for number in (key.operation, key.lamp_operation):
            if number and number not in numbers:
                yield (
                    f"key {key.node} {key.key} names operation {number}, which does not exist",
                    "0 means none",
                )
    for row in tables.backlights:
        if row.node not in nodes:
            yield f"backlight of {row.node!r}, which is no node", nearest(row.node, nodes)
        for number in row.when:
            if number not in numbers:
                yield f"backlight of {row.node} names operation {number}, which does not exist", ""
    for force in tables.forces:
        if force.input not in inputs:
            yield f"force of {force.channel} names input {force.input}, which does not exist", ""
    for kind, name in [("frame", f.box) for f in tables.frames] + [("input", i.box) for i in tables.inputs]:
        if name not in boxes:
            yield f"{kind} of box {name!r}, which does not exist", nearest(name, boxes)


def _bits(tables: Tables) -> Iterator[tuple[str, str]]:
    for frame in tables.frames:
        taken: dict[int, str] = {}
        for field in frame.fields:
            for i in range(field.last - field.first + 1):
                for place in _places(field.bit + i * field.step, field.width, field.big):
                    label = f"{field.kind} {field.first + i}"
                    if not 0 <= place < 8 * frame.size:
                        yield f"frame {frame.name}: {label} lies outside its {frame.size} bytes", ""
                        break
                    if place in taken:
                        yield f"frame {frame.name}: {label} lies on {taken[place]}", ""
                        break
                    taken[place] = label


def _places(bit: int, width: int, big: bool) -> Iterator[int]:
    if not big:
        yield from range(bit, bit + width)
        return
    byte, inner = divmod(bit, 8)
    for _ in range(width):
        yield byte * 8 + inner
        byte, inner = (byte, inner - 1) if inner else (byte + 1, 7)
