"""Two virtual boxes side by side, one with defects: is there anything that can be done after which they show
different things?

Both are taken through the same inputs in every state they reach together, the shortest way first. It knows
nothing of what is right, only whether two boxes differ, and so checks the judge from outside.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby

from .faults import Fault
from .groups import within
from .inputs import channel_name, inputs_of
from .lights import only_lights_differ, ways_alike
from .quirks import Quirks
from .states import Look, Saved, States
from .tables import Tables
from .touched import COMPARED, never_lost, touched

MOST_PAIRS = 3_000


@dataclass(frozen=True, slots=True)
class Compared:
    """`inputs`: the shortest way to a difference, empty where none was found; `shows`: what then differs.

    `pairs`: of states gone through; `whole`: there are no more. `channels`: the groups whose keys, sensors
    and timers were used; `rig`: also by hand, trips, lost panels and low supply. `lights`: the boxes differ
    in lamps and lighting alone, and these show the same in so many ways in which their channels can be.
    """

    inputs: tuple[str, ...] = ()
    shows: str = ""
    pairs: int = 0
    whole: bool = False
    channels: tuple[int, ...] = ()
    rig: bool = False
    lights: int = 0

    @property
    def equal(self) -> bool:
        """Nothing tells them apart, and there was nothing left to look at."""
        return self.whole and not self.inputs

    def words(self, tables: Tables) -> str:
        """In a sentence."""
        if self.inputs:
            return f"{_counted(self.inputs)}: {self.shows}"
        if self.lights:
            return f"the same lamps and lighting in all {self.lights} ways in which their channels can be"
        if not self.channels:
            return "its loss changes nothing" if self.rig else "the same tables"
        where = ", ".join(channel_name(tables, c) for c in self.channels)
        if not self.whole:
            return f"no difference in {self.pairs} pairs of states of {where}; there are more of them"
        rig = ", by hand, trips, lost panels and low supply" if self.rig else ""
        means = f"keys, sensors, waits, waking up{rig}"
        return f"no difference by {means} in all {self.pairs} pairs of states of {where}"


def compare(tables: Tables, faults: Sequence[Fault], most: int = MOST_PAIRS) -> Compared | None:
    """First with the inputs of the channels that the defects concern, then, where these tell nothing, with
    those of all channels that the defective rows name, then with what needs a rig as well; what differs in
    losses alone, with that at once, and when something is lost is taken for whether it is. None where a
    defect is of other than tables and presses: boxes without frames, delays and loads say nothing of it."""
    wrong, quirks = tables, Quirks()
    for fault in faults:
        wrong = fault.apply(wrong, quirks)
    if quirks != Quirks(latches=quirks.latches, mishaps=quirks.mishaps) or not _only_known(tables, wrong):
        return None
    if quirks == Quirks() and wrong == tables:
        return Compared(whole=True)
    if quirks == Quirks() and only_lights_differ(tables, wrong) and (ways := ways_alike(tables, wrong)):
        return Compared(whole=True, lights=ways)
    near, far = (within(channels, tables, wrong) for channels in touched(tables, wrong, quirks))
    if quirks == Quirks() and replace(wrong, nodes=tables.nodes, inputs=tables.inputs) == tables:
        return _search(tables, wrong, faults, far, most, rig=True)  # nothing but losses tells
    found = _search(tables, wrong, faults, near, most)
    if found.equal and far != near:
        found = _search(tables, wrong, faults, far, most)
    if found.equal:
        rig = _search(tables, wrong, faults, far, most, rig=True)
        found = rig if rig.inputs or rig.whole else found
    return found


def _only_known(tables: Tables, wrong: Tables) -> bool:
    """Whether the tables differ in nothing but what `touched` looks at."""
    same = {name: getattr(tables, name) for name in COMPARED}
    return replace(wrong, **same) == tables


def _counted(inputs: Sequence[str]) -> str:
    """One after the other; what is done several times, once with how often."""
    runs = [(name, len(list(same))) for name, same in groupby(inputs)]
    return ", ".join(name if n == 1 else f"{n} times {name}" for name, n in runs)


def _search(
    tables: Tables, wrong: Tables, faults: Sequence[Fault], channels: frozenset[int], most: int,
    *, rig: bool = False,
) -> Compared:  # fmt: skip
    one, other = States(tables), States(tables, faults, never_lost(tables, wrong))
    inputs = list(inputs_of(tables, wrong, channels, rig=rig))
    begin = one.save(), other.save()
    seen = {(one.key(), other.key())}
    ways: list[tuple[tuple[Saved, Saved], tuple[str, ...]]] = [(begin, ())]
    found = partial(Compared, channels=tuple(sorted(channels)), rig=rig)
    if told := _difference(one, other):
        return found(("wake up",), told, 1)
    for (mine, others), way in ways:
        for done in inputs:
            one.restore(mine)
            other.restore(others)
            one.do(done)
            other.do(done)
            pair = one.key(), other.key()
            if pair in seen:
                continue
            if told := _difference(one, other):
                return found((*way, done.name), told, len(seen))
            if len(seen) == most:
                return found(pairs=most)
            seen.add(pair)
            ways.append(((one.save(), other.save()), (*way, done.name)))
    return found(pairs=len(seen), whole=True)


def _difference(one: States, other: States) -> str:
    """What shows differently first, in words."""
    a, b = one.look(), other.look()
    return "" if a == b else next(_differences(one.tables, a, b))


def _differences(tables: Tables, a: Look, b: Look) -> Iterator[str]:
    for row, (level, fault), (level_b, fault_b) in zip(tables.channels, a.channels, b.channels, strict=True):
        name = channel_name(tables, row.number)
        if level != level_b:
            yield f"{name} at {level:g} %, or at {level_b:g} %"
        if fault != fault_b:
            yield f"{name} with fault code {fault}, or {fault_b}"
    for key, lamp, lamp_b in zip(tables.keys, a.lamps, b.lamps, strict=True):
        if lamp != lamp_b:
            words = ("off", "on", "flashing", "none")
            yield f"lamp of {key.node} {key.key} {words[lamp]}, or {words[lamp_b]}"
    for node, light, light_b in zip(tables.nodes, a.lights, b.lights, strict=True):
        if light != light_b:
            yield f"lighting of {node.name} at {light:g} %, or at {light_b:g} %"
